"""What the operator at the bolts reads: facts, then one sentence a thing to do, the better known first."""

import textwrap
from datetime import timedelta

from sentinel.align.axis import Alignment, Before, Bolt
from sentinel.forecast.coming import HORIZON_H
from sentinel.notify.left_alone import clock_time, span
from sentinel.settings import Settings
from sentinel.sky import rate_arcsec_s

GOOD_ENOUGH_S = 24 * 3600.0
"""An axis on which a disc stays for so long is left alone."""
WIDTH = 110
SLIGHT_RATE_SIGMAS = 3.0
CAUTION = (
    "Keep the filter on the lens all the while, and never look for the sun through camera or finder "
    "without one."
)


def alignment_lines(alignment: Alignment, settings: Settings) -> list[str]:
    """Return the alignment as lines for a terminal."""
    a = alignment
    azimuth, altitude = a.bolts
    since = f" since {clock_time(a.before.at_utc, a.forecast.time_utc)} UTC" if a.before else ""
    f = a.forecast
    open_rate = "" if a.rate_determined else "; not determined yet"
    return [
        f"Azimuth   {_azimuth(azimuth, settings)}",
        f"Altitude  {_altitude(altitude)}",
        f"Rate      {f.rate_ratio:.5f} of the mean solar rate, +/- {f.rate_ratio_sigma:.5f}{open_rate}",
        f"Frames    {a.frames_used} with a disc over {span(timedelta(seconds=a.span_s))}{since}",
        "",
        *(
            textwrap.fill(f"{number}. {sentence}", WIDTH, subsequent_indent="   ")
            for number, sentence in enumerate(advice(a, settings), 1)
        ),
    ]


def alignment_json(alignment: Alignment, settings: Settings) -> dict[str, object]:
    """Return the alignment as JSON values under names with units."""
    f = alignment.forecast
    return {
        "polar_azimuth_error_deg": f.polar_azimuth_error_deg,
        "polar_azimuth_error_sigma_deg": f.polar_azimuth_error_sigma_deg,
        "polar_altitude_error_deg": f.polar_altitude_error_deg,
        "polar_altitude_error_sigma_deg": f.polar_altitude_error_sigma_deg,
        "rate_ratio": f.rate_ratio,
        "rate_ratio_sigma": f.rate_ratio_sigma,
        "determined": list(alignment.determined),
        "advice": advice(alignment, settings),
        "span_s": alignment.span_s,
        "frames_used": alignment.frames_used,
    }


def advice(alignment: Alignment, settings: Settings) -> list[str]:
    """Return what to do, a sentence or a few each, in the order in which to do it."""
    told = _doubts(alignment, settings)
    if alignment.before is not None:
        told.append(_came_out(alignment, alignment.before, settings))
    turns = [*_turns(alignment, settings), *_rate(alignment, settings)]
    good = _good_for(alignment)
    # Good enough comes first: whoever reads on may turn all the same.
    order = [good, *turns] if alignment.stays_s >= GOOD_ENOUGH_S else [*turns, good]
    return [*told, *order, CAUTION]


def _azimuth(bolt: Bolt, settings: Settings) -> str:
    east = (bolt.error_deg > 0) == (settings.site.latitude_deg >= 0)
    return f"{abs(bolt.error_deg):.2f} deg {'east' if east else 'west'} of the pole, {_doubt(bolt)}"


def _altitude(bolt: Bolt) -> str:
    return f"{abs(bolt.error_deg):.2f} deg too {'high' if bolt.error_deg > 0 else 'low'}, {_doubt(bolt)}"


def _doubt(bolt: Bolt) -> str:
    return f"+/- {bolt.sigma_deg:.2f}{'' if bolt.determined else '; not determined yet'}"


def _doubts(alignment: Alignment, settings: Settings) -> list[str]:
    f = alignment.forecast
    told = []
    if f.departed_utc is not None:
        told.append(
            f"The disc has not followed the mount since {clock_time(f.departed_utc, f.time_utc)} UTC: what "
            "follows is from before. See to the drive first."
        )
    if f.implied_focal_length_mm is not None:
        told.append(
            f"The focal length is set to {settings.camera.focal_length_mm:.4g} mm, but the disc's size "
            f"implies {f.implied_focal_length_mm:.3g} mm: mend the setting."
        )
    return told


def _came_out(alignment: Alignment, before: Before, settings: Settings) -> str:
    """Say what the last turn was to be and what it came out as."""
    azimuth, altitude = alignment.bolts
    asked = _turn_words(before.azimuth_deg, before.altitude_deg, settings)
    became = _turn_words(
        before.azimuth_deg - azimuth.error_deg, before.altitude_deg - altitude.error_deg, settings
    )
    at = clock_time(before.at_utc, alignment.forecast.time_utc)
    unmarked = "" if before.marked else " (not marked, but the track shows it)"
    return (
        f"At {at} UTC the axis was turned{unmarked}: to be turned out were {asked}; it came out as {became}."
    )


def _turn_words(azimuth_deg: float, altitude_deg: float, settings: Settings) -> str:
    """Return turns that take errors out, in words."""
    return (
        f"{abs(azimuth_deg):.2f} deg to the {_aside(azimuth_deg, settings)} and {abs(altitude_deg):.2f} deg "
        f"{'down' if altitude_deg > 0 else 'up'}"
    )


def _aside(error_deg: float, settings: Settings) -> str:
    """Return the side to which to turn the mount in azimuth."""
    return "west" if (error_deg > 0) == (settings.site.latitude_deg >= 0) else "east"


def _turns(alignment: Alignment, settings: Settings) -> list[str]:
    """Return what to do about each bolt, the better known first."""
    to_turn = [b for b in alignment.bolts if b.determined and b.is_off]
    to_turn.sort(key=lambda bolt: bolt.sigma_deg / abs(bolt.error_deg))
    told = []
    for place, bolt in enumerate(to_turn):
        begin = (
            "Turn one bolt at a time. First"
            if len(to_turn) > 1 and place == 0
            else "Then"
            if place
            else "Turn"
        )
        after = (
            "Then mark it (sentinel mark realigned), put the disc back into the middle, and take frames anew."
            if place == len(to_turn) - 1
            else ""
        )
        told.append(f"{begin} the {bolt.name}: {_turn(bolt, settings)} {after}".rstrip())
    for bolt in alignment.bolts:
        if not bolt.determined:
            told.append(_wait(bolt, alignment))
        elif not bolt.is_off:
            told.append(
                f"Leave the {bolt.name}: {bolt.error_deg:+.2f} +/- {bolt.sigma_deg:.2f} deg is none that the "
                "frames can tell."
            )
    return told


def _turn(bolt: Bolt, settings: Settings) -> str:
    size = f"{abs(bolt.error_deg):.2f} deg"
    if bolt.name == "azimuth":
        side = _aside(bolt.error_deg, settings)
        clock = "counter-clockwise" if bolt.error_deg > 0 else "clockwise"
        what = f"{size} to the {side} ({clock} seen from above)"
    else:
        what = f"the axis {size} {'down' if bolt.error_deg > 0 else 'up'}"
    moves = _moves(bolt)
    if bolt.shows:
        other = "if it goes another way, turn back and take more frames"
        return f"{what}. The disc meanwhile moves {moves} in the picture: stop when it has; {other}."
    return (
        f"{what}. It hardly shows at this hour ({moves} in the picture): go by the bolt's scale or thread, "
        "or do it when the sun stands elsewhere."
    )


def _moves(bolt: Bolt) -> str:
    sides = [
        f"{abs(amount):.1f} {positive if amount > 0 else negative}"
        for amount, positive, negative in (
            (bolt.right_widths, "right", "left"), (bolt.up_widths, "up", "down"),
        )
        if abs(amount) >= 0.05
    ]  # fmt: skip
    return f"{' and '.join(sides)} (in sun-widths)" if sides else "less than a tenth of a sun-width"


def _wait(bolt: Bolt, alignment: Alignment) -> str:
    until = alignment.known_from_utc
    when = (
        f"by about {clock_time(until, alignment.forecast.time_utc)} UTC all should be known"
        if until is not None
        else "it will take hours, and more of the sun's way"
    )
    doubt = "; its mirror image is possible too" if bolt.mirrored else ""
    return (
        f"The {bolt.name} is not determined yet ({bolt.error_deg:+.2f} +/- {bolt.sigma_deg:.2f} deg{doubt}): "
        f"leave the bolt and go on tracking; {when}."
    )


def _rate(alignment: Alignment, settings: Settings) -> list[str]:
    f = alignment.forecast
    ratio, sigma = f.rate_ratio, f.rate_ratio_sigma
    if ratio is None or sigma is None or not alignment.rate_determined:
        return []
    told = rate_arcsec_s(settings.mount.tracking) / 15.0
    if "rate" in f.flags:
        off = f"the sun moves {abs(ratio - 1) * 360:.1f} deg a day through the frame"
        return [f"The drive runs at {ratio:.4f} of the solar rate: {off}. Set it to solar."]
    if abs(ratio - told) > SLIGHT_RATE_SIGMAS * sigma:
        off = f"{abs(ratio / told - 1) * 100:.3f} % {'fast' if ratio > told else 'slow'}"
        day = f"{abs(ratio - told) * 360:.2f} deg a day"
        return [f"The drive runs {off}, {day}: no bolt mends that, and the forecasts reckon with it."]
    return []


def _good_for(alignment: Alignment) -> str:
    now, could = _long(alignment.stays_s), _long(alignment.could_stay_s)
    if alignment.stays_s >= GOOD_ENOUGH_S:
        return (
            f"Good enough: on the axis as it is a disc put in the middle stays {now} or more. Every touch "
            "risks focus, clutch and tripod; what could still be turned follows all the same."
        )
    text = f"On the axis as it is a disc put in the middle stays {now}"
    if alignment.could_stay_s > alignment.stays_s + 1800:
        return f"{text}; with what is known turned out, at least {could}."
    return f"{text}; what is known by now would not make it longer."


def _long(seconds: float) -> str:
    return span(timedelta(seconds=min(seconds, HORIZON_H * 3600)))
