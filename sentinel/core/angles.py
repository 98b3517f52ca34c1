"""Angles: seconds of arc and radians, and whole turns taken off, in one way for all rooms."""

from math import pi
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

ARCSEC_RAD = pi / 648_000
"""A second of arc."""
ARCSEC_PER_RAD = 648_000 / pi

Angle = TypeVar("Angle", float, NDArray[np.float64])


def half_turn_deg(angle_deg: Angle) -> Angle:
    """Return angles brought into -180 (inclusive) to 180."""
    return (angle_deg + 180) % 360 - 180
