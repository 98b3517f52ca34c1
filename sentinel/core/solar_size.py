"""The sun's size: the mean one, and on a date for those who cannot wait for an ephemeris."""

from math import cos, radians

J2000_S = 946_728_000.0
"""2000-01-01 12:00 UTC, POSIX seconds."""
MEAN_RADIUS_ARCSEC = 959.63
"""At 1 au (Auwers), the value of almanacs and eclipse work.

The limb's inflection point, which is what a camera sees, was measured at 959.86" to 960.12" (Meftah et al.
2014; Emilio et al. 2012): 0.02 to 0.05 % more. The IAU's nominal 695 700 km (2015 Resolution B3: 959.23") is
the photosphere's, not the limb's, radius and 0.04 % less.
"""
MEAN_RADIUS_DEG = MEAN_RADIUS_ARCSEC / 3600
SOLAR_RADIUS_KM = 695_990.0
"""The same, of the white-light limb."""

_LEAST_AU, _MOST_AU = 0.98329, 1.01671
"""By the formula below."""
YEAR_ARCSEC = MEAN_RADIUS_ARCSEC / _MOST_AU, MEAN_RADIUS_ARCSEC / _LEAST_AU
"""The radius in July and in January."""


def solar_radius_arcsec(utc_s: float) -> float:
    """Return the sun's radius seen from the earth's centre, to a two-thousandth.

    The distance is the Astronomical Almanac's low-precision formula (page C5).
    """
    anomaly = radians(357.528 + 0.9856003 * (utc_s - J2000_S) / 86_400)
    return MEAN_RADIUS_ARCSEC / (1.00014 - 0.01671 * cos(anomaly) - 0.00014 * cos(2 * anomaly))
