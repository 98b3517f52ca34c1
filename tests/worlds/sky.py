"""The sun over a site by another library, and air by another formula: a second opinion on `sentinel.sky`.

Ephemeris: skyfield with JPL's DE421 (`sentinel.sky` stands on astropy). Refraction: Bennett 1982 turned
round, and its day-to-day change. Nothing here is shared with the program.
"""

import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from skyfield.api import Loader, wgs84
from skyfield_data import get_skyfield_data_path

Array = NDArray[np.float64]

KNOT_S = 1800.0
TT_LESS_UTC_S = 69.184
"""37 leap seconds and 32.184 s: holds since 2017, and none has been announced."""
LIMB_ARCSEC_AT_1_AU = 959.90
"""Radius of the limb's inflection point: 959.86" (Meftah et al. 2014) to 960.12" (Emilio et al. 2012)."""
SOUTH_OF_ALL_DEG = -1.2  # below this Bennett's cotangent runs wild; nobody sees a sun there


@lru_cache(maxsize=1)
def _library() -> tuple[Any, Any]:
    with warnings.catch_warnings():
        # The package warns that its Earth-rotation file grows old; only its ephemeris is used here.
        warnings.simplefilter("ignore", RuntimeWarning)
        load = Loader(get_skyfield_data_path(), verbose=False)
    return load.timescale(builtin=True), load("de421.bsp")


def bennett_arcmin(apparent_deg: Array, pressure_hpa: float = 1010.0, temperature_c: float = 10.0) -> Array:
    """Return refraction by apparent altitude (Bennett 1982, J. of Navigation 35, 255; corrected form)."""
    h = np.maximum(apparent_deg, SOUTH_OF_ALL_DEG)
    first = 1 / np.tan(np.radians(h + 7.31 / (h + 4.4)))
    second = first - 0.06 * np.sin(np.radians(14.7 * first + 13.0))
    return np.asarray(second * pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c))


@dataclass(frozen=True)
class Air:
    """What bends the light; it changes from hour to hour, at the horizon by arcminutes."""

    pressure_hpa: float = 1010.0
    temperature_c: float = 10.0
    times_s: Array | None = None
    """Where the two changes below are given; None: none."""
    change: Array | None = None
    """Of all refraction: pressure and temperature of the day, as a share."""
    inversion: Array | None = None
    """Of the lowest layers alone, in arcminutes at the horizon."""

    def lift_deg(self, true_deg: Array, times_s: Array) -> Array:
        """Return apparent altitudes of true ones."""
        share, low = np.zeros_like(true_deg), np.zeros_like(true_deg)
        if self.times_s is not None and self.change is not None and self.inversion is not None:
            share = np.interp(times_s, self.times_s, self.change)
            low = np.interp(times_s, self.times_s, self.inversion)
        apparent = true_deg + 0.3 * (true_deg > -1.5)
        for _ in range(14):
            bent = bennett_arcmin(apparent, self.pressure_hpa, self.temperature_c) * (1 + share)
            bent = bent + low * np.exp(-np.maximum(apparent, 0.0) / 0.8)
            apparent = true_deg + bent / 60
        return np.asarray(apparent)


@dataclass(frozen=True)
class Seen:
    """Where the sun is at some times; arrays (n,)."""

    times_s: Array
    enu: Array
    """Apparent unit vectors to the middle between upper and lower limb: east, north, up; (n, 3)."""
    altitude_deg: Array
    azimuth_deg: Array
    radius_arcsec: Array
    squeezed: Array
    """Vertical half-axis of the disc over its horizontal one."""
    hour_angle_deg: Array
    declination_deg: Array


class Overhead:
    """The sun over one site between two times."""

    def __init__(
        self,
        latitude_deg: float,
        longitude_deg: float,
        begin_s: float,
        end_s: float,
        elevation_m: float = 0.0,
    ) -> None:
        scale, bodies = _library()
        self.latitude_deg = latitude_deg
        knots = np.arange(begin_s - 4 * KNOT_S, end_s + 5 * KNOT_S, KNOT_S)
        times = scale.tt_jd((knots + TT_LESS_UTC_S) / 86_400 + 2_440_587.5)
        here = bodies["earth"] + wgs84.latlon(latitude_deg, longitude_deg, elevation_m)
        place = here.at(times).observe(bodies["sun"]).apparent()
        ascension, declination, distance = place.radec("date")
        hour_angle = np.unwrap(times.gast * 15 + longitude_deg - ascension.hours * 15, period=360)
        self._origin_s = begin_s
        table = np.stack([hour_angle, declination.degrees, distance.au], axis=1)
        self._spline = CubicSpline(knots - begin_s, table)

    def equatorial(self, times_s: Array) -> tuple[Array, Array, Array]:
        """Return airless topocentric hour angle and declination of date (degrees), and distance (au)."""
        hour_angle, declination, distance = np.moveaxis(self._spline(times_s - self._origin_s), -1, 0)
        return hour_angle, declination, distance

    def airless_enu(self, times_s: Array) -> Array:
        """Return airless unit vectors, east, north, up, (n, 3)."""
        hour_angle, declination, _ = self.equatorial(times_s)
        return from_equatorial(hour_angle, declination, self.latitude_deg)

    def seen(self, times_s: Array, air: Air | None) -> Seen:
        """Return how the sun is seen; without air as it is."""
        hour_angle, declination, distance = self.equatorial(times_s)
        enu = from_equatorial(hour_angle, declination, self.latitude_deg)
        true_deg = np.degrees(np.arctan2(enu[:, 2], np.hypot(enu[:, 0], enu[:, 1])))
        azimuth = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360
        radius = np.degrees(np.arcsin(np.sin(np.radians(LIMB_ARCSEC_AT_1_AU / 3600)) / distance))
        altitude, squeezed = true_deg, np.ones_like(true_deg)
        if air is not None:
            top, bottom = air.lift_deg(true_deg + radius, times_s), air.lift_deg(true_deg - radius, times_s)
            altitude, squeezed = (top + bottom) / 2, (top - bottom) / (2 * radius)
            level = np.cos(np.radians(altitude))
            # Lifted, it lies where the verticals are nearer to each other.
            squeezed = squeezed * np.cos(np.radians(true_deg)) / level
            bearing = np.radians(azimuth)
            up = np.sin(np.radians(altitude))
            enu = np.stack([level * np.sin(bearing), level * np.cos(bearing), up], axis=1)
        return Seen(
            times_s=times_s,
            enu=enu,
            altitude_deg=altitude,
            azimuth_deg=azimuth,
            radius_arcsec=radius * 3600,
            squeezed=squeezed,
            hour_angle_deg=hour_angle,
            declination_deg=declination,
        )


def from_equatorial(hour_angle_deg: Array, declination_deg: Array, latitude_deg: float) -> Array:
    """Return local unit vectors, east, north, up."""
    hour_angle, declination = np.radians(hour_angle_deg), np.radians(declination_deg)
    latitude = np.radians(latitude_deg)
    meridian = np.cos(declination) * np.cos(hour_angle)
    east, pole = -np.cos(declination) * np.sin(hour_angle), np.sin(declination)
    north = pole * np.cos(latitude) - meridian * np.sin(latitude)
    up = pole * np.sin(latitude) + meridian * np.cos(latitude)
    return np.stack([east, north, up], axis=-1)
