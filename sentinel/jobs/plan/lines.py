"""The plan for a terminal: what matters most to a tired person first, at most 80 columns."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from math import ceil

from sentinel.core.settings import Settings
from sentinel.core.words import TimeWriter, both, how_often, many, site_words, span, times_in
from sentinel.jobs.plan.alignment_lines import alignment_lines, hours_text, item
from sentinel.jobs.plan.meridian import HIGHEST_DEG
from sentinel.jobs.plan.records import (
    Day,
    EclipseSeen,
    HourAngle,
    Passage,
    Plan,
    Stretch,
    Sunlight,
    SupplyRenewal,
)

DAYS_SHOWN = 8
WINDOWS_SHOWN = 3
FIRST_SHOWN = 4

_HOUR = timedelta(hours=1)

_CAUTIONS = (
    "Put the solar filter before the lens, inspected and secured, before the lens is pointed at the sun, and "
    "never look through camera or finder without it. For filter, batteries, cold and power the makers' "
    "instructions and local rules come first."
)
_NAMES = {
    "axis-limit": "axis limit",
    "hour-angle": "hour angle limit",
    "card": "card full",
    "timer": "timer's count",
    "battery": "camera battery",
    "mount-battery": "mount battery",
    "sunset": "sunset",
    "horizon": "behind a ridge",
}
_ENDS = {
    (True, True): "from rising to setting",
    (True, False): "from rising to the end of the trip",
    (False, True): "from the start of the trip to setting",
    (False, False): "the whole trip",
}


def plan_lines(plan: Plan, settings: Settings) -> list[str]:
    """Return the plan as lines of at most 80 columns."""
    times = times_in(settings.alerts.zone)
    lines = [*item("Sun", _headline(plan, times)), *item("Due first", _first(plan, times))]
    lines += [*item("Trip", _trip(plan, settings, times)), ""]
    lines += [*_days(plan, times), *_clocks(plan, times), *_low(plan, times)]
    lines += [line for eclipse in plan.sun.eclipses for line in item("Eclipse", _eclipse(eclipse, times))]
    lines += ["", *_due(plan, times, settings), *item("Pictures", _pictures(plan)), ""]
    lines += [*item("Camera", _camera(plan)), *item("Stopped", _stopped(plan))]
    lines += [*item("Set up", _set_up(plan, times)), *alignment_lines(plan, settings), ""]
    lines += [line for text in plan.left_out for line in item("Not known", text)]
    return lines + item("Caution", _CAUTIONS)


def _headline(plan: Plan, times: TimeWriter) -> str:
    longest = plan.sun.longest
    if longest is None:
        return "It stays below your horizon line all the time: there is nothing to photograph."
    when = f"{times.dated_span(longest.from_utc, longest.to_utc)} ({hours_text(longest.hours)})"
    if plan.sun.unbroken:
        low = f"lowest {longest.lowest_deg:.1f} degrees, {times.dated(longest.lowest_utc)}"
        return f"UNBROKEN the whole trip, {when}, {_cut(longest, times)}; {low}."
    gap = max(plan.sun.gaps, key=lambda gap: gap.hours)
    how = _ENDS[longest.rises, longest.sets]
    dips = f", {_cut(longest, times)}" if longest.cut or longest.whole_from_utc is None else ""
    return (
        f"NOT UNBROKEN: {_gaps(plan.sun)}, the longest gap {hours_text(gap.hours)}. "
        f"Longest sun {when}, {how}{dips}."
    )


def _cut(stretch: Stretch, times: TimeWriter) -> str:
    if stretch.whole_from_utc is None:
        return "but never the whole disc"
    if not stretch.cut:
        return "the whole disc"
    often = "" if len(stretch.cut) == 1 else f"{len(stretch.cut)} times, first "
    first = stretch.cut[0]
    return f"but its lower limb dips behind the line {often}{times.dated_span(first.from_utc, first.to_utc)}"


def _gaps(sun: Sunlight) -> str:
    counts = [(sum(gap.kind == kind for gap in sun.gaps), kind) for kind in ("night", "ridge")]
    return both([many(n, kind) for n, kind in counts if n])


def _first(plan: Plan, times: TimeWriter) -> str:
    if not plan.first:
        return "Nothing known, apart from the drift."
    texts = [f"{_NAMES[due.reason]} {times.dated(due.time_utc)}" for due in plan.first[:FIRST_SHOWN]]
    return f"{'; '.join(texts)}."


def _trip(plan: Plan, settings: Settings, times: TimeWriter) -> str:
    site = settings.site
    sun = hours_text(plan.sun.sun_h) if plan.sun.stretches else "none"
    place = site_words(site.latitude_deg, site.longitude_deg)
    when = f"{times.dated_span(plan.from_utc, plan.to_utc)}, {plan.to_utc.year}"
    return f"{when}, at {place}: {sun} of {hours_text(plan.length_h)} with the sun up."


def _days(plan: Plan, times: TimeWriter) -> Iterator[str]:
    days = plan.sun.days
    shown = _some(days)
    some = f", {len(shown)} of {len(days)}" if len(shown) < len(days) else ""
    # One clock for the whole table, named once.
    clock = times.zone_name or "UTC"
    yield f"{'Date':<13}{'highest, deg':<14}{'lowest, deg':<13}sun above line ({clock}){some}"
    for day in shown:
        high = f"{day.highest_deg:4.1f} {times.time_of_day(day.highest_utc)}"
        low = f"{day.lowest_deg:5.1f} {times.time_of_day(day.lowest_utc)}"
        yield f"{day.date.day:2d} {day.date:%b %Y}  {high:<14}{low:<13}{_spans(day, plan, times)}"


def _clocks(plan: Plan, times: TimeWriter) -> Iterator[str]:
    for day in plan.sun.days:
        length = day.to_utc - day.from_utc
        if length != timedelta(days=1):
            way, by = ("forward", -1) if length < timedelta(days=1) else ("back", 1)
            yield from item(
                "Clocks",
                f"On {day.date.day} {day.date:%b} those of {times.zone_name} go {way} by "
                f"{span(by * (length - timedelta(days=1)))}: that day has {hours_text(length / _HOUR)}.",
            )


def _some(days: Sequence[Day]) -> list[Day]:
    if len(days) <= DAYS_SHOWN:
        return list(days)
    return [days[round(i * (len(days) - 1) / (DAYS_SHOWN - 1))] for i in range(DAYS_SHOWN)]


def _spans(day: Day, plan: Plan, times: TimeWriter) -> str:
    pieces = []
    for stretch in plan.sun.stretches:
        a, b = max(stretch.from_utc, day.from_utc), min(stretch.to_utc, day.to_utc)
        if a < b:
            until = "24:00" if b == day.to_utc else times.time_of_day(b)
            pieces.append(f"{times.time_of_day(a)}-{until}")
    if pieces == ["00:00-24:00"]:
        return "all day"
    if len(pieces) > 2:
        return f"{pieces[0]} and {len(pieces) - 1} more"
    return ", ".join(pieces) or "none"


def _low(plan: Plan, times: TimeWriter) -> list[str]:
    low = plan.sun.low
    if not low:
        return []
    deepest = min(low, key=lambda spell: spell.lowest_deg)
    when = times.dated_span(deepest.from_utc, deepest.to_utc)
    whole = hours_text(sum(spell.hours for spell in low))
    often = how_often(len(low)) + (", the lowest" if len(low) > 1 else "")
    return item(
        "Low sun",
        f"Within 3 degrees of the line for {whole}, {often} {when}: refraction uncertain, disc soft and "
        f"flattened (to {deepest.flattening:.2f} of its width).",
    )


def _eclipse(eclipse: EclipseSeen, times: TimeWriter) -> str:
    when = times.dated_span(eclipse.first_contact_utc, eclipse.last_contact_utc)
    up = eclipse.altitude_deg > 0
    high = f"{eclipse.altitude_deg:.0f} degrees high" if up else "but then below the horizon"
    text = (
        f"{eclipse.kind.upper()}, {when}, "
        f"greatest {times.dated(eclipse.maximum_utc)}: {eclipse.obscuration:.0%} of the sun covered, "
        f"{high}"
    )
    if eclipse.central_from_utc is None or eclipse.central_to_utc is None:
        return f"{text}."
    seconds = (eclipse.central_to_utc - eclipse.central_from_utc).total_seconds()
    return f"{text}; {eclipse.kind} for about {span(timedelta(seconds=seconds))}."


def _due(plan: Plan, times: TimeWriter, settings: Settings) -> Iterator[str]:
    firsts = [
        "after the trip" if renewal.first_due_utc is None else times.dated(renewal.first_due_utc)
        for renewal in plan.renewals
    ]
    wide = max(map(len, firsts), default=0) + 2
    if plan.renewals:
        yield f"{'Runs out':<18}{'first':<{wide}}{'then every':<12}renewed"
    for renewal, first in zip(plan.renewals, firsts, strict=True):
        every = hours_text(renewal.every_h)
        yield f"  {_NAMES[renewal.what]:<16}{first:<{wide}}{every:<12}{_times(renewal, plan)}"
    yield from item("Unwind", _unwind(plan, times))
    if any(renewal.what == "axis-limit" for renewal in plan.renewals):
        yield from item("Axis", _axis(plan, settings))
    if plan.hour_angle is not None:
        yield from item("Meridian", _meridian(plan.hour_angle, times))


def _times(renewal: SupplyRenewal, plan: Plan) -> str:
    # The axis may have to be unwound more often than its limit asks, so that it falls into the gaps.
    times = len(plan.unwindings) or renewal.times if renewal.what == "axis-limit" else renewal.times
    return how_often(times)


def _unwind(plan: Plan, times: TimeWriter) -> str:
    windows = plan.unwindings
    if not (windows and plan.sun.stretches):
        return ""
    shown = [
        f"{times.dated_span(window.from_utc, window.by_utc)} (sun down)"
        if window.in_gap
        else f"by {times.dated(window.by_utc)}"
        for window in windows[:WINDOWS_SHOWN]
    ]
    more = f"; {len(windows) - len(shown)} more" if len(windows) > len(shown) else ""
    dark = sum(window.in_gap for window in windows)
    how = "All" if dark == len(windows) else f"{dark} of {len(windows)}"
    note = f" {how} while the sun is down." if dark else ""
    return f"{'; '.join(shown)}{more}.{note} Done earlier, the next may come earlier too."


def _axis(plan: Plan, settings: Settings) -> str:
    """Say what the axis's count assumes of the nights; empty where there are none."""
    if not any(gap.kind == "night" for gap in plan.sun.gaps):
        return ""
    if settings.mount.parked_at_night:
        return (
            "Counted with the drive standing while the sun is down, and the lens brought to the sunrise "
            "without winding the axis on."
        )
    return (
        "Counted with the drive turning day and night. If it stands while the sun is down, set "
        "mount.parked_at_night: true."
    )


def _set_up(plan: Plan, times: TimeWriter) -> str:
    """Say how to point the axis before the first frame; empty where nothing tracks or there is no sun."""
    if plan.tripod is not None or not plan.sun.stretches:
        return ""
    scale = (
        f"With its base level the mount's altitude scale should read {plan.axis_altitude_deg:.2f} degrees, "
        "your latitude."
    )
    by_side = [[p for p in plan.meridian if p.side == side] for side in ("south", "north")]
    told = [_passages(found, times) for found in by_side if found]
    if not told:
        noon_deg = min(day.highest_deg for day in plan.sun.days)
        if noon_deg <= HIGHEST_DEG:
            return scale
        return (
            f"The sun passes the meridian within {many(ceil(90 - noon_deg), 'degree')} of overhead: a plumb "
            f"line's shadow does not tell the meridian here. {scale}"
        )
    shadow = (
        "At that moment a plumb line's shadow lies along the meridian, and the axis belongs right above it."
    )
    return f"The sun stands {'; '.join(told)}. {shadow} {scale}"


def _passages(found: Sequence[Passage], times: TimeWriter) -> str:
    first, last = found[0], found[-1]
    text = (
        f"due {first.side} at {times.to_the_second(first.time_utc)}, {first.altitude_deg:.1f} degrees high, "
        f"its shadow turning {first.turns_deg_min:.2f} degrees a minute"
    )
    return text if last is first else f"{text} (last at {times.to_the_second(last.time_utc)})"


def _meridian(meridian: HourAngle, times: TimeWriter) -> str:
    low, high = meridian.limit_deg
    stops = meridian.stops_utc
    first = (
        f"reached {many(len(stops), 'time')} by the sun, first {times.dated(stops[0])}"
        if stops
        else "never reached"
    )
    lost = meridian.out_of_reach_h
    reach = f"; out of the mount's reach the sun is up for {hours_text(lost)}" if lost > 1 / 120 else ""
    return f"Hour angle limits {low:g} to {high:g} degrees: {first}{reach}."


def _pictures(plan: Plan) -> str:
    p = plan.pictures
    text = f"One every {p.interval_s:g} s: {p.with_sun:,} with the sun up, {p.all:,} day and night"
    if p.all_bytes is None or p.with_sun_bytes is None or p.frame_bytes is None:
        return f"{text}."
    return (
        f"{text}; at {p.frame_bytes / 1e6:.3g} MB each {_bytes(p.with_sun_bytes)} and {_bytes(p.all_bytes)}."
    )


def _bytes(count: float) -> str:
    size, unit = next(((s, u) for s, u in ((1e12, "TB"), (1e9, "GB")) if count >= s), (1e6, "MB"))
    return f"{count / size:.3g} {unit}"


def _camera(plan: Plan) -> str:
    p = plan.picture
    least, most = round(p.disc_least_px), round(p.disc_most_px)
    disc = f"{most}" if least == most else f"{least} to {most}"
    parts = [f"{p.scale_arcsec_px:.3g} arcsec a pixel; the disc is {disc} px wide"]
    if p.field is not None:
        f = p.field
        parts[0] += (
            f", the field {f.width_px} x {f.height_px} px = {f.width_deg:.2f} x {f.height_deg:.2f} degrees = "
            f"{f.width_suns:.1f} x {f.height_suns:.1f} suns"
        )
        if not f.disc_fits:
            parts.append("THE DISC DOES NOT FIT INTO THE FRAME with its margin: a shorter lens is needed")
    if p.vertical_turns_deg is not None:
        turns = p.vertical_turns_deg
        parts.append(f"The vertical turns by {turns:.0f} degrees in the picture through the day")
    return f"{'. '.join(parts)}."


def _stopped(plan: Plan) -> str:
    p = plan.picture
    if not p.stops:
        return ""
    ways = [
        f"the limb touches after {stop.limb_touches_min:.1f} min, the disc is gone after "
        f"{stop.disc_gone_min:.1f} (sun going along the frame's {stop.along})"
        for stop in p.stops
    ]
    return (
        f"If the mount stops, the sun goes {p.moves_px_min:.0f} px a minute. From the middle "
        f"{'; or '.join(ways)}. Turning back halves that."
    )
