"""How wide the edge is, and in which direction it is wider."""

from dataclasses import dataclass, replace
from math import atan2, cos, exp, hypot, nan, sin

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.fit import LimbFit, against_rays
from sentinel.chain.measure.levels import Levels

Array = NDArray[np.float64]

GAUSSIAN_RISE = 2.5631
"""10-90 % width of a Gaussian's integral, in sigma."""
ALIKE = 0.04
"""Relative second harmonic below which one step from a round blur tells it well enough."""
UNTOLD = 1e-6
"""The same where too little of the limb told of it and it was held: a fit never finds so little."""
HALF_SECTOR_RAD = np.pi / 8
_MEAN_COS2 = 0.9
"""Mean of cos 2a over such a sector about its axis."""


@dataclass(frozen=True, slots=True)
class EdgeWidth:
    """10-90 % rise of the edge, px: mean + cos2 * cos(2a) + sin2 * sin(2a), a from +x to +y."""

    mean_px: float
    cos2_px: float = nan
    sin2_px: float = nan


def edge_width(levels: Levels, fit: LimbFit) -> EdgeWidth:
    """Measure the edge's width round the limb; its harmonic only where enough of the limb told of it."""
    width = GAUSSIAN_RISE * fit.state.sigma_px
    c, s = fit.state.unlike[2:]
    if hypot(c, s) < UNTOLD:
        return EdgeWidth(width)
    if hypot(c, s) < ALIKE:
        return EdgeWidth(width, width * c, width * s)
    axis = 0.5 * atan2(s, c)
    wide, narrow = (_width_about(levels, fit, axis + turn) for turn in (0.0, np.pi / 2))
    swing = (wide - narrow) / 2 / _MEAN_COS2
    return EdgeWidth((wide + narrow) / 2, swing * cos(2 * axis), swing * sin(2 * axis))


def _width_about(levels: Levels, fit: LimbFit, axis_rad: float) -> float:
    """Width of the edge on the two opposite stretches of limb about an axis."""
    away = (fit.angle - axis_rad + np.pi / 2) % np.pi - np.pi / 2
    state = replace(fit.state, unlike=(0.0,) * 4)
    angle = fit.angle[(np.abs(away) < HALF_SECTOR_RAD) & (fit.weight > 0.1)]
    if angle.size < 4:
        return nan
    for _ in range(4):
        look = against_rays(levels, replace(fit, state=state), angle)
        change = float(look.blur_right.sum() / look.blur_stiff.sum())
        state = replace(state, sigma_px=state.sigma_px * exp(min(max(change, -0.4), 0.4)))
    return GAUSSIAN_RISE * state.sigma_px
