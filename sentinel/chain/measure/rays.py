"""Pixels along rays across the limb: which ones, how far from the centre, how bright."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.levels import Levels

Array = NDArray[np.float64]
Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Rays:
    """Samples along rays, one row a ray; each is a whole pixel at its own place, nothing is resampled.

    Single precision serves for samples: their places are whole numbers counted from a pixel close to the
    centre, and no sum over them needs the seventh digit.
    """

    angle: Array
    """(n,): direction of each ray, from +x towards +y."""
    x_px: Samples
    """(n, m): right of the origin."""
    y_px: Samples
    """(n, m): below it."""
    origin_px: tuple[int, int]
    light: Samples
    """(n, m): linear, 0 to 1; 0 outside the frame."""
    inside: NDArray[np.bool_]
    """(n, m): in the frame."""


def cast(levels: Levels, x_px: float, y_px: float, angle: Array, along_px: Array) -> Rays:
    """Read the pixels nearest to the points `along_px` ((m,) or (n, m)) out in the directions `angle`."""
    ny, nx = levels.shape
    ox, oy = round(x_px), round(y_px)
    along = np.asarray(along_px, np.float32)
    x = np.rint(np.cos(angle).astype(np.float32)[:, None] * along + np.float32(x_px - ox))
    y = np.rint(np.sin(angle).astype(np.float32)[:, None] * along + np.float32(y_px - oy))
    column, row = x.astype(np.intp) + ox, y.astype(np.intp) + oy
    # Seen as unsigned, what is negative is large: one comparison for both sides.
    inside = (column.view(np.uintp) < nx) & (row.view(np.uintp) < ny)
    if inside.all():
        return Rays(angle, x, y, (ox, oy), levels.at(column, row), inside)
    outside = ~inside
    column[outside] = row[outside] = 0
    return Rays(angle, x, y, (ox, oy), levels.at(column, row) * inside, inside)


def directions(count: int) -> Array:
    """Return `count` evenly spaced directions, none of them along a pixel row or column."""
    return np.asarray((np.arange(count) + 0.37) * (2.0 * np.pi / count))
