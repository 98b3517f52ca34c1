"""How the air lifts and flattens the sun.

Saemundsson's formula (Sky & Telescope 72, 1986, p. 70; Meeus, Astronomical Algorithms, eq. 16.4), scaled by
pressure and temperature. It keeps to 0.1' of the published tables down to the horizon; the real air differs
from any formula by arcminutes there (`refraction_sigma_deg`). Above 15 degrees it is 4 % high (6" at 20
degrees, 3" at 45): less than a long lens's mount wanders by itself.
"""

import numpy as np

from sentinel.core.solar_size import MEAN_RADIUS_DEG
from sentinel.sky.arrays import Array, Numbers, floats, plain

# Where the formula's refraction is greatest: (h + 5.11)^2 = 10.3. Its slope is nought there, so to hold the
# value below is smooth, and apparent altitude keeps growing with true altitude however deep the sun is.
_DEEPEST_DEG = float(np.sqrt(10.3) - 5.11)
_RAD_PER_DEG = np.pi / 180
EXTINCTION_STOPS, EXTINCTION_SIGMA_STOPS = 0.3, 0.12
"""Light lost to a clear sky for each air mass, and 1 sigma of it: 0.12 to 0.5 magnitudes (common practice, no
source; a stop is 0.75 magnitudes)."""


def _density_ratio(pressure_hpa: float, temperature_c: float) -> float:
    """Return the air's density over that at 1010 hPa and 10 degrees, for which the formula is given."""
    return pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c)


def refraction_deg(
    true_altitude_deg: Numbers, pressure_hpa: float = 1010, temperature_c: float = 10
) -> Array:
    """Return by how much the air lifts what stands at an airless altitude, in degrees, same shape.

    Pressure 0 means no air. Below about -1.9 degrees (out of sight from anywhere) the value is held.
    """
    true = floats(true_altitude_deg)
    if pressure_hpa == 0:
        return plain(np.zeros_like(true))
    h = np.maximum(true, _DEEPEST_DEG)
    scale = 1.02 / 60 * _density_ratio(pressure_hpa, temperature_c)
    return plain(scale / np.tan((h + 10.3 / (h + 5.11)) * _RAD_PER_DEG))


def true_altitude_deg(
    apparent_altitude_deg: Numbers, pressure_hpa: float = 1010, temperature_c: float = 10
) -> Array:
    """Return the airless altitude of what is seen at an apparent altitude: the exact inverse, same shape."""
    apparent = floats(apparent_altitude_deg)
    true = apparent - refraction_deg(apparent, pressure_hpa, temperature_c)
    for _ in range(_NEWTON_STEPS):
        lifted = refraction_deg(true, pressure_hpa, temperature_c)
        slope = (refraction_deg(true + 1e-4, pressure_hpa, temperature_c) - lifted) / 1e-4
        true = true - (true + lifted - apparent) / (1 + slope)
    return plain(true)


_NEWTON_STEPS = 5


def refraction_sigma_deg(
    apparent_altitude_deg: Numbers, pressure_hpa: float = 1010, temperature_c: float = 10
) -> Array:
    """Return how far the real refraction may be from `refraction_deg`, 1 sigma in degrees, same shape.

    At the horizon 0.16 degrees (Schaefer and Liller 1990, PASP 102, 796, from memory: sunsets observed), by
    layers of warm and cold air that no weather report tells of; their share falls off within a degree or two.
    High up 1 %: pressure and temperature are not quite as set. What lies between is a judgement.
    """
    apparent = floats(apparent_altitude_deg)
    refraction = refraction_deg(
        true_altitude_deg(apparent, pressure_hpa, temperature_c), pressure_hpa, temperature_c
    )
    return plain(np.abs(refraction) * (0.01 + 0.27 * np.exp(-np.maximum(apparent, 0.0))))


def air_mass(apparent_altitude_deg: Numbers) -> Array:
    """Return the air mass along the line of sight, 1 at the zenith, same shape.

    Kasten and Young 1989 (Applied Optics 28, 4735), from memory. Below the horizon: as at it.
    """
    altitude = np.maximum(floats(apparent_altitude_deg), 0.0)
    return plain(1 / (np.sin(altitude * _RAD_PER_DEG) + 0.50572 * (altitude + 6.07995) ** -1.6364))


def lifted(
    true_direction: Array, pressure_hpa: float, temperature_c: float, radius_deg: float = 0.0
) -> Array:
    """Return apparent for airless unit vectors (..., 3), east, north, up: lifted at the same azimuth.

    With a radius: the middle between the upper and the lower limb of a disc, each lifted by its own.
    """
    if pressure_hpa == 0:
        return true_direction
    level = np.hypot(true_direction[..., 0], true_direction[..., 1])
    altitude = np.arctan2(true_direction[..., 2], level)
    true_deg = altitude / _RAD_PER_DEG
    lift = refraction_deg(true_deg + radius_deg, pressure_hpa, temperature_c)
    if radius_deg:
        lift = (lift + refraction_deg(true_deg - radius_deg, pressure_hpa, temperature_c)) / 2
    seen = altitude + lift * _RAD_PER_DEG
    apparent = np.empty_like(true_direction)
    shrink = np.cos(seen) / np.maximum(level, 1e-12)
    apparent[..., 0] = true_direction[..., 0] * shrink
    apparent[..., 1] = true_direction[..., 1] * shrink
    apparent[..., 2] = np.sin(seen)
    return apparent


def disc_axes(
    apparent_altitude_deg: Numbers,
    pressure_hpa: float = 1010,
    temperature_c: float = 10,
) -> tuple[Array, Array]:
    """Return the disc's vertical and horizontal diameters over the airless diameter.

    The altitude is that of the refracted centre. Vertical: from limb to limb, each lifted by its own
    refraction. Horizontal: vertical circles converge upward, so that lifting narrows the disc by
    cos(apparent) / cos(true), some 0.03 % at any altitude.
    """
    apparent = floats(apparent_altitude_deg)
    true = floats(true_altitude_deg(apparent, pressure_hpa, temperature_c))
    top, bottom = (
        refraction_deg(true + limb_deg, pressure_hpa, temperature_c)
        for limb_deg in (MEAN_RADIUS_DEG, -MEAN_RADIUS_DEG)
    )
    vertical = 1 + (top - bottom) / (2 * MEAN_RADIUS_DEG)
    level = np.cos(true * _RAD_PER_DEG)
    # At the zenith both cosines vanish and the limit is the vertical's own.
    horizontal = np.where(level > 1e-3, np.cos(apparent * _RAD_PER_DEG) / np.maximum(level, 1e-3), vertical)
    return plain(vertical), plain(horizontal)


def flattening(
    apparent_altitude_deg: Numbers, pressure_hpa: float = 1010, temperature_c: float = 10
) -> Array:
    """Return the vertical over the horizontal diameter of the refracted disc: 1 is round, same shape."""
    vertical, horizontal = disc_axes(apparent_altitude_deg, pressure_hpa, temperature_c)
    return plain(vertical / horizontal)
