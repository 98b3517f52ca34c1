"""When the sun stands on the meridian: then a plumb line's shadow shows which way the axis must point."""

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.core.times import from_utc_s
from sentinel.jobs.plan.records import Passage, Trip
from sentinel.sky import Sun, above_line, hour_angle_times_s, shown_altitude_deg

HIGHEST_DEG = 80.0
"""Of a sun that stands higher a plumb line throws no shadow worth the name."""
POLE_DEG = 89.5
"""Nearer to a pole there is no meridian worth the name."""


def passages(sun: Sun, trip: Trip) -> tuple[Passage, ...]:
    """Return when the sun stands due south or north with its middle above the line, in order."""
    if abs(sun.site.latitude_deg) > POLE_DEG:
        return ()
    begin_s, end_s = trip.span_s
    times = np.sort(
        np.concatenate([hour_angle_times_s(sun, angle, begin_s, end_s) for angle in (0.0, 180.0)])
    )
    height = np.atleast_1d(shown_altitude_deg(sun, times))
    kept = np.atleast_1d(above_line(sun, times)) & (height <= HIGHEST_DEG)
    return tuple(
        _passage(sun, time, float(high)) for time, high in zip(times[kept], height[kept], strict=True)
    )


def _passage(sun: Sun, time_s: float, altitude_deg: float) -> Passage:
    before, at, after = sun.altaz_deg(time_s + np.array([-30.0, 0.0, 30.0]))[1]
    return Passage(
        time_utc=from_utc_s(time_s),
        side="south" if 90 < at < 270 else "north",
        altitude_deg=altitude_deg,
        turns_deg_min=abs(half_turn_deg(float(after - before))),
    )
