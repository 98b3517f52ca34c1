"""What is known of the camera's roll before its track is seen."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from sentinel.chain.forecast.geometry import Indices
from sentinel.sky.arrays import Array

BAND_EDGE_RAD, BAND_SOFT_RAD = np.radians(62.0), np.radians(4.0)
"""So far from upright a level sensor takes the next side for the upper one; some sooner, some later."""


@dataclass(frozen=True, slots=True)
class RollBand:
    """What a level sensor tells of the rolls of m mounts: near them lie the sides that it said were up."""

    middle_rad: Array
    """(m,) between the first and the last roll at which a side that it told would have been straight up,"""
    half_width_rad: Array
    """and how far either is from there."""
    trust: Array
    """(m,) how likely it is the sensor that speaks"""

    def taken(self, which: Indices) -> "RollBand":
        """Return that of some of the mounts."""
        return RollBand(self.middle_rad[which], self.half_width_rad[which], self.trust[which])

    def log(self, roll_rad: Array) -> Array:
        """Return the log of how likely what it told is, at rolls (..., m, g)."""
        turned = np.abs((roll_rad - self.middle_rad[:, None] + np.pi) % (2 * np.pi) - np.pi)
        farthest = turned + self.half_width_rad[:, None]
        near = 1 / (1 + np.exp((farthest - BAND_EDGE_RAD) / BAND_SOFT_RAD))
        return np.asarray(np.log1p(self.trust[:, None] * (near - 1)))


@dataclass(frozen=True)
class RollPrior:
    """What is known of the camera's roll before the track: peaks (von Mises) on an even floor.

    Arrays (k, m) of k peaks for m mounts; m is 1 where it is the same for all.
    """

    share: Array
    """Of each peak; what is left to one is the floor's."""
    turn_rad: Array
    sharpness: Array
    band: RollBand | None = None
    """What the camera's level sensor tells."""

    def taken(self, which: Indices) -> "RollPrior":
        """Return that of some of the mounts."""
        band = None if self.band is None else self.band.taken(which)
        if self.share.shape[1] == 1:
            return replace(self, band=band)
        return RollPrior(self.share[:, which], self.turn_rad[:, which], self.sharpness[:, which], band)

    def log(self, roll_rad: Array) -> Array:
        """Return the log density of rolls (..., m, g)."""
        anywhere = np.maximum(1.0 - self.share.sum(axis=0), 1e-4)[:, None] / (2 * np.pi)
        density = anywhere + np.zeros_like(roll_rad)
        peak = np.empty_like(density)
        for height, turn, sharpness in zip(self._heights, self.turn_rad, self.sharpness, strict=True):
            # In one buffer: this is asked for so often that its arrays cost more than its numbers.
            np.cos(np.subtract(roll_rad, turn[:, None], out=peak), out=peak)
            peak -= 1
            peak *= sharpness[:, None]
            np.exp(peak, out=peak)
            peak *= height[:, None]
            density += peak
        log = np.asarray(np.log(density, out=density))
        return log if self.band is None else log + self.band.log(roll_rad)

    @cached_property
    def _heights(self) -> Array:
        """The density at each peak: asked for with every grid of rolls, and the same each time."""
        return np.asarray(self.share / (2 * np.pi * _bessel_i0_scaled(self.sharpness)))


def _bessel_i0_scaled(x: Array) -> Array:
    """Return exp(-x) I0(x), beyond 300 to a part in 1e8 by the series for large x (DLMF 10.40.1)."""
    near, far = np.minimum(x, 300.0), np.maximum(x, 300.0)
    series = (1 + 1 / (8 * far) + 9 / (128 * far**2)) / np.sqrt(2 * np.pi * far)
    return np.where(x < far, np.i0(near) * np.exp(-near), series)


USUAL_ROLLS = RollPrior(
    np.array([[0.42], [0.08], [0.12], [0.08]]),
    np.array([[0.0], [0.5], [1.0], [-0.5]]) * np.pi,
    np.full((4, 1), 6.0),
)
"""A track alone hardly tells a roll from the opposite one with the opposite axis error: to first order they
draw the same line, and only refraction and the sun's own motion part them. So what is usual counts, weakly:
cameras stand level or on their side, seldom upside down, and anything is possible."""
