"""The sun and the moon by astropy, whose frames and transformations are its own: a witness."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import CIRS, AltAz, EarthLocation, get_body, get_sun
from astropy.time import Time
from astropy.utils import iers
from astropy.utils.exceptions import AstropyWarning

from sentinel.core.settings import Site
from sentinel.sky.arrays import Array


@contextmanager
def quiet() -> Iterator[None]:
    """Let it neither fetch tables nor refuse where it cannot, nor say so."""
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "warn"),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore", AstropyWarning)
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        yield


def body_km(name: str, site: Site, utc_s: Array) -> Array:
    """Return a body seen from a site, airless: (n, 3), east, north, up, in km."""
    place = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.elevation_m)
    with quiet():
        time = Time(np.asarray(utc_s, dtype=float), format="unix")
        frame = AltAz(obstime=time, location=place, pressure=0 * u.hPa)
        body = get_sun(time) if name == "sun" else get_body(name, time, place, ephemeris="builtin")
        north, east, up = body.transform_to(frame).cartesian.xyz.to_value(u.km)
    return np.stack([east, north, up], axis=-1)


def equation_of_time_s(utc_s: Array) -> Array:
    """Return apparent less mean solar time."""
    with quiet():
        time = Time(np.asarray(utc_s, dtype=float), format="unix")
        ra_deg = get_sun(time).transform_to(CIRS(obstime=time)).ra.to_value(u.deg)
        hour_angle_deg = time.earth_rotation_angle("tio").to_value(u.deg) - ra_deg
        ut1 = time.ut1
        mean_deg = 360 * (((ut1.jd1 % 1.0) + ut1.jd2) % 1.0)
    return np.asarray(((hour_angle_deg - mean_deg + 180) % 360 - 180) * 240.0)
