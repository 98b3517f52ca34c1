"""What stays the same while a session is judged (the scene), and what one frame says in it (a sight)."""

from math import asin, atan2, degrees, hypot, isfinite, log2, pi, sin, sqrt
from typing import NamedTuple

import numpy as np

from sentinel.chain.judge.lifecycle import Finding
from sentinel.core.records import MeasuredFrame, Severity
from sentinel.core.settings import Settings, Thresholds
from sentinel.core.times import DAY_S, format_utc, from_utc_s, utc_s
from sentinel.sky import Eclipse, Eclipses, HorizonLine, Sun

ARCSEC_RAD = pi / 648_000
# Mean new moon of 2000 January 6, 18:14 UTC, in days of POSIX time (Meeus ch. 49, from memory); the true one
# is within 14 h of the mean.
_NEW_MOON_DAY = 10_962.760
_LUNATION_DAYS = 29.530_589


class Glance(NamedTuple):
    """Where the sun stands at one moment."""

    direction: tuple[float, float, float]
    """Apparent unit vector: east, north, up."""
    altitude_deg: float
    azimuth_deg: float
    clear_deg: float
    """Altitude of the centre above the horizon line."""
    air_mass: float
    """Thickness of air in the line of sight, the zenith's being 1."""


def air_mass(altitude_deg: float) -> float:
    """Return the thickness of air at an apparent altitude (Kasten and Young 1989, from memory)."""
    altitude = max(altitude_deg, 0.0)
    return 1.0 / float(sin(altitude * pi / 180) + 0.50572 * (altitude + 6.07995) ** -1.6364)


class Scene:
    """The settings, the sun and the horizon line of one session; nothing here changes with the frames."""

    def __init__(self, settings: Settings, sun: Sun) -> None:
        self.settings = settings
        self.thresholds: Thresholds = settings.thresholds
        self.sun = sun
        self.interval_s = settings.camera.interval_s
        self.tracks = settings.mount.tracking != "none"
        azimuths = np.arange(10 * 360) / 10.0
        # Looked up, not interpolated: a frame's share of time is a tenth of a millisecond.
        self._line_deg = HorizonLine(settings.site.horizon).altitude_deg(azimuths).tolist()
        self._radius_arcsec: dict[int, float] = {}
        self._eclipse_days: dict[int, tuple[Eclipse, ...]] = {}
        self._moon: Eclipses | None = None
        self._hours: dict[int, list[tuple[float, float, float]]] = {}

    def glance(self, time_s: float) -> Glance:
        """Return where the sun stands.

        Between directions a minute apart, to 0.2" (the air bends it near the horizon): a lookup costs a few
        microseconds where `Sun.direction` costs twenty.
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
        return Glance((east, north, up), altitude, azimuth, clear, air_mass(altitude))

    def _hour(self, hour: int) -> list[tuple[float, float, float]]:
        directions = self.sun.direction(hour * 3600.0 + np.arange(61) * 60.0)
        table = [(row[0], row[1], row[2]) for row in directions.tolist()]
        if len(self._hours) > 64:
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

    def eclipse_finding(self, time_s: float) -> Finding | None:
        """Return the eclipse that is under way at a moment."""
        for eclipse in self._eclipses(int(time_s // DAY_S)):
            if eclipse.first_contact_s <= time_s <= eclipse.last_contact_s:
                detail = {
                    "covered_diameter_fraction": round(eclipse.covered_diameter, 3),
                    "covered_area_fraction": round(eclipse.obscuration, 3),
                    "greatest_utc": format_utc(from_utc_s(round(eclipse.maximum_s))),
                    "ends_utc": format_utc(from_utc_s(round(eclipse.last_contact_s))),
                }
                return Finding(severity=Severity.NOTE, onset_s=eclipse.first_contact_s, detail=detail)
        return None

    def _eclipses(self, day: int) -> tuple[Eclipse, ...]:
        known = self._eclipse_days.get(day)
        if known is None:
            known = ()
            age_days = (day + 0.5 - _NEW_MOON_DAY) % _LUNATION_DAYS
            if min(age_days, _LUNATION_DAYS - age_days) < 1.5:
                self._moon = self._moon or Eclipses(self.sun)
                known = self._moon.between(day * DAY_S, (day + 1) * DAY_S)
            if len(self._eclipse_days) > 64:
                self._eclipse_days.clear()
            self._eclipse_days[day] = known
        return known

    def sun_radius_rad(self, time_s: float) -> float:
        """Return the disc's angular radius, of the day's noon: it changes by 0.03 % a day."""
        day = int(time_s // DAY_S)
        if day not in self._radius_arcsec:
            if len(self._radius_arcsec) > 64:
                self._radius_arcsec.clear()
            self._radius_arcsec[day] = float(self.sun.angular_radius_arcsec((day + 0.5) * DAY_S))
        return self._radius_arcsec[day] * ARCSEC_RAD


class Sight(NamedTuple):
    """What one usable frame says, in plain numbers; None where it says nothing."""

    frame: str
    time_s: float
    found: bool
    x_px: float
    y_px: float
    radius_px: float
    in_frame: float
    covered: float
    """Share of the limb in the frame that is not seen as a clean edge."""
    edge_width_px: float | None
    brightness: float
    saturated: float
    exposure_stops: float | None
    """Light gathered: log2 of exposure time x ISO / aperture squared; None: unknown."""
    width_px: int
    height_px: int
    sun: Glance

    @property
    def trusted(self) -> bool:
        """Whether the disc's place can be believed to about a pixel."""
        return self.found and self.in_frame > 0 and self.covered < 0.7

    @property
    def whole(self) -> bool:
        """Whether the limb is seen all round, so that cloud and edges are out of the question."""
        return self.found and self.in_frame > 0.98 and self.covered < 0.05


def _finite(value: float, default: float = 0.0) -> float:
    return value if isfinite(value) else default


def exposure_stops(frame: MeasuredFrame) -> float | None:
    """Return log2 of the light gathered, whatever of it the file tells; None if it tells no exposure time."""
    if not (isfinite(frame.exposure_s) and frame.exposure_s > 0):
        return None
    stops = log2(frame.exposure_s)
    if isfinite(frame.iso) and frame.iso > 0:
        stops += log2(frame.iso) - log2(100.0)
    if isfinite(frame.aperture) and frame.aperture > 0:
        stops -= 2 * log2(frame.aperture)
    return stops


def side_width_px(frame: MeasuredFrame) -> float | None:
    """Return the edge width on the limb's sides, where neither dispersion nor the low air smears it.

    Round the limb the width goes like w + c cos 2a + s sin 2a. What the air adds it adds along the vertical,
    so the narrow sides are those left and right of it: w - sqrt(c^2 + s^2). Where the harmonic was not
    measured the mean stands for the sides.
    """
    disc = frame.disc
    width = disc.edge_width_px
    if not (disc.found and isfinite(width) and width > 0):
        return None
    harmonic = hypot(disc.edge_width_cos2_px, disc.edge_width_sin2_px)
    return max(width - harmonic, 0.25 * width) if isfinite(harmonic) else width


def sight_of(frame: MeasuredFrame, scene: Scene) -> Sight:
    """Return what a frame says; nothing in it is NaN."""
    disc, time_s = frame.disc, utc_s(frame.time_utc)
    placed = isfinite(disc.x_px) and isfinite(disc.y_px) and isfinite(disc.radius_px) and disc.radius_px > 0
    found = disc.found and placed
    in_frame = _finite(disc.limb_in_frame, 1.0) if found else 0.0
    seen = _finite(disc.limb_coverage, in_frame)
    return Sight(
        frame=frame.frame,
        time_s=time_s,
        found=found,
        x_px=disc.x_px if found else 0.0,
        y_px=disc.y_px if found else 0.0,
        radius_px=disc.radius_px if found else 0.0,
        in_frame=in_frame,
        covered=min(max(1.0 - seen / in_frame, 0.0), 1.0) if in_frame > 0 else 1.0,
        edge_width_px=side_width_px(frame) if found else None,
        brightness=_finite(disc.brightness),
        saturated=_finite(disc.saturated_fraction),
        exposure_stops=exposure_stops(frame),
        width_px=frame.width_px,
        height_px=frame.height_px,
        sun=scene.glance(time_s),
    )
