"""Whether the disc went where it was foreseen to go: the doubt that no model has of itself.

What the mount may do is in the model: rates, an axis, flexure, changes. What none of it foresees - a drive
whose rate itself changes, settings that are wrong in a way not thought of, a tripod that sinks ever faster -
shows in forecasts that did not come true. They are kept for some hours and held against the discs that came.
"""

from collections import deque
from typing import NamedTuple

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.ensemble import evenly
from sentinel.core.foreseen import PathPoint
from sentinel.core.times import utc_s
from sentinel.sky.arrays import Array

KEPT_EVERY_S = 600.0
LEAST_LEAD_S = 1800.0
"""A forecast that is younger has foreseen little."""
MOST_LEAD_S = 4 * 3600.0
FEWEST = 3
"""So many forecasts must have been put to the proof."""
UNREST_ARCSEC = 15.0
"""So far wind, seeing and a periodic error move a disc: errors of this size foretell nothing."""
USUAL = 1.2
"""Errors over spread that ordinary mounts show: median 0.6, at most 1.3 over eighteen sessions."""


class Misses(NamedTuple):
    """How wrong a forecast may be, by those before it."""

    widening: float
    """How many times as wide as the model has it its spread has to be, 1 or more."""
    bend_px_s2: tuple[float, float]
    """How the track bends away from what is foreseen: so much times the square of the time ahead, x and y."""

    def applied(self, tracks_px: Array, offsets_s: Array) -> Array:
        """Return tracks (2, n, draws) with the doubt in them; one draw bends away not at all, one doubly."""
        if self.widening == 1.0:
            return tracks_px
        middle = np.median(tracks_px, axis=2, keepdims=True)
        shares = 2 * evenly(tracks_px.shape[2])
        away = np.multiply.outer(np.array(self.bend_px_s2), np.outer(offsets_s**2, shares))
        return np.asarray(middle + self.widening * (tracks_px - middle) + away)


NO_MISSES = Misses(1.0, (0.0, 0.0))


class _Kept(NamedTuple):
    made_s: float
    rows: Array
    """(n, 4): time, x, y, spread."""


class PastForecasts:
    """The forecasts of the last hours of one part of the track."""

    def __init__(self) -> None:
        self._kept: deque[_Kept] = deque(maxlen=int(MOST_LEAD_S / KEPT_EVERY_S) + 1)
        self.error_ratio = 0.0
        """Root mean square of how far the last disc was from where they had it, over the spread they gave.

        In units of what is usual: above 1 something is at work that is not foreseen.
        """
        self.bend_px_s2 = (0.0, 0.0)

    def keep(self, made_s: float, path: tuple[PathPoint, ...]) -> None:
        """Keep what is foreseen now."""
        if not self._kept or made_s - self._kept[-1].made_s >= KEPT_EVERY_S:
            points = [(utc_s(p.time_utc), p.x_px, p.y_px, p.sigma_px) for p in path]
            self._kept.append(_Kept(made_s, np.array(points)))

    def prove(self, disc: TrackedDisc, scale_arcsec_px: float, jitter_arcsec: float) -> None:
        """Hold what was foreseen against a disc that came, which jitters from frame to frame."""
        unrest_px = float(np.hypot(UNREST_ARCSEC, jitter_arcsec)) / scale_arcsec_px
        leads, off, squares = [], [], []
        for kept in self._kept:
            lead_s = disc.utc_s - kept.made_s
            times = kept.rows[:, 0]
            if LEAST_LEAD_S <= lead_s <= MOST_LEAD_S and disc.utc_s <= times[-1]:
                x, y, spread = (np.interp(disc.utc_s, times, column) for column in kept.rows.T[1:])
                leads.append(lead_s)
                off.append((disc.x_px - x, disc.y_px - y))
                variance = spread**2 + disc.sigma_px**2 + unrest_px**2
                squares.append((off[-1][0] ** 2 + off[-1][1] ** 2) / variance)
        if len(squares) < FEWEST:
            self.error_ratio, self.bend_px_s2 = 0.0, (0.0, 0.0)
            return
        # Few forecasts of one hour err together, and may err far by chance.
        usual = USUAL * (1 + 1 / len(squares))
        self.error_ratio = float(np.sqrt(np.mean(squares))) / usual
        bend = np.array(off).T @ np.array(leads) ** 2 / np.sum(np.array(leads) ** 4)
        self.bend_px_s2 = (float(bend[0]), float(bend[1]))

    @property
    def misses(self) -> "Misses":
        """How wrong the next forecasts may be by how wrong the last ones were."""
        if self.error_ratio <= 1.0:
            return NO_MISSES
        share = 1 - 1 / self.error_ratio
        bend = share * self.bend_px_s2[0], share * self.bend_px_s2[1]
        return Misses(self.error_ratio, bend)
