"""What stays the same through a session: its settings, and the sun over its site, looked up quickly."""

from copy import copy
from math import asin, atan2, degrees, sqrt
from typing import NamedTuple

import numpy as np

from sentinel.core.angles import ARCSEC_RAD
from sentinel.core.settings import Settings, Thresholds
from sentinel.core.times import DAY_S
from sentinel.sky import Eclipses, HorizonLine, SolarEclipse, Sun
from sentinel.sky.refraction import air_mass

KNOWN_HOURS = 240
"""Hours of the sun's path that are remembered, ten kilobytes each: judging a session again needs them all."""


class SunPosition(NamedTuple):
    """Where the sun stands at one moment."""

    direction: tuple[float, float, float]
    """Apparent unit vector: east, north, up."""
    altitude_deg: float
    azimuth_deg: float
    clear_deg: float
    """Altitude of the centre above the horizon line."""
    air_mass: float
    """Along the line of sight, 1 at the zenith."""


class Context:
    """The settings, the sun and the horizon line of one session; nothing here changes with the frames."""

    def __init__(self, settings: Settings, sun: Sun) -> None:
        self.settings = settings
        self.thresholds: Thresholds = settings.thresholds
        self.sun = sun
        self.interval_s = settings.camera.interval_s
        self.tracks = settings.mount.tracking != "none"
        azimuths = np.arange(10 * 360) / 10.0
        # Looked up, not interpolated: a frame may cost a tenth of a millisecond.
        self._line_deg = HorizonLine(settings.site.horizon).altitude_deg(azimuths).tolist()
        self._radius_arcsec: dict[int, float] = {}
        self._eclipse_days: dict[int, tuple[SolarEclipse, ...]] = {}
        self._eclipses = Eclipses(sun)
        self._hours: dict[int, list[tuple[float, float, float]]] = {}

    def under(self, settings: Settings) -> "Context":
        """Return the same sky for other settings of the same site and camera."""
        other = copy(self)
        other.settings, other.thresholds = settings, settings.thresholds
        return other

    def sun_at(self, time_s: float) -> SunPosition:
        """Return where the sun stands.

        Interpolated between directions a minute apart, to 0.2" (near the horizon, where refraction changes
        fast): that costs a few microseconds, `Sun.direction` twenty.
        """
        hour = int(time_s // 3600)
        table = self._hours.get(hour)
        if table is None:
            table = self._hour(hour)
        since = (time_s - hour * 3600.0) / 60.0
        place = min(int(since), 59)
        share = since - place
        (e1, n1, u1), (e2, n2, u2) = table[place], table[place + 1]
        east, north, up = e1 + share * (e2 - e1), n1 + share * (n2 - n1), u1 + share * (u2 - u1)
        length = sqrt(east * east + north * north + up * up)
        east, north, up = east / length, north / length, up / length
        altitude = degrees(asin(max(-1.0, min(1.0, up))))
        azimuth = degrees(atan2(east, north)) % 360.0
        clear = altitude - self.horizon_deg(azimuth)
        return SunPosition((east, north, up), altitude, azimuth, clear, float(air_mass(altitude)))

    def _hour(self, hour: int) -> list[tuple[float, float, float]]:
        directions = self.sun.direction(hour * 3600.0 + np.arange(61) * 60.0)
        table = [(row[0], row[1], row[2]) for row in directions.tolist()]
        if len(self._hours) > KNOWN_HOURS:
            self._hours.clear()
        self._hours[hour] = table
        return table

    def horizon_deg(self, azimuth_deg: float) -> float:
        """Return the horizon line's altitude, to the tenth of a degree of azimuth."""
        return float(self._line_deg[int(azimuth_deg * 10) % 3600])

    @property
    def busy_s(self) -> float:
        """For how long after the disc was last pushed about somebody is taken to be at the camera."""
        return self.thresholds.visit_check_min * 60

    def eclipses_on(self, day: int) -> tuple[SolarEclipse, ...]:
        """Return the eclipses under way on a day, numbered from 1970-01-01 (UTC)."""
        known = self._eclipse_days.get(day)
        if known is None:
            known = self._eclipses.between(day * DAY_S, (day + 1) * DAY_S)
            if len(self._eclipse_days) > 64:
                self._eclipse_days.clear()
            self._eclipse_days[day] = known
        return known

    def sun_radius_rad(self, time_s: float) -> float:
        """Return the sun's angular radius at noon of the day: it changes by 0.03 % a day."""
        day = int(time_s // DAY_S)
        if day not in self._radius_arcsec:
            if len(self._radius_arcsec) > 64:
                self._radius_arcsec.clear()
            self._radius_arcsec[day] = float(self.sun.angular_radius_arcsec((day + 0.5) * DAY_S))
        return self._radius_arcsec[day] * ARCSEC_RAD
