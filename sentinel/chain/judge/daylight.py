"""Whether the sun's light goes with its height: by another place or hour it would, by the settings' not.

The more air, the less light. A disc that grows brighter for hours while it should sink stands elsewhere than
the settings say. One that fades while it should climb may be in smoke: that is no contradiction.
"""

from collections.abc import Iterator
from math import asin, cos, degrees, radians, sin
from statistics import fmean
from typing import Any, NamedTuple

import numpy as np

from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.track.context import Context, SunPosition, air_mass
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity

EVERY_S = 600.0
SAMPLES = 24
FEWEST = 9
LEAST_AIR = 0.8
"""The sun must pass through so much more air for its light to say anything."""
LEAST_STOPS = 0.25
AGAINST, ALONG = 0.8, -0.95
"""Correlation of light and air by the settings; by what it may be instead."""
_STOPS_PER_AIR = (0.15, 2.0)
_HOURS = (*range(-12, 0), *range(1, 12))


class Sample(NamedTuple):
    """The disc's light at one moment, exposure taken out."""

    time_s: float
    stops: float
    air_mass: float


class Daylight(NamedTuple):
    """What is remembered of the light; bounded."""

    samples: tuple[Sample, ...] = ()
    contradicted: Finding | None = None


def saw(
    state: Daylight, sight: Observation, stops: float | None, context: Context, *, cloudy: bool
) -> Daylight:
    """Take one frame; `stops` is the disc's light, None where it cannot be told."""
    if cloudy:
        return state._replace(samples=()) if state.samples else state
    last_s = state.samples[-1].time_s if state.samples else -EVERY_S
    if stops is None or not sight.whole or sight.time_s - last_s < EVERY_S:
        return state
    new = Sample(sight.time_s, stops, sight.sun.air_mass)
    samples = (*state.samples[-(SAMPLES - 1) :], new)
    state = state._replace(samples=samples)
    if len(samples) < FEWEST or state.contradicted is not None:
        return state
    light = [one.stops for one in samples]
    air = [one.air_mass for one in samples]
    # What fades may be in smoke; only nothing makes the sun brighter.
    grew = fmean(light[-3:]) - fmean(light[:3])
    if max(air) - min(air) < LEAST_AIR or grew < LEAST_STOPS or _fit(air, light)[0] < AGAINST:
        return state
    likely, hours = _instead(samples, light, context)
    if not likely:
        return state
    detail: dict[str, Any] = {
        "light_grew_stops": round(light[-1] - light[0], 2),
        "air_mass_from": round(air[0], 2),
        "air_mass_to": round(air[-1], 2),
        "likely": likely,
        "time_zone_hours": hours,
    }
    finding = Finding(
        severity=Severity.SOON, onset_s=samples[0].time_s, frame=sight.frame, detail=detail, story="light"
    )
    return state._replace(contradicted=finding)


def _fit(air: list[float], light: list[float]) -> tuple[float, float]:
    """Return correlation and slope (stops for each air mass) of light over air."""
    x, y = np.array(air) - fmean(air), np.array(light) - fmean(light)
    squares = float(x @ x)
    if squares < 1e-9 or float(y @ y) < 1e-9:
        return 0.0, 0.0
    return float(x @ y / np.sqrt(squares * float(y @ y))), float(x @ y) / squares


def _instead(
    samples: tuple[Sample, ...], light: list[float], context: Context
) -> tuple[list[str], list[int]]:
    """Return the mistakes by which the light would go with the height, and the hours of a wrong zone."""
    site = context.settings.site
    longitude = (site.longitude_deg + 180) % 360 - 180
    likely, hours = [], []
    times = [one.time_s for one in samples]
    if abs(longitude) > 5 and _goes(_shifted(times, -2 * longitude / 15, context), light):
        likely.append("longitude-sign")
    if _goes(_across(times, site.latitude_deg, context), light):
        likely.append("latitude-sign")
    hours = [h for h in _HOURS if _goes(_shifted(times, float(h), context), light)]
    return ([*likely, "time-zone"] if hours else likely), hours


def _goes(altitudes_deg: Iterator[float], light: list[float]) -> bool:
    heights = list(altitudes_deg)
    if min(heights) < 0.5:
        return False
    correlation, slope = _fit([air_mass(h) for h in heights], light)
    return correlation < ALONG and _STOPS_PER_AIR[0] < -slope < _STOPS_PER_AIR[1]


def _shifted(times: list[float], hours: float, context: Context) -> Iterator[float]:
    return (context.sun_at(time_s + hours * 3600).altitude_deg for time_s in times)


def _across(times: list[float], latitude_deg: float, context: Context) -> Iterator[float]:
    """Yield the sun's heights at the same hour angles as far on the other side of the equator."""
    return (opposite_altitude_deg(context.sun_at(time_s), latitude_deg) for time_s in times)


def opposite_altitude_deg(sun: SunPosition, latitude_deg: float) -> float:
    """Return the sun's height at the same hour angle as far on the other side of the equator."""
    latitude, altitude, azimuth = (radians(a) for a in (latitude_deg, sun.altitude_deg, sun.azimuth_deg))
    declination = sin(latitude) * sin(altitude) + cos(latitude) * cos(altitude) * cos(azimuth)  # its sine
    return degrees(asin(max(-1.0, min(1.0, sin(altitude) - 2 * sin(latitude) * declination))))


__all__ = ["Daylight", "opposite_altitude_deg", "saw"]
