"""Places on the sun: from a picture's pixels to heliographic latitude and longitude, and back.

The sun is a sphere seen from where the Earth is, not from infinity: at the limb that is a quarter of a
degree. The geometry is Meeus's (Astronomical Algorithms, ch. 29) with the finite distance of the Explanatory
Supplement.
"""

from dataclasses import dataclass

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.core.solar_size import MEAN_RADIUS_ARCSEC
from sentinel.sky.arrays import Array, Numbers, floats, plain

CARRINGTON_DEG_DAY = 14.1844
"""Sidereal rotation of the Carrington longitudes (Archinal et al. 2018, as in `ephemeris.solar_axis_deg`)."""
_EQUATOR_DEG_DAY, _SLOWER_DEG_DAY = 14.551, -2.87
"""Sunspots, 1874 to 1976: Balthasar, Vazquez and Woehl 1986, Astron. Astrophys. 155, 87 (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscView:
    """How the sun's disc lies in a picture; every field a number, or arrays of one shape for many pictures.

    The air's squeeze along the vertical is undone; its shift of the middle of a disc close to the horizon
    (0.4 % of the radius at 2 degrees) is not.
    """

    x_px: Numbers
    """Middle between the opposite limbs."""
    y_px: Numbers
    radius_px: Numbers
    """Long half-axis."""
    north_deg: Numbers
    """Direction of solar north, degrees clockwise from the picture's up."""
    central_latitude_deg: Numbers
    """B0."""
    central_longitude_deg: Numbers
    """L0, Carrington."""
    radius_arcsec: Numbers = MEAN_RADIUS_ARCSEC
    flattening: Numbers = 1.0
    """Vertical over horizontal diameter, as `sky.flattening` gives it."""
    zenith_deg: Numbers = 0.0
    """Direction of the zenith, degrees clockwise from the picture's up."""

    def on_disc(self, x_px: Numbers, y_px: Numbers) -> tuple[Array, Array]:
        """Return pixels as offsets from the disc's middle, right and down, in radii, the squeeze undone."""
        across, along = floats(x_px) - floats(self.x_px), floats(y_px) - floats(self.y_px)
        across, along = self._stretched(across, along, 1 / floats(self.flattening))
        return plain(across / floats(self.radius_px)), plain(along / floats(self.radius_px))

    def heliographic_deg(self, x_px: Numbers, y_px: Numbers) -> tuple[Array, Array]:
        """Return latitude and Carrington longitude (0 to 360) of places in the picture; NaN off the disc."""
        across, along = self.on_disc(x_px, y_px)
        north = np.radians(floats(self.north_deg))
        # In a picture that is not mirrored east is to the left of north.
        up = across * np.sin(north) - along * np.cos(north)
        west = across * np.cos(north) + along * np.sin(north)
        off = np.hypot(up, west)
        with np.errstate(invalid="ignore", divide="ignore"):
            # At the sun's centre: the angle of incidence at the surface less the angle at the eye.
            angle = np.arcsin(off) - np.arcsin(off * self._sine_of_radius)
            scale = np.where(off > 0, np.sin(angle) / np.where(off > 0, off, 1.0), 1.0)
        tilt = np.radians(floats(self.central_latitude_deg))
        toward, west, up = np.cos(angle), west * scale, up * scale
        latitude = np.arcsin(np.clip(up * np.cos(tilt) + toward * np.sin(tilt), -1, 1))
        longitude = np.arctan2(west, toward * np.cos(tilt) - up * np.sin(tilt))
        return (
            plain(np.degrees(latitude)),
            plain((np.degrees(longitude) + floats(self.central_longitude_deg)) % 360),
        )

    def place_px(self, latitude_deg: Numbers, longitude_deg: Numbers) -> tuple[Array, Array, Array]:
        """Return x and y of places on the sun, and how squarely each faces us.

        The third is the cosine of the angle at which the surface is seen: 1 in the disc's middle, 0 at the
        limb, negative on the far side, whose x and y lie within the disc too.
        """
        latitude, tilt = np.radians(floats(latitude_deg)), np.radians(floats(self.central_latitude_deg))
        apart = np.radians(floats(longitude_deg) - floats(self.central_longitude_deg))
        level = np.cos(latitude) * np.cos(apart)
        toward = level * np.cos(tilt) + np.sin(latitude) * np.sin(tilt)
        up = np.sin(latitude) * np.cos(tilt) - level * np.sin(tilt)
        west = np.cos(latitude) * np.sin(apart)
        distance = 1 / self._sine_of_radius
        to_eye = np.sqrt((distance - toward) ** 2 + up**2 + west**2)
        radius = floats(self.radius_px) * distance / to_eye
        north = np.radians(floats(self.north_deg))
        across = radius * (up * np.sin(north) + west * np.cos(north))
        along = radius * (west * np.sin(north) - up * np.cos(north))
        across, along = self._stretched(across, along, floats(self.flattening))
        facing = (distance * toward - 1) / to_eye
        return plain(across + floats(self.x_px)), plain(along + floats(self.y_px)), plain(facing)

    @property
    def _sine_of_radius(self) -> Array:
        return floats(np.sin(np.radians(floats(self.radius_arcsec) / 3600)))

    def _stretched(self, across: Array, along: Array, by: Array) -> tuple[Array, Array]:
        """Return offsets right and down with their vertical part so many times as long."""
        zenith = np.radians(floats(self.zenith_deg))
        up_x, up_y = np.sin(zenith), -np.cos(zenith)
        more = (across * up_x + along * up_y) * (by - 1)
        return across + more * up_x, along + more * up_y


def spot_rotation_deg_day(latitude_deg: Numbers) -> Array:
    """Return how fast sunspots at a latitude move in Carrington longitude, degrees a day, west positive.

    The published differential rotation of spots less the Carrington rate; single spots differ by some tenths.
    """
    sine2 = np.sin(np.radians(floats(latitude_deg))) ** 2
    return plain(_EQUATOR_DEG_DAY + _SLOWER_DEG_DAY * sine2 - CARRINGTON_DEG_DAY)


def from_central_meridian_deg(longitude_deg: Numbers, central_longitude_deg: Numbers) -> Array:
    """Return how far west of the middle of the disc a Carrington longitude stands, -180 to 180."""
    return half_turn_deg(floats(longitude_deg) - floats(central_longitude_deg))
