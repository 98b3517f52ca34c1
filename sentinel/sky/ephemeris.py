"""Where the sun and the moon are, seen from a site: exact, offline for any year, and too slow to ask often.

By ERFA (the IAU's standards of fundamental astronomy) alone: a library around it takes more memory in a watch
than everything else together. The rest of this room interpolates what is computed here
(`sentinel.sky.knots`).
"""

import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import erfa
import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.core.settings import Site
from sentinel.core.times import DAY_S
from sentinel.sky.arrays import Array
from sentinel.sky.earth_rotation import EarthRotation, earth_rotation

AU_KM = erfa.DAU / 1000
_LIGHT_DAYS_AU = 499.004_784 / DAY_S
_WGS84 = 1
_GREEN_UM = 0.55
"""ERFA asks for a wavelength to compute refraction by; at pressure 0 it does not matter."""

BarycentricPosition = Callable[[Array, Array], Array]
"""Takes TT in two parts; gives a body's position from the solar system's barycentre, au, ICRS, (n, 3)."""


@contextmanager
def leap_seconds_unknown() -> Iterator[None]:
    """Silence ERFA's warning about years whose leap seconds are not known: see `earth_rotation`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        yield


def _sun_au(tt1: Array, tt2: Array) -> Array:
    heliocentric, barycentric = erfa.epv00(tt1, tt2)
    return np.asarray(barycentric["p"] - heliocentric["p"])


def _moon_au(tt1: Array, tt2: Array) -> Array:
    _, earth = erfa.epv00(tt1, tt2)
    return np.asarray(earth["p"] + erfa.moon98(tt1, tt2)["p"])


def _apparent_au(position: BarycentricPosition, observer: Any, earth: EarthRotation) -> tuple[Array, Array]:
    """Return a body's direction (n, 3), ICRS, and distance (n,), with light time and aberration."""
    tt1, tt2 = earth.tt
    there = position(tt1, tt2) - observer["eb"]
    for _ in range(2):
        light_days = np.linalg.norm(there, axis=-1) * _LIGHT_DAYS_AU
        there = position(tt1, tt2 - light_days) - observer["eb"]
    distance = np.linalg.norm(there, axis=-1)
    # Bending of light is left out: the sun's own is not bent, and the moon's by less than 0.01" until the
    # moon is all but in front of the sun.
    direction = there / distance[:, None]
    return np.asarray(erfa.ab(direction, observer["v"], observer["em"], observer["bm1"])), distance


def _right_ascension(direction: Array, observer: Any) -> tuple[Array, Array]:
    """Return right ascension (from the celestial intermediate origin) and declination of date, in radians."""
    of_date = np.einsum("nij,nj->ni", observer["bpn"], direction)
    ra, dec = erfa.c2s(of_date)
    return np.asarray(ra), np.asarray(dec)


def _vectors_km(position: BarycentricPosition, site: Site, utc_s: Array) -> Array:
    """Return a body seen from a site, airless, as (n, 3) vectors (east, north, up) in km."""
    with leap_seconds_unknown():
        earth = earth_rotation(utc_s)
        observer, _ = erfa.apco13(
            *earth.utc, earth.ut1_less_utc_s, np.radians(site.longitude_deg), np.radians(site.latitude_deg),
            site.elevation_m, earth.pole_x_rad, earth.pole_y_rad, 0.0, 0.0, 0.0, _GREEN_UM,
        )  # fmt: skip
        direction, distance_au = _apparent_au(position, observer, earth)
        azimuth, zenith, *_ = erfa.atioq(*_right_ascension(direction, observer), observer)
    level = np.sin(zenith)
    enu = np.stack([np.sin(azimuth) * level, np.cos(azimuth) * level, np.cos(zenith)], axis=-1)
    return np.asarray(enu * (distance_au * AU_KM)[:, None])


def sun_vectors_km(site: Site, utc_s: Array) -> Array:
    """Return the airless topocentric sun as (n, 3) vectors (east, north, up) in km.

    The apparent place: light time, aberration (annual and diurnal), precession, nutation and parallax.
    """
    return _vectors_km(_sun_au, site, utc_s)


def moon_vectors_km(site: Site, utc_s: Array) -> Array:
    """Return the airless topocentric moon as (n, 3) vectors (east, north, up) in km.

    From the analytical lunar theory that comes with ERFA (`moon98`, after Meeus, ch. 47): good to about 10",
    which is some 20 s in the contacts of an eclipse.
    """
    return _vectors_km(_moon_au, site, utc_s)


def north_of_equator_km(site: Site) -> float:
    """Return how far the site lies north of the equator's plane, negative south of it; WGS 84 ellipsoid."""
    longitude, latitude = np.radians([site.longitude_deg, site.latitude_deg])
    return float(erfa.gd2gc(_WGS84, longitude, latitude, site.elevation_m)[2]) / 1000


def _geocentric_sun(earth: EarthRotation) -> tuple[Any, Array, Array]:
    """Return ERFA's observer at the Earth's centre, and the sun's apparent direction and distance (au)."""
    observer, _ = erfa.apci13(*earth.tt)
    return observer, *_apparent_au(_sun_au, observer, earth)


def equation_of_time_s(utc_s: Array) -> Array:
    """Return apparent less mean solar time in seconds, (n, 1): positive where the sundial is fast.

    The Greenwich hour angle of the apparent geocentric sun less that of the mean sun, which defines UT1.
    """
    with leap_seconds_unknown():
        earth = earth_rotation(utc_s)
        observer, direction, _ = _geocentric_sun(earth)
        ra, _ = _right_ascension(direction, observer)
        ut1, ut2 = earth.ut1
        hour_angle_deg = np.degrees(erfa.era00(ut1, ut2) - ra)
        mean_deg = 360 * (((ut1 % 1.0) + ut2) % 1.0)  # the Julian day begins at noon
    seconds = half_turn_deg(hour_angle_deg - mean_deg) * 240.0
    return np.asarray(seconds, dtype=np.float64)[:, None]


def solar_axis_deg(utc_s: Array) -> Array:
    """Return P, B0 and L0 as (n, 3) degrees; L0 runs on without a jump at 0 within one call.

    P: position angle of solar north from the true celestial pole of date. B0, L0: heliographic latitude and
    Carrington longitude of the disc's centre, corrected for light time. Geocentric. Rotation elements:
    Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22 (pole 286.13, 63.87; W = 84.176 + 14.1844 d).
    """
    pole_ra, pole_dec = np.radians([286.13, 63.87])
    axis = np.array(
        [np.cos(pole_dec) * np.cos(pole_ra), np.cos(pole_dec) * np.sin(pole_ra), np.sin(pole_dec)]
    )
    node = np.array([-np.sin(pole_ra), np.cos(pole_ra), 0.0])
    with leap_seconds_unknown():
        rotation = earth_rotation(utc_s)
        _, sun, distance = _geocentric_sun(rotation)
        tt1, tt2 = rotation.tt
        earth_au = np.asarray(erfa.epv00(tt1, tt2)[0]["p"])
        celestial_pole = erfa.pnm06a(tt1, tt2)[:, 2, :]
        days = (tt1 - 2_451_545.0) + tt2
    east = np.cross(celestial_pole, sun)
    north = np.cross(sun, east)
    position_angle = np.degrees(np.arctan2(east @ axis, north @ axis))
    latitude = np.degrees(np.arcsin(earth_au @ axis / np.sqrt((earth_au * earth_au).sum(axis=-1))))
    along = np.degrees(np.arctan2(earth_au @ np.cross(axis, node), earth_au @ node))
    longitude = along - (84.176 + 14.1844 * (days - distance * _LIGHT_DAYS_AU))
    return np.stack([position_angle, latitude, np.unwrap(longitude, period=360)], axis=-1)
