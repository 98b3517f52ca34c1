"""How bright the disc is, how much of it is full, and what the frame holds where there is none."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.levels import Levels, ceiling_of
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.order import quantiles

_ROWS = 64
_SAMPLED = 300
"""Rows and columns about, on which a frame's ceiling is looked for."""


@dataclass(frozen=True, slots=True)
class RegionLight:
    """Brightness of a region."""

    median: float
    """Median linear level, 0 to 1 of full scale."""
    saturated: float
    """Fraction of pixels at full scale."""
    high: float
    """Level that a tenth of the pixels are above."""


def _summary(levels: Levels, light: np.ndarray[tuple[int, ...], np.dtype[np.float32]]) -> RegionLight:
    if not light.size:
        return RegionLight(float("nan"), float("nan"), float("nan"))
    middle, high = quantiles(light, (0.5, 0.9))
    return RegionLight(middle, float(np.mean(light >= levels.full)), high)


def with_ceiling(values: NDArray[np.uint8], like: Levels) -> Levels:
    """Return other values of the same frame as levels, their ceiling found."""
    step = max(1, max(values.shape) // _SAMPLED)
    ceiling = ceiling_of(values[::step, ::step], like.full_scale, rings=True)
    return Levels(values, like.transfer, like.full_scale, ceiling)


def of_disc(levels: Levels, limb: Limb) -> RegionLight:
    """Light of the part of the disc that lies in the frame, on a regular grid of its pixels."""
    ny, nx = levels.shape
    long_px, short_px = limb.half_axes_px
    step = max(1, int(2 * long_px / _ROWS))
    x = np.arange(max(0, int(limb.x_px - long_px)), min(nx, int(limb.x_px + long_px) + 1), step)
    y = np.arange(max(0, int(limb.y_px - long_px)), min(ny, int(limb.y_px + long_px) + 1), step)
    dx, dy = x[None, :] - limb.x_px, y[:, None] - limb.y_px
    cos, sin = np.cos(limb.long_axis_rad), np.sin(limb.long_axis_rad)
    along, across = (dx * cos + dy * sin) / (long_px - 1.0), (dy * cos - dx * sin) / (short_px - 1.0)
    row, column = np.nonzero(along * along + across * across < 1.0)
    return _summary(levels, levels.at(x[column], y[row]))


def of_frame(levels: Levels) -> RegionLight:
    """Light of the whole frame, on a regular grid of its pixels."""
    ny, nx = levels.shape
    step = max(1, int(max(ny, nx) / 300))
    return _summary(levels, levels.linear(levels.values[step // 2 :: step, step // 2 :: step]).ravel())
