"""What runs out on the trip, when first and how often: axis, hour angle, supplies; and how many pictures."""

from collections.abc import Sequence
from datetime import UTC, datetime
from math import ceil
from typing import cast

import numpy as np

from sentinel.chain.forecast.turning import Turning
from sentinel.chain.forecast.visits import SuppliesUsed, axis_limit_due, supplies_due
from sentinel.core.foreseen import Due
from sentinel.core.settings import Settings
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.plan.records import (
    Gap,
    HourAngle,
    PictureCount,
    Sunlight,
    Supply,
    SupplyRenewal,
    Trip,
    Unwinding,
)
from sentinel.sky import Sun, above_line, hour_angle_times_s, rate_arcsec_s
from sentinel.sky.searching import Span

MOST_UNWINDINGS = 2000
"""More are counted and not listed."""
LEAST_WINDOW_S = 900.0
"""A gap shorter than this is none to unwind in."""
_NEVER_UTC = datetime.max.replace(tzinfo=UTC)


def pictures(settings: Settings, trip: Trip, sun: Sunlight) -> PictureCount:
    """Return how many pictures there will be and what they take."""
    interval_s = settings.camera.interval_s
    # A little is added, for a whole number of intervals may come out a hair short of itself.
    count, with_sun = (int(span_s / interval_s + 1e-6) for span_s in (trip.length_s, sun.sun_h * 3600))
    each = trip.frame_bytes
    return PictureCount(
        interval_s=interval_s,
        all=count,
        with_sun=with_sun,
        frame_bytes=each,
        all_bytes=None if each is None else count * each,
        with_sun_bytes=None if each is None else with_sun * each,
    )


def renewals(settings: Settings, trip: Trip, turning: Turning) -> tuple[SupplyRenewal, ...]:
    """Return what must be renewed, all fresh at the start and in use day and night, first due first.

    The axis winds on only while the drive turns it.
    """
    begin_s, end_s = trip.span_s
    used = SuppliesUsed.begun(begin_s, settings)
    found = [
        _renewal(cast(Supply, what), due_s, due_s - begin_s, end_s)
        for what, due_s in supplies_due(settings, used, begin_s, settings.camera.interval_s).items()
    ]
    if settings.mount.axis_lasts_s(_rate_ratio(settings)) is not None:
        first_s = axis_limit_due(settings, used, begin_s, _rate_ratio(settings), Turning())
        assert first_s is not None  # noqa: S101 - there is a limit and a rate
        left_s = max(first_s - begin_s, 0.0)
        at_s = turning.after(begin_s, left_s)
        again_s = _next_limit_s(settings, used.unwound(begin_s + left_s, settings.mount), Turning())
        assert again_s is not None  # noqa: S101 - as the first
        life_s = again_s - begin_s - left_s
        found.append(
            SupplyRenewal(
                what="axis-limit",
                first_due_utc=None if at_s is None else from_utc_s(at_s),
                every_h=life_s / 3600,
                times=_times(left_s, life_s, turning.turned_s(begin_s, end_s)),
            )
        )
    return tuple(sorted(found, key=lambda renewal: renewal.first_due_utc or _NEVER_UTC))


def _rate_ratio(settings: Settings) -> float:
    return rate_arcsec_s(settings.mount.tracking) / rate_arcsec_s("solar")


def _renewal(what: Supply, first_s: float, every_s: float, end_s: float) -> SupplyRenewal:
    begin_s = first_s - every_s
    return SupplyRenewal(
        what=what,
        first_due_utc=from_utc_s(first_s),
        every_h=every_s / 3600,
        times=_times(every_s, every_s, end_s - begin_s),
    )


def _times(first_s: float, every_s: float, use_s: float) -> int:
    """Return how often it must be renewed in so much use; what ends just with it need not be."""
    return 0 if first_s >= use_s else max(ceil((use_s - first_s) / every_s - 1e-9), 1)


def unwindings(
    settings: Settings, trip: Trip, gaps: Sequence[Gap], axis: SupplyRenewal | None, turning: Turning
) -> tuple[Unwinding, ...]:
    """Return windows in which to unwind the axis: as few in sunshine as can be, then as few as can be.

    Each counts from the end of the one before: whoever is earlier may have the next to do earlier too.
    """
    if axis is None or axis.first_due_utc is None or axis.times > MOST_UNWINDINGS:
        return ()
    dark = [(utc_s(gap.from_utc), utc_s(gap.to_utc)) for gap in gaps]
    # In the last gap that can be reached, or in each on the way: who went each night before the limit came
    # has the choice of the hour.
    far, near = (_way(settings, trip, turning, dark, pick) for pick in (-1, 0))
    return min(far, near, key=lambda way: (sum(not window.in_gap for window in way), len(way)))


def _way(
    settings: Settings, trip: Trip, turning: Turning, dark: Sequence[Span], pick: int
) -> tuple[Unwinding, ...]:
    """Return one way of unwinding; `pick` is of the gaps in reach."""
    at_s, end_s = trip.span_s
    used = SuppliesUsed.begun(at_s, settings)
    due_s = _next_limit_s(settings, used, turning)
    found: list[Unwinding] = []
    while due_s is not None and due_s < end_s:
        reached = [(max(begin, at_s), min(end, due_s)) for begin, end in dark]
        reached = [(begin, end) for begin, end in reached if end - begin >= LEAST_WINDOW_S]
        begin, end = reached[pick] if reached else (at_s, due_s)
        found.append(Unwinding(from_utc=from_utc_s(begin), by_utc=from_utc_s(end), in_gap=bool(reached)))
        at_s, used = end, used.unwound(end, settings.mount)
        due_s = _next_limit_s(settings, used, turning)
    return tuple(found)


def _next_limit_s(settings: Settings, used: SuppliesUsed, turning: Turning) -> float | None:
    return axis_limit_due(settings, used, used.axis_from_utc_s, _rate_ratio(settings), turning)


def hour_angle(settings: Settings, sun: Sun, trip: Trip) -> HourAngle | None:
    """Return when the mount's limits at the meridian stop it, and how long the sun is out of its reach."""
    limit = settings.mount.hour_angle_limit_deg
    if limit is None or settings.mount.tracking == "none":
        return None
    begin_s, end_s = trip.span_s
    stops = hour_angle_times_s(sun, limit[1], begin_s, end_s)
    stops = stops[above_line(sun, stops, "upper")] if stops.size else stops
    reach_deg = limit[1] - limit[0] if limit[1] - limit[0] >= 360 else (limit[1] - limit[0]) % 360
    count = max(int((end_s - begin_s) / 60), 1)
    times = begin_s + (np.arange(count) + 0.5) * (end_s - begin_s) / count
    beyond = (sun.hour_angle_deg(times) - limit[0]) % 360 > reach_deg
    lost = beyond & above_line(sun, times, "upper")
    return HourAngle(
        limit_deg=limit,
        stops_utc=tuple(from_utc_s(time) for time in stops.tolist()),
        out_of_reach_h=float(lost.mean()) * (end_s - begin_s) / 3600,
    )


def first_of_each(
    trip: Trip, sun: Sunlight, due: Sequence[SupplyRenewal], meridian: HourAngle | None
) -> tuple[Due, ...]:
    """Return what first ends the time the camera may be left alone, each kind once, in order."""
    found = [
        Due(time_utc=renewal.first_due_utc, reason=renewal.what)
        for renewal in due
        if renewal.first_due_utc is not None and renewal.first_due_utc < trip.to_utc
    ]
    for kind, reason in (("night", "sunset"), ("ridge", "horizon")):
        gone = next((gap for gap in sun.gaps if gap.kind == kind and gap.from_utc > trip.from_utc), None)
        if gone is not None:
            found.append(Due(time_utc=gone.from_utc, reason=reason))
    if meridian is not None and meridian.stops_utc:
        found.append(Due(time_utc=meridian.stops_utc[0], reason="hour-angle"))
    return tuple(sorted(found, key=lambda due: due.time_utc))
