"""Smooth random fields: the same seed gives the same field wherever and however finely it is looked at."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

_NODES = 128  # the lattice repeats after this many nodes
_SERIES_NODES = 4096
_SPLINE_VARIANCE = (151 / 315) ** 2  # of a uniform cubic B-spline of unit white noise, averaged over the cell


@lru_cache(maxsize=64)
def _lattice(seed: int, octave: int) -> Field:
    lattice = np.random.default_rng((seed, octave)).standard_normal((_NODES, _NODES), dtype=np.float32)
    lattice.setflags(write=False)
    return lattice


def _taps(x: NDArray[np.float64]) -> tuple[NDArray[np.int64], tuple[NDArray[np.float64], ...]]:
    """Return the first of the four nodes that matter at `x`, and their uniform cubic B-spline weights."""
    cell = np.floor(x)
    t = x - cell
    weights = (
        (1 - t) ** 3 / 6,
        (3 * t**3 - 6 * t**2 + 4) / 6,
        (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6,
        t**3 / 6,
    )
    return cell.astype(np.int64) - 1, weights


def _spline_matrix(x: NDArray[np.float64]) -> tuple[NDArray[np.int64], Field]:
    """Return the nodes that matter on a grid and a dense (len(x), nodes) matrix of their weights."""
    first, weights = _taps(x)
    start = int(first.min())
    matrix = np.zeros((len(x), int(first.max()) + 4 - start), dtype=np.float32)
    rows = np.arange(len(x))
    for offset, weight in enumerate(weights):
        matrix[rows, first + offset - start] = weight
    return np.arange(start, start + matrix.shape[1]), matrix


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
        lattice = _lattice(seed, octave)
        columns, across = _spline_matrix(x / spacing)
        rows, down = _spline_matrix(y / spacing)
        nodes = lattice[np.ix_(rows % _NODES, columns % _NODES)]
        total += down @ (amplitude * (nodes @ across.T))
        variance += amplitude**2 * _SPLINE_VARIANCE
    return np.asarray(total / np.float32(np.sqrt(variance)), dtype=np.float32)


def smooth_series(
    x: NDArray[np.float64], *, scale: float, seed: int, octaves: int = 4
) -> NDArray[np.float64]:
    """Return a one-dimensional field like `smooth_field` along `x`, of zero mean and unit variance."""
    total = np.zeros(len(x))
    variance = 0.0
    for octave in range(octaves):
        amplitude = 0.6**octave
        lattice = np.random.default_rng((seed, octave)).standard_normal(_SERIES_NODES)
        first, weights = _taps(x * 2**octave / scale)
        for offset, weight in enumerate(weights):
            total += amplitude * weight * lattice[(first + offset) % _SERIES_NODES]
        variance += amplitude**2 * _SPLINE_VARIANCE**0.5
    return np.asarray(total / np.sqrt(variance))


def smooth_at(
    x: NDArray[np.float64], y: NDArray[np.float64], *, scale: float, seed: int, octaves: int = 4
) -> NDArray[np.float64]:
    """Return `smooth_field` at single points: `x` and `y` of one shape, which is also the result's."""
    total = np.zeros(x.shape)
    variance = 0.0
    for octave in range(octaves):
        amplitude, spacing = 0.6**octave, scale / 2**octave
        lattice = _lattice(seed, octave)
        column, across = _taps(x / spacing)
        row, down = _taps(y / spacing)
        for j, weight_down in enumerate(down):
            for i, weight_across in enumerate(across):
                node = lattice[(row + j) % _NODES, (column + i) % _NODES]
                total += amplitude * weight_down * weight_across * node
        variance += amplitude**2 * _SPLINE_VARIANCE
    return np.asarray(total / np.sqrt(variance))
