"""Smooth random fields: the same seed gives the same field wherever and however finely it is looked at."""

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

_NODES = 128  # the lattice repeats after this many nodes; a power of two
_SPLINE_VARIANCE = (151 / 315) ** 2  # of a uniform cubic B-spline of unit white noise, averaged over the cell


def _spline_weights(x: NDArray[np.float64]) -> tuple[NDArray[np.int64], Field]:
    """Return the first node and a dense (len(x), nodes) matrix of uniform cubic B-spline weights."""
    cell = np.floor(x).astype(np.int64)
    t = x - cell
    first, last = int(cell.min()) - 1, int(cell.max()) + 2
    taps = ((1 - t) ** 3 / 6, (3 * t**3 - 6 * t**2 + 4) / 6, (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6, t**3 / 6)
    weights = np.zeros((len(x), last - first + 1), dtype=np.float32)
    rows = np.arange(len(x))
    for offset, tap in enumerate(taps):
        weights[rows, cell - 1 + offset - first] = tap
    return np.arange(first, last + 1), weights


def smooth_field(
    x: NDArray[np.float64], y: NDArray[np.float64], *, scale: float, seed: int, octaves: int = 4
) -> Field:
    """Return a fractal field of zero mean and unit variance on the grid of columns `x` and rows `y`.

    Cubic B-splines through white noise on a lattice of spacing `scale`, then scale/2 with 0.6 of the
    amplitude, and so on. Shape (len(y), len(x)).
    """
    total = np.zeros((len(y), len(x)), dtype=np.float32)
    variance = 0.0
    for octave in range(octaves):
        amplitude, spacing = 0.6**octave, scale / 2**octave
        lattice = np.random.default_rng((seed, octave)).standard_normal((_NODES, _NODES), dtype=np.float32)
        columns, across = _spline_weights(x / spacing)
        rows, down = _spline_weights(y / spacing)
        nodes = lattice[np.ix_(rows % _NODES, columns % _NODES)]
        total += down @ (amplitude * (nodes @ across.T))
        variance += amplitude**2 * _SPLINE_VARIANCE
    return np.asarray(total / np.float32(np.sqrt(variance)), dtype=np.float32)


def smooth_series(
    x: NDArray[np.float64], *, scale: float, seed: int, octaves: int = 4
) -> NDArray[np.float64]:
    """Return a one-dimensional `smooth_field` along `x`, of unit variance."""
    row = smooth_field(x, np.full(1, 0.37), scale=scale, seed=seed, octaves=octaves)[0]
    return np.asarray(row, dtype=float)
