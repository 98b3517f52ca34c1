"""The curve by which sRGB holds light (IEC 61966-2-1), both ways; levels and light 0 to 1, of any shape."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

LIGHT_TOE, VALUE_TOE = 0.0031308, 0.04045
"""Below these the curve is a straight line."""


def srgb_encode(light: ArrayLike) -> NDArray[Any]:
    """Return the values of linear light; above full scale they go on along the curve."""
    level = np.asarray(light, dtype=float)
    curve = 1.055 * np.maximum(level, LIGHT_TOE) ** (1 / 2.4) - 0.055
    return np.where(level <= LIGHT_TOE, 12.92 * level, curve)


def srgb_decode(value: ArrayLike) -> NDArray[Any]:
    """Return the linear light of values."""
    level = np.asarray(value, dtype=float)
    curve = ((np.maximum(level, VALUE_TOE) + 0.055) / 1.055) ** 2.4
    return np.where(level <= VALUE_TOE, level / 12.92, curve)
