"""Where astropy says the sun is, seen from a site: exact, offline for any year, and too slow to ask often.

Everything else in this room interpolates what is computed here (`sentinel.sky.knots`).
"""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import CIRS, AltAz, EarthLocation, get_body, get_body_barycentric, get_sun
from astropy.time import Time
from astropy.utils import iers
from astropy.utils.exceptions import AstropyWarning

from sentinel.core.settings import Site
from sentinel.sky.angles import half_turn_deg
from sentinel.sky.arrays import Array

# A camera is left for weeks without a network and with a data package that grows old. Astropy would fetch
# newer Earth-rotation tables, or refuse with a `ValueError` where it cannot; outside its tables it is to go
# on with UT1 held (wrong by less than 1 s: 15" in hour angle, the same for hours, so no drift comes of it).
iers.conf.auto_download = False
iers.conf.auto_max_age = None
iers.conf.iers_degraded_accuracy = "warn"


@contextmanager
def quiet() -> Iterator[None]:
    """Silence what astropy and ERFA say about dates outside their tables: it is known and accepted above."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AstropyWarning)
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        yield


def astropy_time(utc_s: Array) -> Time:
    """Return POSIX seconds as an astropy time."""
    return Time(np.asarray(utc_s, dtype=float), format="unix")


def location(site: Site) -> EarthLocation:
    """Return the site on the WGS 84 ellipsoid."""
    return EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.elevation_m)


def _east_north_up(altaz: AltAz) -> Array:
    north, east, up = altaz.cartesian.xyz.to_value(u.km)
    return np.stack([east, north, up], axis=-1)


def sun_vectors_km(site: Site, utc_s: Array) -> Array:
    """Return the airless topocentric sun as (n, 3) vectors (east, north, up) in km.

    Apparent place: light time, aberration (daily too), precession, nutation and parallax are in it.
    """
    with quiet():
        time = astropy_time(utc_s)
        frame = AltAz(obstime=time, location=location(site), pressure=0 * u.hPa)
        return _east_north_up(get_sun(time).transform_to(frame))


def moon_vectors_km(site: Site, utc_s: Array) -> Array:
    """Return the airless topocentric moon as (n, 3) vectors (east, north, up) in km.

    From the analytical lunar theory that comes with ERFA (`moon98`, Meeus ch. 47): about 10", that is some
    20 s in the contacts of an eclipse.
    """
    with quiet():
        time = astropy_time(utc_s)
        place = location(site)
        frame = AltAz(obstime=time, location=place, pressure=0 * u.hPa)
        return _east_north_up(get_body("moon", time, place, ephemeris="builtin").transform_to(frame))


def equation_of_time_s(utc_s: Array) -> Array:
    """Return apparent less mean solar time in seconds, (n, 1): positive where the sundial is fast.

    The geocentric apparent sun's Greenwich hour angle, less that of the mean sun, which is UT1 by definition.
    """
    with quiet():
        time = astropy_time(utc_s)
        ra_deg = get_sun(time).transform_to(CIRS(obstime=time)).ra.to_value(u.deg)
        hour_angle_deg = time.earth_rotation_angle("tio").to_value(u.deg) - ra_deg
        ut1 = time.ut1
        mean_deg = 360 * (((ut1.jd1 % 1.0) + ut1.jd2) % 1.0)  # the Julian day begins at noon
    seconds = (half_turn_deg(hour_angle_deg - mean_deg)) * 240.0
    return np.asarray(seconds, dtype=np.float64)[:, None]


def solar_axis_deg(utc_s: Array) -> Array:
    """Return P, B0 and L0 as (n, 3) degrees; L0 runs on without a jump at 0 within one call.

    P: position angle of solar north from the true celestial pole of date. B0, L0: heliographic latitude and
    Carrington longitude of the disc's centre, light time taken off. Seen from the Earth's centre. Rotation
    elements: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22 (pole 286.13, 63.87; W = 84.176 +
    14.1844 d).
    """
    pole_ra, pole_dec = np.radians([286.13, 63.87])
    axis = np.array(
        [np.cos(pole_dec) * np.cos(pole_ra), np.cos(pole_dec) * np.sin(pole_ra), np.sin(pole_dec)]
    )
    node = np.array([-np.sin(pole_ra), np.cos(pole_ra), 0.0])
    with quiet():
        tdb = astropy_time(utc_s).tdb
        sun = get_sun(tdb).cartesian.xyz.to_value(u.au).T
        earth = get_body_barycentric("earth", tdb) - get_body_barycentric("sun", tdb)
        earth_au = earth.xyz.to_value(u.au).T
        celestial_pole = erfa.pnm06a(tdb.jd1, tdb.jd2)[:, 2, :]
        days = (tdb.jd1 - 2_451_545.0) + tdb.jd2
    east = np.cross(celestial_pole, sun)
    north = np.cross(sun, east)
    distance = np.sqrt((sun * sun).sum(axis=-1))
    position_angle = np.degrees(np.arctan2(east @ axis * distance, north @ axis))
    latitude = np.degrees(np.arcsin(earth_au @ axis / np.sqrt((earth_au * earth_au).sum(axis=-1))))
    along = np.degrees(np.arctan2(earth_au @ np.cross(axis, node), earth_au @ node))
    longitude = along - (84.176 + 14.1844 * (days - distance * _LIGHT_DAYS_AU))
    return np.stack([position_angle, latitude, np.unwrap(longitude, period=360)], axis=-1)


_LIGHT_DAYS_AU = 499.004_784 / 86_400
