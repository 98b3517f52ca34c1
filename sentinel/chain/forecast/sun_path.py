"""The times ahead at which a forecast looks, the sun at each of them, and when it is up."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sentinel.core.settings import Settings
from sentinel.sky.arrays import Array, Bools
from sentinel.sky.horizon import HorizonLine
from sentinel.sky.sun import Sun

HORIZON_H = 48.0
"""How far ahead a forecast looks."""
_FINE_S = np.arange(0, 1200, 60.0)
_MIDDLE_S = np.arange(1200, 7200, 300.0)
_COARSE_S = np.arange(7200, 12 * 3600, 1200.0)
_FAR_S = np.arange(12 * 3600, HORIZON_H * 3600 + 1, 1800.0)
OFFSETS_S: Array = np.concatenate([_FINE_S, _MIDDLE_S, _COARSE_S, _FAR_S])
"""Times after now at which to look in any case: dense at first, where a stopped mount loses the sun."""
_TOUCHES_DEG = 1e-3


@dataclass(frozen=True, slots=True)
class SunUp:
    """Whether the sun is up at times after now, each rising and setting among them."""

    offsets_s: Array
    """(n,)"""
    up: Bools
    """(n,) at a rising or setting itself it counts as up."""
    climb_deg_s: Array
    """(n,) how fast the sun climbs as it rises; 1 where it does not rise."""

    def or_perhaps(self, up: Bools) -> "SunUp":
        """Return the same of a sun that may be up at other of the times too; it rises by the one before."""
        up = self.up | up
        return SunUp(self.offsets_s, up | np.append(up[1:], False), np.ones(len(up)))


def with_turns(
    offsets_s: Array, above_deg: Callable[[Array], Array], levels_deg: tuple[float, ...] = (0.0,)
) -> Array:
    """Return the times with each rising and setting of the sun over some levels put among them.

    There the air lifts the sun by a sun-width more than an hour later: a track between two times of an even
    grid would know nothing of it. `above_deg` gives the sun's height above the line at times after now.
    """
    levels = np.array(levels_deg)
    heights = above_deg(offsets_s) - levels[:, None]
    which, turns = np.nonzero((heights[:, 1:] > 0) != (heights[:, :-1] > 0))
    begin, end = offsets_s[turns], offsets_s[turns + 1]
    low, high = heights[which, turns], heights[which, turns + 1]
    when = begin + (end - begin) * low / np.where(low == high, 1.0, low - high)
    for _ in range(3 if len(turns) else 0):
        here, soon = above_deg(np.stack([when, when + 10.0])) - levels[which]
        rate = (soon - here) / 10.0
        when = np.clip(when - here / np.where(rate == 0, 1.0, rate), begin, end)
    return np.unique(np.concatenate([offsets_s, when]))


def sun_up(offsets_s: Array, heights_deg: Array) -> SunUp:
    """Return when the sun is up, from its heights (n,) at times that have each rising and setting in them."""
    up = heights_deg > -_TOUCHES_DEG
    climb = np.ones(len(up))
    rises = np.flatnonzero(up[1:] & ~up[:-1]) + 1
    rises = rises[rises + 1 < len(up)]
    seconds = offsets_s[rises + 1] - offsets_s[rises]
    climb[rises] = np.maximum((heights_deg[rises + 1] - heights_deg[rises]) / seconds, 1e-5)
    return SunUp(offsets_s, up, climb)


@dataclass(frozen=True, slots=True)
class SunPath:
    """The sun of the coming two days."""

    now_s: float
    offsets_s: Array
    """(n,) `OFFSETS_S` and each rising and setting, over the line and to well clear of it."""
    altitude_deg: Array
    azimuth_deg: Array
    line_deg: Array
    """Height of the horizon line under the sun."""
    radius_arcsec: Array
    day: SunUp
    clear: SunUp
    """The day of a sun that counts only while it is well clear of the line."""

    @property
    def times_s(self) -> Array:
        """The times as POSIX seconds."""
        return np.asarray(self.now_s + self.offsets_s)


def sun_path(settings: Settings, sun: Sun, now_s: float) -> SunPath:
    """Return the sun of the coming two days."""
    line = HorizonLine(settings.site.horizon)
    clear_deg = settings.thresholds.sun_clear_deg

    def above_deg(offsets_s: Array) -> Array:
        height, bearing = sun.altaz_deg(now_s + offsets_s)
        return np.asarray(height - line.altitude_deg(bearing))

    offsets = with_turns(OFFSETS_S, above_deg, (0.0, clear_deg))
    altitude, azimuth = sun.altaz_deg(now_s + offsets)
    line_deg = np.asarray(line.altitude_deg(azimuth))
    above = altitude - line_deg
    return SunPath(
        now_s, offsets, altitude, azimuth, line_deg,
        np.asarray(sun.angular_radius_arcsec(now_s + offsets)),
        sun_up(offsets, above), sun_up(offsets, above - clear_deg),
    )  # fmt: skip
