"""Medians and quantiles of a few hundred numbers, where numpy's take longer to be called than to count."""

from collections.abc import Iterable
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


def quantiles(values: NDArray[Any], shares: Iterable[float]) -> list[float]:
    """Return the values below which the shares of all lie, to the nearest of them."""
    ordered = np.sort(values, axis=None)
    last = ordered.size - 1
    return [float(ordered[round(share * last)]) if last >= 0 else float("nan") for share in shares]


def quantile(values: NDArray[Any], share: float) -> float:
    """Return the value below which `share` of the values lie, to the nearest of them."""
    return quantiles(values, (share,))[0]


def spread(values: NDArray[Any]) -> float:
    """Return the robust standard deviation about zero."""
    return MAD_TO_SIGMA * median(np.abs(values))
