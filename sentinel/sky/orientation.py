"""Which way the sun's rotation axis points: on the sky, from the vertical, and in the picture."""

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.sky.arrays import Array, Numbers, plain
from sentinel.sky.knots import Knots
from sentinel.sky.sun import Sun


def _solar_axis_deg(utc_s: Array) -> Array:
    from sentinel.sky import ephemeris  # noqa: PLC0415 - as in `sentinel.sky.sun`

    return ephemeris.solar_axis_deg(utc_s)


class Orientation:
    """Orientation of the sun's disc as seen from one site; takes POSIX seconds like `Sun`."""

    def __init__(self, sun: Sun) -> None:
        self._sun = sun
        self._axis_deg = Knots(_solar_axis_deg)

    def position_angle_deg(self, utc_s: Numbers) -> Array:
        """Return P: solar north's position angle from celestial north of date, through east."""
        return plain(self._axis_deg(utc_s)[..., 0])

    def central_latitude_deg(self, utc_s: Numbers) -> Array:
        """Return B0: heliographic latitude of the disc's centre."""
        return plain(self._axis_deg(utc_s)[..., 1])

    def central_longitude_deg(self, utc_s: Numbers) -> Array:
        """Return L0: Carrington longitude of the disc's centre, 0 to 360."""
        return plain(self._axis_deg(utc_s)[..., 2] % 360)

    def north_from_vertical_deg(self, utc_s: Numbers) -> Array:
        """Return the angle from the zenith to solar north, counter-clockwise on the sky: P - q."""
        angle = self.position_angle_deg(utc_s) - self._sun.parallactic_angle_deg(utc_s)
        return half_turn_deg(angle)

    def north_in_picture_deg(self, utc_s: Numbers, up_angle_deg: Numbers) -> Array:
        """Return solar north's direction in the picture, degrees clockwise from the picture's up.

        `up_angle_deg` is the zenith's there, from `sentinel.sky.mount.up_angle_deg`.
        """
        return half_turn_deg(np.subtract(up_angle_deg, self.north_from_vertical_deg(utc_s)))
