"""What the operator at the bolts reads: facts, then one sentence a thing to do, the better known first."""

import textwrap
from datetime import timedelta

from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S, Settings
from sentinel.core.times import format_utc
from sentinel.core.words import TimeWriter, span, times_in
from sentinel.jobs.align.axis import Alignment, BeforeTurn
from sentinel.jobs.align.bolts import Bolt
from sentinel.jobs.align.turning import degrees, turn_words
from sentinel.jobs.align.verdict import verdict
from sentinel.sky import rate_arcsec_s

WIDTH = 80
SLIGHT_RATE_SIGMAS = 3.0
PACE_RIGHT = 0.04
"""Times to the second make a step of a minute so uncertain."""
OPEN_SETTINGS = 2.0
"""Sigmas so many times those of the fit are wide because clock or site may be wrong."""
CAUTION = (
    "Keep the filter on the lens all the while, and never look for the sun through camera or finder "
    "without one."
)


def alignment_lines(alignment: Alignment, settings: Settings) -> list[str]:
    """Return the alignment as lines for a terminal."""
    a = alignment
    azimuth, altitude = a.bolts
    since = f" since {_times(a, settings).at(a.before.at_utc)}" if a.before else ""
    rate = f"{a.mount.rate_ratio:.5f} of the mean solar rate, ± {a.mount.rate_ratio_sigma:.5f}"
    open_rate = "" if a.rate_determined else "; not determined yet"
    return [
        f"Azimuth   {_azimuth(azimuth, settings)}",
        f"Altitude  {_altitude(altitude)}",
        f"Rate      {rate}{open_rate}",
        f"Frames    {a.frames_used} with a disc over {span(timedelta(seconds=a.span_s))}{since}",
        "",
        *(
            textwrap.fill(f"{number}. {sentence}", WIDTH, subsequent_indent="   ")
            for number, sentence in enumerate(advice(a, settings), 1)
        ),
    ]


def alignment_json(alignment: Alignment, settings: Settings) -> dict[str, object]:
    """Return the alignment as JSON values under names with units."""
    axis, mount, holds = alignment.axis, alignment.mount, alignment.as_it_is
    return {
        "polar_azimuth_error_deg": axis.azimuth_error_deg,
        "polar_azimuth_error_sigma_deg": axis.azimuth_sigma_deg,
        "polar_altitude_error_deg": axis.altitude_error_deg,
        "polar_altitude_error_sigma_deg": axis.altitude_sigma_deg,
        "rate_ratio": mount.rate_ratio,
        "rate_ratio_sigma": mount.rate_ratio_sigma,
        "determined": list(alignment.determined),
        "advice": advice(alignment, settings),
        "wanted_h": alignment.wanted_s / 3600,
        "stays_now_h": None if holds is None or holds.now_s is None else holds.now_s / 3600,
        "stays_worst_h": None if holds is None else holds.worst_s / 3600,
        "stays_worst_from_utc": None if holds is None else format_utc(holds.worst_utc),
        "span_s": alignment.span_s,
        "frames_used": alignment.frames_used,
    }


def advice(alignment: Alignment, settings: Settings) -> list[str]:
    """Return what to do, a sentence or a few each, in the order in which to do it."""
    told = _doubts(alignment, settings)
    if alignment.before is not None:
        told.append(_came_out(alignment, alignment.before, settings))
    told += [*_paused(alignment, settings), *verdict(alignment, settings), *_rate(alignment, settings)]
    return [*told, CAUTION]


def _times(alignment: Alignment, settings: Settings) -> TimeWriter:
    return times_in(settings.alerts.zone).as_of(alignment.forecast.time_utc)


def _azimuth(bolt: Bolt, settings: Settings) -> str:
    east = (bolt.error_deg > 0) == (settings.site.latitude_deg >= 0)
    return f"{degrees(bolt, bolt.error_deg)} {'east' if east else 'west'} of the pole, {_doubt(bolt)}"


def _altitude(bolt: Bolt) -> str:
    return f"{degrees(bolt, bolt.error_deg)} too {'high' if bolt.error_deg > 0 else 'low'}, {_doubt(bolt)}"


def _doubt(bolt: Bolt) -> str:
    return f"± {bolt.sigma_deg:.2f}{'' if bolt.determined else '; not determined yet'}"


def _doubts(alignment: Alignment, settings: Settings) -> list[str]:
    mount = alignment.mount
    told = []
    if mount.departed_utc is not None:
        since = _times(alignment, settings).at(mount.departed_utc)
        told.append(
            f"The disc has not followed the mount since {since}: what follows "
            "is from before. See to the drive first."
        )
    if mount.implied_focal_length_mm is not None:
        told.append(
            f"The focal length is set to {settings.camera.focal_length_mm:.4g} mm, but the disc's size "
            f"implies {mount.implied_focal_length_mm:.3g} mm: mend the setting."
        )
    return told + _place_and_clock(alignment)


def _place_and_clock(alignment: Alignment) -> list[str]:
    """Say that all stands on a right clock and a right place, where the frames do not show them right."""
    axis = alignment.axis
    told = alignment.forecast.contradiction
    if told is not None and told.sure:
        wrong = "The sun's light or track contradicts the site or the camera's clock in the settings"
        return [f"{wrong}: mend that first and leave the bolts, the axis stands elsewhere than told here."]
    sigmas = axis.azimuth_sigma_deg, axis.altitude_sigma_deg
    # What a mistake would move the axis by, and whether it matters.
    moves = [
        sigma > OPEN_SETTINGS * bolt.sigma_deg and 2 * sigma * bolt.sky_share > bolt.may_be_left_deg
        for sigma, bolt in zip(sigmas, alignment.bolts, strict=True)
    ]
    if not all(bolt.determined for bolt in alignment.bolts) or not any(moves):
        return []
    open_yet = "These frames do not show yet that the camera's clock and the site are set right"
    aside = f"{2 * sigmas[0]:.1f} deg in azimuth and {2 * sigmas[1]:.1f} deg in altitude"
    wrong = f"were the clock off by hours, or a sign wrong, the axis could be elsewhere by some {aside}"
    look = "Look at both before a bolt is turned; what follows holds if they are right"
    return [f"{open_yet}: {wrong}. {look}."]


def _paused(alignment: Alignment, settings: Settings) -> list[str]:
    """Say what a pause of the drive shows: how the camera sits, and whether scale and times are right."""
    if not alignment.paused:
        return []
    begin, end = map(times_in(settings.alerts.zone).to_the_second, alignment.paused[-1])
    pause, pace = f"The pause from {begin} to {end}", alignment.pause_pace
    if pace is not None and abs(pace - 1) > PACE_RIGHT:
        wrong = "the drive did not stand all the while, or the frames' times or the disc's size are wrong"
        return [f"{pause}: the disc went at {pace:.2f} of the sky's own pace. Then {wrong}."]
    if any(bolt.mirrored for bolt in alignment.bolts):
        return [f"{pause} did not show how the camera sits."]
    right = "" if pace is None else f", and the disc went at {pace:.2f} of the sky's pace, as it should"
    return [f"{pause} shows how the camera sits{right}."]


def _came_out(alignment: Alignment, before: BeforeTurn, settings: Settings) -> str:
    """Say what the last turn was to be and what it came out as."""
    errors = before.azimuth_deg, before.altitude_deg
    asked, became = (
        " and ".join(
            turn_words(bolt, error - left * bolt.error_deg, settings)
            for bolt, error in zip(alignment.bolts, errors, strict=True)
        )
        for left in (0.0, 1.0)
    )
    at = _times(alignment, settings).at(before.at_utc)
    unmarked = "" if before.marked else " (not marked, but the track shows it)"
    return f"At {at} the axis was turned{unmarked}: to be turned out were {asked}; it came out as {became}."


def _rate(alignment: Alignment, settings: Settings) -> list[str]:
    ratio, sigma = alignment.mount.rate_ratio, alignment.mount.rate_ratio_sigma
    if not alignment.rate_determined:
        return []
    told = rate_arcsec_s(settings.mount.tracking) / MEAN_SOLAR_RATE_ARCSEC_S
    if "rate" in alignment.forecast.flags:
        off = f"the sun moves {abs(ratio - 1) * 360:.1f} deg a day through the frame"
        return [f"The drive runs at {ratio:.4f} of the solar rate: {off}. Set it to solar."]
    if abs(ratio - told) > SLIGHT_RATE_SIGMAS * sigma:
        off = f"{abs(ratio / told - 1) * 100:.3f} % {'fast' if ratio > told else 'slow'}"
        day = f"{abs(ratio - told) * 360:.2f} deg a day"
        return [f"The drive runs {off}, {day}: no bolt mends that, and the forecasts reckon with it."]
    return []
