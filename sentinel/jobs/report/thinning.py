"""Long series -> as few points as a picture can show, without losing what stands out."""

import numpy as np

from sentinel.sky.arrays import Array, Bools, Indices


def thinned(x: Array, y: Array, columns: int) -> Indices:
    """Return which points to draw, in order: in each column the first, the lowest, the highest and the last.

    Whatever is drawn of these looks, at that width, like the whole: no peak and no dip is lost, which every
    n-th point would lose.

    `x`: ascending positions, (n,).
    `y`: values, (n,); those that are not finite are not drawn.
    `columns`: into how many columns of equal width the span of `x` is divided.
    Returns at most four a column.
    """
    kept = np.flatnonzero(np.isfinite(y) & np.isfinite(x))
    if kept.size <= 4 * columns:
        return kept
    left, right = x[kept[0]], x[kept[-1]]
    width = (right - left) / columns or 1.0
    column = np.minimum(((x[kept] - left) / width).astype(np.intp), columns - 1)
    first = np.flatnonzero(np.r_[True, column[1:] != column[:-1]])
    last = np.r_[first[1:], kept.size] - 1
    # Ordered by column, and within it by value: the ends of each column are its extremes.
    by_value = np.lexsort((y[kept], column))
    chosen = np.unique(np.concatenate([first, last, by_value[first], by_value[last]]))
    return np.asarray(kept[chosen], dtype=np.intp)


def pieces(at: Indices, parted: Bools) -> list[Indices]:
    """Return the points in pieces: `parted`, one shorter, says after which of them the next piece begins."""
    return np.split(at, np.flatnonzero(parted) + 1) if at.size else []


def strokes(x: Array, kept: Indices, drawn: Bools, longest: float) -> list[Indices]:
    """Cut the points to draw wherever the series itself has a hole.

    `x`: ascending positions of the whole series, (n,).
    `kept`: those to be drawn, as `thinned` returns them.
    `drawn`: which points of the series have a value, (n,).
    `longest`: neighbours with values that are farther apart than this have a hole between them.
    """
    having = np.flatnonzero(drawn)
    holes = np.zeros(len(x), dtype=np.intp)
    holes[having[1:]] = np.diff(x[having]) > longest
    piece = np.cumsum(holes)[kept]
    return pieces(kept, np.diff(piece) > 0)
