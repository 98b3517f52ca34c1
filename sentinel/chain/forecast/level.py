"""Which way is up in the picture, by the camera's level sensor: it tells the roll from the opposite one.

A camera writes beside each picture which side of it was up (EXIF's Orientation, CIPA DC-008), to within half
a right angle and what its sensor needs before it changes its mind. On a mount set to the pole it rolls
against the vertical, so a session has it told more than once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.bins import Arc
from sentinel.chain.forecast.roll_prior import RollBand
from sentinel.sky.arrays import Array
from sentinel.sky.sun import altaz_deg

_UP = {1: -1j, 3: 1j, 6: -1 + 0j, 8: 1 + 0j}
"""Up in the stored picture, x + i y with y downward, by the tag; the others are of mirrored pictures."""
_STEEP_DEG = 55.0
"""Pointed higher, a level sensor hardly feels how the camera rolls, and may hold what it told before."""
_ALIKE = 0.95
"""A bin over which the tag changed tells no side."""
_STRAY = 0.1
"""So many bins at either end may be wrong: a gust, a hand on the camera."""
_TRUST = {"changes": 0.98, "one": 0.95, "top": 0.6}
"""How likely the tag is the sensor's: where it was another before, where it is always the same, and where
that is the top, as it is also with a camera that has no sensor or was told not to ask it."""


def up_in_picture(orientation: int | None) -> complex:
    """Return which way is up in the stored picture, x + i y with y downward, by its tag; 0: not told."""
    return _UP.get(orientation or 0, 0j)


@dataclass(frozen=True, slots=True)
class LevelSeen:
    """Which way was up in the discs' pictures, bin by bin, and how likely that was sensed."""

    told: NDArray[np.bool_]
    """(n,) of the arc's bins"""
    up: NDArray[np.complex128]
    """(k,) of those told"""
    trust: float

    @classmethod
    def of(cls, arc: Arc) -> "LevelSeen | None":
        """Return what the bins tell, None where they tell nothing."""
        told = np.abs(arc.up) > _ALIKE
        if not told.any():
            return None
        which = "changes" if len(arc.ups) > 1 else "top" if arc.ups == {_UP[1]} else "one"
        return cls(told, arc.up[told], _TRUST[which])

    def band(self, direction: Array, upward: Array) -> RollBand:
        """Return what it tells of the roll of m mounts.

        `direction`: of the sun, (n, 3), or (m, n, 3) where each mount has its own.
        `upward`: where its zenith lies on each mount before the camera's roll, (m, n, 2), of any length.
        """
        lower = altaz_deg(direction[..., self.told, :])[0] < _STEEP_DEG
        level = lower if lower.ndim == 1 else lower.all(axis=0)
        if not level.any():
            nothing = np.zeros(len(upward))
            return RollBand(nothing, nothing, nothing)
        turn = upward[:, self.told][:, level] @ np.array([1, 1j]) * self.up[level].conj()
        middle = np.angle((turn / np.abs(turn)).sum(axis=1))
        off = np.angle(turn * np.exp(-1j * middle)[:, None])
        low, high = np.quantile(off, [_STRAY, 1 - _STRAY], axis=1, method="nearest")
        return RollBand(middle + (low + high) / 2, (high - low) / 2, np.full(len(middle), self.trust))
