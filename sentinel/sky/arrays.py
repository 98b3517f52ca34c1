"""Names for what numpy takes and gives in this room."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.intp]
Numbers = ArrayLike
"""A number or anything that numpy makes an array of numbers of."""


def floats(values: Numbers) -> Array:
    """Return `values` as an array of floats; a single number becomes one without axes."""
    return np.asarray(values, dtype=np.float64)


def plain(values: Numbers) -> Array:
    """Return a numpy scalar for an array without axes, the array itself otherwise."""
    value: Array = floats(values)[()]
    return value
