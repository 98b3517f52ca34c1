"""The moon over a site, and how much of the sun it covers."""

from dataclasses import dataclass
from functools import partial
from math import ceil, floor

import numpy as np

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, POSIX_JD
from sentinel.sky.arrays import Array, Numbers, floats, plain
from sentinel.sky.mount import separation_deg
from sentinel.sky.searching import Span, spans_above
from sentinel.sky.sun import Body, Sun

MOON_RADIUS_KM = 0.272_507_6 * 6378.137
"""The IAU's k = 0.2725076 (1982) times the Earth's equatorial radius."""

LOOK_EVERY_S = 600.0


def _moon_vectors_km(site: Site, utc_s: Array) -> Array:
    from sentinel.sky import ephemeris  # noqa: PLC0415 - as in `sentinel.sky.sun`

    return ephemeris.moon_vectors_km(site, utc_s)


class Moon(Body):
    """The moon, of the size of its mean limb."""

    def __init__(self, site: Site) -> None:
        super().__init__(site, partial(_moon_vectors_km, site), MOON_RADIUS_KM)


@dataclass(frozen=True, slots=True)
class SolarEclipse:
    """A solar eclipse as the site sees it, were there no horizon; times in POSIX seconds."""

    first_contact_s: float
    maximum_s: float
    last_contact_s: float
    covered_diameter: float
    """Fraction of the sun's diameter covered at the maximum, 0 to 1: the magnitude of a partial eclipse."""
    obscuration: float
    """Fraction of the sun's area covered at the maximum, 0 to 1."""
    central: tuple[float, float] | None
    """Second and third contact; None where it is neither total nor annular."""
    total: bool
    altitude_deg: float
    """Apparent altitude of the sun at the maximum: below 0 nobody sees it."""


class Eclipses:
    """How much of the sun the moon covers, seen from one site."""

    def __init__(self, sun: Sun) -> None:
        self._sun, self._moon = sun, Moon(sun.site)

    def _radii_and_separation(self, utc_s: Numbers) -> tuple[Array, Array, Array]:
        apart = separation_deg(self._sun.true_direction(utc_s), self._moon.true_direction(utc_s)) * 3600
        return self._sun.angular_radius_arcsec(utc_s), self._moon.angular_radius_arcsec(utc_s), apart

    def overlap_arcsec(self, utc_s: Numbers) -> Array:
        """Return by how much the two discs overlap along the line of centres; negative: the gap."""
        sun, moon, apart = self._radii_and_separation(utc_s)
        return plain(sun + moon - apart)

    def covered_diameter(self, utc_s: Numbers) -> Array:
        """Return the fraction of the sun's diameter that the moon covers, 0 to 1."""
        sun, moon, apart = self._radii_and_separation(utc_s)
        reach = np.minimum(sun + moon - apart, 2 * moon)
        return plain(np.clip(reach / (2 * sun), 0, 1))

    def obscuration(self, utc_s: Numbers) -> Array:
        """Return the fraction of the sun's area that the moon covers, 0 to 1."""
        sun, moon, apart = self._radii_and_separation(utc_s)
        return plain(_overlap_area(sun, moon, apart) / (np.pi * sun**2))

    def between(self, start_s: float, end_s: float) -> tuple[SolarEclipse, ...]:
        """Return the eclipses that are under way at any time between start and end."""
        return tuple(
            self._eclipse(*span)
            for begin_s, finish_s in _near_new_moons(start_s, end_s)
            for span in spans_above(self.overlap_arcsec, begin_s, finish_s, LOOK_EVERY_S)
            if span[1] >= start_s and span[0] <= end_s
        )

    def _eclipse(self, first_s: float, last_s: float) -> SolarEclipse:
        maximum_s = self._maximum_s(first_s, last_s)

        def inside(utc_s: Array) -> Array:
            sun, moon, apart = self._radii_and_separation(utc_s)
            return floats(np.abs(moon - sun) - apart)

        sun, moon, apart = (float(value) for value in self._radii_and_separation(maximum_s))
        central = None
        if apart < abs(moon - sun):
            begins = spans_above(inside, first_s, maximum_s, maximum_s - first_s)[-1][0]
            central = begins, spans_above(inside, maximum_s, last_s, last_s - maximum_s)[0][1]
        return SolarEclipse(
            first_contact_s=first_s,
            maximum_s=maximum_s,
            last_contact_s=last_s,
            covered_diameter=float(self.covered_diameter(maximum_s)),
            obscuration=float(self.obscuration(maximum_s)),
            central=central,
            total=central is not None and moon >= sun,
            altitude_deg=float(self._sun.altaz_deg(maximum_s)[0]),
        )

    def _maximum_s(self, low_s: float, high_s: float) -> float:
        while high_s - low_s > 0.05:
            times = np.linspace(low_s, high_s, 11)
            best = int(np.clip(np.argmax(self.overlap_arcsec(times)), 1, 9))
            low_s, high_s = float(times[best - 1]), float(times[best + 1])
        return (low_s + high_s) / 2


def _near_new_moons(start_s: float, end_s: float) -> list[Span]:
    """Return the days around each mean new moon in which an eclipse may be under way between two times.

    Mean new moons: Meeus, Astronomical Algorithms, eq. 49.1. The true one is within 15 h of the mean (the sum
    of the terms there), an eclipse at a place begins and ends within 4 h of it: half a day more is to spare.
    """
    near_s = 1.5 * DAY_S
    first = ceil((start_s - near_s - _NEW_MOON_S) / _LUNATION_S)
    last = floor((end_s + near_s - _NEW_MOON_S) / _LUNATION_S)
    middles = (_NEW_MOON_S + number * _LUNATION_S for number in range(first, last + 1))
    return [(middle - near_s, middle + near_s) for middle in middles]


_LUNATION_S = 29.530_588_861 * DAY_S
_NEW_MOON_S = (2_451_550.097_66 - POSIX_JD) * DAY_S
"""The mean new moon of January 2000, POSIX seconds; that dynamical time is a minute off is no matter here."""


def _overlap_area(first: Array, second: Array, apart: Array) -> Array:
    """Return the area common to two circles (radii and distance of centres in the same unit)."""
    first, second, apart = np.broadcast_arrays(first, second, apart)
    # Held between internal and external contact, the formula gives both limits by itself.
    apart = np.clip(apart, np.abs(first - second) + 1e-9, first + second)
    x = (apart**2 + first**2 - second**2) / (2 * apart)
    angle_first = np.arccos(np.clip(x / first, -1, 1))
    angle_second = np.arccos(np.clip((apart - x) / second, -1, 1))
    segments = first**2 * angle_first + second**2 * angle_second
    return floats(segments - apart * first * np.sin(angle_first))
