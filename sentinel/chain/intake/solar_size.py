"""The sun's size on a date, for those who cannot wait for an ephemeris."""

from math import cos, radians

J2000_S = 946_728_000.0
"""2000-01-01 12:00 UTC, POSIX seconds."""
MEAN_RADIUS_ARCSEC = 959.63
"""At 1 au (Auwers): see `sky.SOLAR_RADIUS_KM`."""


_LEAST_AU, _MOST_AU = 0.98329, 1.01671
"""By the formula below."""
YEAR_ARCSEC = MEAN_RADIUS_ARCSEC / _MOST_AU, MEAN_RADIUS_ARCSEC / _LEAST_AU
"""The radius in July and in January."""


def solar_radius_arcsec(utc_s: float) -> float:
    """Return the sun's radius seen from the earth's centre, to a two-thousandth.

    The distance is the Astronomical Almanac's low-precision formula (page C5). A measuring process starts in
    a tenth of the time that the ephemeris takes to load.
    """
    anomaly = radians(357.528 + 0.9856003 * (utc_s - J2000_S) / 86_400)
    return MEAN_RADIUS_ARCSEC / (1.00014 - 0.01671 * cos(anomaly) - 0.00014 * cos(2 * anomaly))
