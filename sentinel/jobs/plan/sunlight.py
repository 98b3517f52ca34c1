"""The sun over the trip: days, unbroken stretches, gaps, low sun, eclipses."""

from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.plan.records import Day, EclipseSeen, Gap, LowSun, Partly, Stretch, Sunlight, Trip
from sentinel.sky import (
    Eclipses,
    SolarEclipse,
    Sun,
    above_line,
    above_line_deg,
    daylight,
    flattening,
    shown_altitude_deg,
    spans_above,
    spans_outside,
)
from sentinel.sky.arrays import Array
from sentinel.sky.horizon import LOOK_EVERY_S
from sentinel.sky.searching import Span

LOW_DEG = 3.0
"""Within so much of the line the air bends light by amounts that nobody knows beforehand."""


def sunlight(sun: Sun, trip: Trip) -> Sunlight:
    """Return all of the sun over the trip."""
    begin_s, end_s = trip.span_s
    upper = daylight(sun, begin_s, end_s, "upper").spans
    whole = daylight(sun, begin_s, end_s, "lower").spans
    return Sunlight(
        days=tuple(_days(sun, trip, upper)),
        stretches=tuple(_stretch(sun, span, whole, (begin_s, end_s)) for span in upper),
        gaps=tuple(_gap(sun, span) for span in spans_outside(upper, begin_s, end_s)),
        low=tuple(_low(sun, begin_s, end_s)),
        eclipses=tuple(_eclipses(sun, begin_s, end_s)),
        sun_h=sum(end - begin for begin, end in upper) / 3600,
        unbroken=upper == ((begin_s, end_s),),
    )


def _days(sun: Sun, trip: Trip, upper: tuple[Span, ...]) -> list[Day]:
    here = ZoneInfo(trip.zone) if trip.zone else UTC
    first, last = (
        moment.astimezone(here).date() for moment in (trip.from_utc, trip.to_utc - timedelta(microseconds=1))
    )
    dates = [first + timedelta(days=n) for n in range((last - first).days + 2)]
    begins_s = [utc_s(datetime.combine(date, time.min, here).astimezone(UTC)) for date in dates]
    minutes_s = np.arange(begins_s[0], begins_s[-1], 60.0)
    altitude = shown_altitude_deg(sun, minutes_s)
    days = []
    for date, (begin_s, end_s) in zip(dates, pairwise(begins_s), strict=False):
        within = slice(*np.searchsorted(minutes_s, (begin_s, end_s)))
        heights, times_s = altitude[within], minutes_s[within]
        high, low = int(heights.argmax()), int(heights.argmin())
        shared = (min(end, end_s) - max(begin, begin_s) for begin, end in upper)
        days.append(
            Day(
                date=date,
                from_utc=from_utc_s(begin_s),
                to_utc=from_utc_s(end_s),
                highest_deg=float(heights[high]),
                highest_utc=from_utc_s(float(times_s[high])),
                lowest_deg=float(heights[low]),
                lowest_utc=from_utc_s(float(times_s[low])),
                sun_h=sum(max(seconds, 0.0) for seconds in shared) / 3600,
            )
        )
    return days


def _lowest(sun: Sun, span: Span, *, up: bool = True) -> tuple[float, float]:
    """Return the centre's least altitude in a span of sun, or of none, and when that is, to the minute."""
    times = np.linspace(*span, max(2, int((span[1] - span[0]) / 60) + 1))
    heights = sun.altaz_deg(times)[0] if up else shown_altitude_deg(sun, times)
    at = int(heights.argmin())
    return float(heights[at]), float(times[at])


def _stretch(sun: Sun, span: Span, whole: tuple[Span, ...], trip: Span) -> Stretch:
    begin, end = span
    inside = [(max(a, begin), min(b, end)) for a, b in whole if b > begin and a < end]
    lowest_deg, lowest_s = _lowest(sun, span)
    return Stretch(
        from_utc=from_utc_s(begin),
        to_utc=from_utc_s(end),
        hours=(end - begin) / 3600,
        rises=begin > trip[0],
        sets=end < trip[1],
        lowest_deg=lowest_deg,
        lowest_utc=from_utc_s(lowest_s),
        whole_h=sum(b - a for a, b in inside) / 3600,
        whole_from_utc=from_utc_s(inside[0][0]) if inside else None,
        whole_to_utc=from_utc_s(inside[-1][1]) if inside else None,
        cut=tuple(
            Partly(from_utc=from_utc_s(before[1]), to_utc=from_utc_s(after[0]))
            for before, after in pairwise(inside)
        ),
    )


def _gap(sun: Sun, span: Span) -> Gap:
    lowest_deg, _ = _lowest(sun, span, up=False)
    return Gap(
        from_utc=from_utc_s(span[0]),
        to_utc=from_utc_s(span[1]),
        hours=(span[1] - span[0]) / 3600,
        kind="ridge" if lowest_deg > 0 else "night",
        lowest_deg=lowest_deg,
    )


def _low(sun: Sun, begin_s: float, end_s: float) -> list[LowSun]:
    def near(utc_s_: Array) -> Array:
        return np.asarray(
            np.minimum(above_line_deg(sun, utc_s_, "upper"), LOW_DEG - above_line_deg(sun, utc_s_))
        )

    found = []
    for span in spans_above(near, begin_s, end_s, LOOK_EVERY_S):
        lowest_deg, _ = _lowest(sun, span)
        ratio = flattening(lowest_deg, sun.site.pressure_hpa, sun.site.temperature_c)
        found.append(
            LowSun(
                from_utc=from_utc_s(span[0]),
                to_utc=from_utc_s(span[1]),
                hours=(span[1] - span[0]) / 3600,
                lowest_deg=lowest_deg,
                flattening=float(ratio),
            )
        )
    return found


def _eclipses(sun: Sun, begin_s: float, end_s: float) -> list[EclipseSeen]:
    seen = []
    for eclipse in Eclipses(sun).between(begin_s, end_s):
        first, last = max(eclipse.first_contact_s, begin_s), min(eclipse.last_contact_s, end_s)
        if above_line(sun, np.linspace(first, last, 61), "upper").any():
            seen.append(_seen(sun, eclipse))
    return seen


def _seen(sun: Sun, eclipse: SolarEclipse) -> EclipseSeen:
    central = eclipse.central
    return EclipseSeen(
        kind="partial" if central is None else "total" if eclipse.total else "annular",
        first_contact_utc=from_utc_s(eclipse.first_contact_s),
        maximum_utc=from_utc_s(eclipse.maximum_s),
        last_contact_utc=from_utc_s(eclipse.last_contact_s),
        central_from_utc=from_utc_s(central[0]) if central else None,
        central_to_utc=from_utc_s(central[1]) if central else None,
        obscuration=eclipse.obscuration,
        altitude_deg=float(shown_altitude_deg(sun, eclipse.maximum_s)),
    )
