"""A straight line through measurements, and how far two of them go together: with sigmas that do not flatter.

What is measured every minute wanders for longer than a minute: a hundred values then tell no more than ten
that know nothing of each other. How many there are worth is taken from the values themselves.
"""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np

from sentinel.sky.arrays import Array

FEWEST = 4
"""Values; two make a line and tell nothing of how well it is known."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A line through values; NaN: there are too few, or all at one place."""

    slope: float
    sigma: float
    """1-sigma of the slope."""
    scatter: float
    """Root mean square of what the line leaves."""


def trend_of(at: Array, values: Array, weight: Array | None = None) -> Trend:
    """Return the line through values (n,) at places (n,), in an order in which neighbours may be alike."""
    weight = np.ones(len(values)) if weight is None else weight
    if len(values) < FEWEST or not np.ptp(at) > 0:
        return Trend(nan, nan, nan)
    total = weight.sum()
    off_at, off = at - (weight * at).sum() / total, values - (weight * values).sum() / total
    spread = (weight * off_at**2).sum()
    slope = float((weight * off_at * off).sum() / spread)
    rest = off - slope * off_at
    freedom = max(len(values) / alike(rest) - 2, 1.0) / len(values)
    scatter2 = float((weight * rest**2).sum() / total)
    # As many independent values as there are worth, spread along the line as all of them are.
    sigma = sqrt(scatter2 / freedom / len(values) * total / spread)
    return Trend(slope, sigma, sqrt(scatter2))


def correlation_of(one: Array, other: Array) -> tuple[float, float]:
    """Return the correlation of two series (n,), and its 1-sigma were there none; NaN: they tell nothing."""
    if len(one) < FEWEST or not (one.std() > 0 and other.std() > 0):
        return nan, nan
    share = float(np.corrcoef(one, other)[0, 1])
    # Bartlett 1935: two series deceive only in so far as both wander.
    worth = len(one) / max(1.0, 1 + 2 * float((_alikeness(one) * _alikeness(other)).sum()))
    return share, 1 / sqrt(max(worth - 1, 1.0))


def alike(values: Array) -> float:
    """Return how many neighbouring values tell no more than one: the sum over the autocorrelation."""
    return 1 + 2 * float(_alikeness(values).sum())


def _alikeness(values: Array) -> Array:
    """Return the autocorrelation from the first lag on, up to where it is lost in noise; 0 from there."""
    off = values - values.mean()
    lags = len(values) // 2
    power = float(off @ off)
    if power == 0 or lags < 1:
        return np.zeros(max(lags, 1))
    share = np.array([float(off[:-lag] @ off[lag:]) for lag in range(1, lags + 1)]) / power
    lost = np.flatnonzero(share < 2 / sqrt(len(values)))
    share[lost[0] if lost.size else lags :] = 0
    return share
