"""Pixels along rays across the limb: which ones, how far from the centre, how bright."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.measure.levels import Levels

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rays:
    """Samples along rays, one row a ray; each is a whole pixel at its own place, nothing is resampled."""

    angle: Array
    """(n,): direction of each ray, from +x towards +y."""
    x_px: Array
    """(n, m)."""
    y_px: Array
    light: Array
    """(n, m): linear, 0 to 1; 0 outside the frame."""
    inside: NDArray[np.bool_]
    """(n, m): in the frame."""


def cast(levels: Levels, x_px: float, y_px: float, angle: Array, along_px: Array) -> Rays:
    """Read the pixels nearest to the points `along_px` ((m,) or (n, m)) out in the directions `angle`."""
    ny, nx = levels.shape
    along = np.broadcast_to(along_px, (angle.size, np.shape(along_px)[-1]))
    x = np.rint(x_px + np.cos(angle)[:, None] * along).astype(np.intp)
    y = np.rint(y_px + np.sin(angle)[:, None] * along).astype(np.intp)
    inside = (x >= 0) & (x < nx) & (y >= 0) & (y < ny)
    light = levels.at(np.clip(x, 0, nx - 1), np.clip(y, 0, ny - 1)).astype(float)
    light[~inside] = 0.0
    return Rays(angle, x.astype(float), y.astype(float), light, inside)


def directions(count: int) -> Array:
    """Return `count` evenly spaced directions, none of them along a pixel row or column."""
    return np.asarray((np.arange(count) + 0.37) * (2.0 * np.pi / count))
