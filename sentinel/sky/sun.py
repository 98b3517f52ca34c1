"""The sun over a site, at any time from 1970 to 2040: direction, hour angle, size."""

from collections.abc import Callable
from functools import partial

import numpy as np

from sentinel.core.settings import Site
from sentinel.core.solar_size import MEAN_RADIUS_DEG, SOLAR_RADIUS_KM
from sentinel.sky.arrays import Array, Numbers, floats, plain
from sentinel.sky.knots import Knots
from sentinel.sky.refraction import lifted

_DEG_PER_RAD = 180 / np.pi


# The ephemeris takes longer to import than many a command takes in all, so it is imported when a day's knots
# are first computed.
# ruff: noqa: PLC0415


def _sun_vectors_km(site: Site, utc_s: Array) -> Array:
    from sentinel.sky import ephemeris

    return ephemeris.sun_vectors_km(site, utc_s)


def _equation_of_time_s(utc_s: Array) -> Array:
    from sentinel.sky import ephemeris

    return ephemeris.equation_of_time_s(utc_s)


class Body:
    """Sun or moon, seen from one site.

    Every method takes POSIX seconds, a number or an array in any order, and gives values of the same shape
    (vectors: with 3 in the end). Positions are ERFA's every twenty minutes, interpolated to 0.02".
    """

    def __init__(self, site: Site, vectors_km: Callable[[Array], Array], radius_km: float) -> None:
        self.site, self._radius_km = site, radius_km
        self._vectors_km: Callable[[Numbers], Array] = Knots(vectors_km)

    def true_direction(self, utc_s: Numbers) -> Array:
        """Return airless unit vectors (..., 3): east, north, up."""
        vector = self._vectors_km(utc_s)
        return floats(vector / np.sqrt((vector * vector).sum(axis=-1, keepdims=True)))

    def direction(self, utc_s: Numbers) -> Array:
        """Return apparent unit vectors (..., 3), east, north, up: where the air shows the disc's centre."""
        return lifted(self.true_direction(utc_s), self.site.pressure_hpa, self.site.temperature_c)

    def distance_km(self, utc_s: Numbers) -> Array:
        """Return the distance from the site."""
        return plain(np.sqrt((self._vectors_km(utc_s) ** 2).sum(axis=-1)))

    def angular_radius_arcsec(self, utc_s: Numbers) -> Array:
        """Return the airless angle from the centre to the mean limb (the sun's: see `solar_size`)."""
        sine = self._radius_km / self.distance_km(utc_s)
        return plain(np.arcsin(sine) * (_DEG_PER_RAD * 3600))


class Sun(Body):
    """The sun, and the time that its place in the sky tells."""

    def __init__(self, site: Site) -> None:
        super().__init__(site, partial(_sun_vectors_km, site), SOLAR_RADIUS_KM)
        self._equation_s = Knots(_equation_of_time_s)
        latitude = np.radians(site.latitude_deg)
        self._sin_latitude, self._cos_latitude = float(np.sin(latitude)), float(np.cos(latitude))

    def across_equator(self) -> "Sun":
        """Return the sun over the place as far on the other side of the equator.

        By plain geometry from this one's positions: no ephemeris is computed for it.
        """
        other = Sun(self.site.model_copy(update={"latitude_deg": -self.site.latitude_deg}))
        other._vectors_km = self._from_across_km
        return other

    def _from_across_km(self, utc_s: Numbers) -> Array:
        from sentinel.sky import ephemeris

        east, north, up = np.moveaxis(self._vectors_km(utc_s), -1, 0)
        outward = up * self._cos_latitude - north * self._sin_latitude
        # The other place lies twice as far down the Earth's axis as this one lies above the equator.
        along_axis = north * self._cos_latitude + up * self._sin_latitude
        along_axis = along_axis + 2 * ephemeris.north_of_equator_km(self.site)
        north = outward * self._sin_latitude + along_axis * self._cos_latitude
        up = outward * self._cos_latitude - along_axis * self._sin_latitude
        return np.stack([east, north, up], axis=-1)

    def middle_direction(self, utc_s: Numbers) -> Array:
        """Return apparent unit vectors (..., 3) to the middle between the upper and the lower limb.

        That is what is measured in a picture. The lower half of a low sun is squeezed more than the upper, so
        the middle stands above the centre: by 6" at 1 degree of altitude, 4" at 2, 1.4" at 4, 0.3" at 8.
        """
        site = self.site
        true = self.true_direction(utc_s)
        return lifted(true, site.pressure_hpa, site.temperature_c, MEAN_RADIUS_DEG)

    def altaz_deg(self, utc_s: Numbers) -> tuple[Array, Array]:
        """Return apparent altitude, and azimuth from north through east (0 to 360)."""
        return altaz_deg(self.direction(utc_s))

    def true_altitude_deg(self, utc_s: Numbers) -> Array:
        """Return the airless altitude."""
        return altaz_deg(self.true_direction(utc_s))[0]

    def hour_angle_deg(self, utc_s: Numbers) -> Array:
        """Return the airless topocentric hour angle, -180 to 180, positive west of the meridian."""
        east, north, up = np.moveaxis(self.true_direction(utc_s), -1, 0)
        toward_equator = up * self._cos_latitude - north * self._sin_latitude
        return plain(np.arctan2(-east, toward_equator) * _DEG_PER_RAD)

    def declination_deg(self, utc_s: Numbers) -> Array:
        """Return the airless topocentric declination of date."""
        _, north, up = np.moveaxis(self.true_direction(utc_s), -1, 0)
        sine = north * self._cos_latitude + up * self._sin_latitude
        return plain(np.arcsin(np.clip(sine, -1, 1)) * _DEG_PER_RAD)

    def parallactic_angle_deg(self, utc_s: Numbers) -> Array:
        """Return the position angle of the zenith at the sun: see `parallactic_angle_deg`."""
        return parallactic_angle_deg(
            self.hour_angle_deg(utc_s), self.declination_deg(utc_s), self.site.latitude_deg
        )

    def equation_of_time_s(self, utc_s: Numbers) -> Array:
        """Return apparent less mean solar time: positive where the true sun is ahead of the clock."""
        return plain(self._equation_s(utc_s)[..., 0])


def parallactic_angle_deg(hour_angle_deg: Numbers, declination_deg: Numbers, latitude_deg: float) -> Array:
    """Return the position angle of the zenith, from celestial north through east, -180 to 180.

    For whatever culminates south of the zenith: negative before the meridian, positive after it. Meeus, eq.
    14.1, multiplied through by cos(latitude) so that the poles are no exception.
    """
    hour_angle, declination, latitude = (
        np.radians(floats(angle)) for angle in (hour_angle_deg, declination_deg, latitude_deg)
    )
    across = np.sin(hour_angle) * np.cos(latitude)
    along = np.sin(latitude) * np.cos(declination)
    along = along - np.cos(latitude) * np.sin(declination) * np.cos(hour_angle)
    return plain(np.arctan2(across, along) * _DEG_PER_RAD)


def altaz_deg(direction: Array) -> tuple[Array, Array]:
    """Return altitude, and azimuth from north through east (0 to 360), of (..., 3) east, north, up."""
    east, north, up = direction[..., 0], direction[..., 1], direction[..., 2]
    altitude = np.arctan2(up, np.hypot(east, north)) * _DEG_PER_RAD
    azimuth = np.arctan2(east, north) * _DEG_PER_RAD % 360.0
    return plain(altitude), plain(azimuth)


def unit_vector(altitude_deg: Numbers, azimuth_deg: Numbers) -> Array:
    """Return unit vectors (..., 3), east, north, up, from altitude and azimuth; the two broadcast."""
    altitude, azimuth = np.broadcast_arrays(np.radians(altitude_deg), np.radians(azimuth_deg))
    level = np.cos(altitude)
    return np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(altitude)], axis=-1)
