"""The line of the ground against the sky: when the sun stands above it, rises and sets."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sentinel.sky.arrays import Array, Bools, Numbers, floats, plain
from sentinel.sky.refraction import refraction_deg
from sentinel.sky.searching import Crossings, Span, crossings, spans_above
from sentinel.sky.sun import Sun

Limb = Literal["upper", "centre", "lower"]
LOOK_EVERY_S = 300.0

_LIMBS: dict[Limb, float] = {"upper": 1.0, "centre": 0.0, "lower": -1.0}


class HorizonLine:
    """Straight lines between azimuth and altitude pairs, round the whole horizon; no pairs: flat, at 0."""

    def __init__(self, pairs: Sequence[tuple[float, float]]) -> None:
        self._azimuths = [azimuth for azimuth, _ in pairs] or [0.0]
        self._altitudes = [altitude for _, altitude in pairs] or [0.0]

    def altitude_deg(self, azimuth_deg: Numbers) -> Array:
        """Return the line's altitude at azimuths (from north through east), same shape."""
        heights = np.interp(floats(azimuth_deg), self._azimuths, self._altitudes, period=360)
        return plain(heights)


def above_line_deg(sun: Sun, utc_s: Numbers, limb: Limb = "centre") -> Array:
    """Return by how much a point of the sun stands above the site's horizon line, degrees, same shape.

    The upper and lower limb are lifted by the refraction at their own altitude.
    """
    site = sun.site
    true = sun.true_altitude_deg(utc_s) + _LIMBS[limb] * sun.angular_radius_arcsec(utc_s) / 3600
    apparent = true + refraction_deg(true, site.pressure_hpa, site.temperature_c)
    azimuth = sun.altaz_deg(utc_s)[1]
    return plain(apparent - HorizonLine(site.horizon).altitude_deg(azimuth))


def above_line(sun: Sun, utc_s: Numbers, limb: Limb = "centre") -> Bools:
    """Return whether a point of the sun stands above the site's horizon line, booleans of the same shape."""
    return above_line_deg(sun, utc_s, limb) >= 0


def shown_altitude_deg(sun: Sun, utc_s: Numbers) -> Array:
    """Return the altitude of the sun's centre as people are told it, same shape.

    Apparent while any of the disc is above the horizon line or above the level; airless once it is down, as
    almanacs count: refraction is for what can be seen.
    """
    site = sun.site
    apparent, azimuth = sun.altaz_deg(utc_s)
    true = sun.true_altitude_deg(utc_s)
    upper = true + sun.angular_radius_arcsec(utc_s) / 3600
    upper = upper + refraction_deg(upper, site.pressure_hpa, site.temperature_c)
    line = np.minimum(HorizonLine(site.horizon).altitude_deg(azimuth), 0.0)
    return plain(np.where(upper >= line, apparent, true))


@dataclass(frozen=True, slots=True)
class Daylight:
    """When the sun, or the limb that was asked for, is above the horizon line between two times."""

    spans: tuple[Span, ...]
    """From rising to setting, cut at both ends; a polar day is one span, a polar night none."""
    rises_s: tuple[float, ...]
    sets_s: tuple[float, ...]


def daylight(sun: Sun, start_s: float, end_s: float, limb: Limb = "centre") -> Daylight:
    """Return when the sun is above the site's horizon line.

    `limb`: what must be above: by almanacs' rule sunrise and sunset are the upper limb's; a whole disc needs
        the lower.
    Raises `ValueError` if the end is before the start.
    """

    def height(utc_s: Array) -> Array:
        return above_line_deg(sun, utc_s, limb)

    spans = spans_above(height, start_s, end_s, LOOK_EVERY_S)
    return Daylight(
        spans=spans,
        rises_s=tuple(begin for begin, _ in spans if begin > start_s),
        sets_s=tuple(end for _, end in spans if end < end_s),
    )


def altitude_crossings(sun: Sun, altitude_deg: float, start_s: float, end_s: float) -> Crossings:
    """Return when the disc's centre is seen to pass an altitude, up (rising) or down."""
    return crossings(lambda utc_s: sun.altaz_deg(utc_s)[0] - altitude_deg, start_s, end_s, LOOK_EVERY_S)


def hour_angle_times_s(sun: Sun, hour_angle_deg: float, start_s: float, end_s: float) -> Array:
    """Return the times at which the sun passes an hour angle: 0 is the upper meridian."""

    def past(utc_s: Array) -> Array:
        return floats(np.sin(np.radians(sun.hour_angle_deg(utc_s) - hour_angle_deg)))

    # The sine also falls through zero half a turn away.
    found = crossings(past, start_s, end_s, LOOK_EVERY_S)
    return found.times_s[found.rising]
