"""Medians and quantiles of a few hundred numbers, where numpy's take longer to be called than to count."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation."""


def median(values: NDArray[Any]) -> float:
    """Return the median; not a number if there is none."""
    ordered = np.sort(values, axis=None)
    n = ordered.size
    return 0.5 * (float(ordered[(n - 1) // 2]) + float(ordered[n // 2])) if n else float("nan")


def quantile(values: NDArray[Any], share: float) -> float:
    """Return the value below which `share` of the values lie, to the nearest of them."""
    ordered = np.sort(values, axis=None)
    return float(ordered[round(share * (ordered.size - 1))]) if ordered.size else float("nan")


def spread(values: NDArray[Any]) -> float:
    """Return the robust standard deviation about zero."""
    return MAD_TO_SIGMA * median(np.abs(values))
