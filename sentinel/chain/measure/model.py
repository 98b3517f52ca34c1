"""The model of the pixels about the limb, and how it answers to every number in it.

A pixel at the distance d outside the limb holds ``sky + brightness * E(d)`` with the blurred, limb-darkened
profile E of `edge`; brightness and sky belong to the ray and may slope along it. The whole limb shares its
shape, the blur and the strength of darkening. On one ray the shape is one number, where the edge stands.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import exp, hypot, log

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.edge import Profile, profile
from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import SHAPE_TERMS, Limb, shape_columns
from sentinel.chain.measure.rays import Rays, Samples, cast

Array = NDArray[np.float64]

LOCAL = 4
"""Free on every ray: brightness, sky, and the slope of each."""
EDGE, RAY_BLUR, RAY_FALL, RAY_RIM = range(4)
"""What the whole limb decides, as a ray sees it."""
SEEN = 4
BLUR, FALL, RIM = range(SHAPE_TERMS, SHAPE_TERMS + 3)
UNLIKE = slice(RIM + 1, RIM + 5)
GLOBAL = UNLIKE.stop
INNER = 1.7
"""Depth of the band inside the limb, in reaches: enough to see the darkening."""
ALIKE = 0.02
"""Step of radius and blur between tabulated profiles; half of it leaves an error of 1e-5 of the light."""
SLACK = 1.4
"""How far a table goes beyond the band, which may have been cast for another blur and limb."""
BESIDE_RAD = 1e-3
"""Over which the limb's turn is taken."""
STRAIGHT_PX = 1e-4
"""Change of the limb beside a ray that need not be followed."""


@dataclass(frozen=True, slots=True)
class LimbState:
    """Everything the whole limb shares."""

    limb: Limb
    sigma_px: float
    fall: float = 0.0
    """Limb darkening stronger (negative) or weaker than the law's, in units of 1 - mu."""
    rim: float = 0.0
    """Darkening of the last hundredths, in units of (1 - mu)^6."""
    unlike: tuple[float, ...] = (0.0,) * 4
    """How the blur's logarithm differs round the limb: in terms of `blur_columns`."""

    @property
    def lean(self) -> float:
        """How much greater the blur's logarithm is to one side."""
        return hypot(*self.unlike[:2])


def blur_columns(angle: Array) -> Array:
    """Return once and twice round the limb, cosine and sine, (..., 4): dew to one side, a trail both ways."""
    return np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=-1)


def seen_by(angle: Array) -> Array:
    """Return how rays in the directions `angle` see what the whole limb shares, (n, SEEN, GLOBAL)."""
    columns = np.zeros((angle.size, SEEN, GLOBAL))
    columns[:, EDGE, :SHAPE_TERMS] = shape_columns(angle)
    columns[:, RAY_BLUR, BLUR] = columns[:, RAY_FALL, FALL] = columns[:, RAY_RIM, RIM] = 1.0
    columns[:, RAY_BLUR, UNLIKE] = blur_columns(angle)
    return columns


def reach_px(sigma_px: float) -> float:
    """Return how far from the limb the profile still changes."""
    return 4.0 * sigma_px + 4.0


def along_px(state: LimbState, inner_share: float) -> Array:
    """Return how far outside the limb the samples of a ray lie."""
    reach = reach_px(state.sigma_px)
    step = max(1.0, state.sigma_px / 2.5)
    inner = min(inner_share * reach, 0.6 * state.limb.mean_px)
    return np.arange(-inner, reach + step / 2, step)


def across(levels: Levels, state: LimbState, angle: Array, along_px: Array) -> Rays:
    """Cast rays across the limb in the directions `angle`."""
    return cast(levels, state.limb.x_px, state.limb.y_px, angle, state.limb.at(angle)[:, None] + along_px)


def distance_px(rays: Rays, limb: Limb) -> Samples:
    """Return how far every sample lies outside the limb, (n, m)."""
    dx = rays.x_px - np.float32(limb.x_px - rays.origin_px[0])
    dy = rays.y_px - np.float32(limb.y_px - rays.origin_px[1])
    radius = np.sqrt(dx * dx + dy * dy)
    distance = radius - limb.at(rays.angle).astype(np.float32)[:, None]
    # A sample lies up to half a pixel beside its ray; the limb is straight over that.
    if limb.steepest > 2 * STRAIGHT_PX:
        slope = (limb.at(rays.angle + BESIDE_RAD) - limb.at(rays.angle - BESIDE_RAD)) / (2 * BESIDE_RAD)
        given = (np.cos(rays.angle), np.sin(rays.angle), slope)
        cos, sin, turn = (np.asarray(v, np.float32)[:, None] for v in given)
        distance -= turn * (dy * cos - dx * sin) / radius
    return np.asarray(distance)


def _table(state: LimbState) -> Profile:
    return _tabulated(round(log(state.limb.mean_px) / ALIKE), round(log(state.sigma_px) / ALIKE))


@lru_cache(maxsize=64)
def _tabulated(radius_step: int, sigma_step: int) -> Profile:
    """Tabulate the profile for discs that differ by less than a hundredth; a session needs few of them."""
    radius_px, sigma_px = exp(radius_step * ALIKE), exp(sigma_step * ALIKE)
    reach = SLACK * reach_px(sigma_px)
    return profile(radius_px, sigma_px, INNER * reach, reach)


def evaluate(rays: Rays, state: LimbState, own: Array) -> Samples:
    """Evaluate the derivatives of the model at every sample, and what it leaves.

    `rays`: (n * k, m): `k` neighbouring rays share their own numbers.
    `own`: (n, LOCAL): those numbers so far.
    Returns (n, LOCAL + SEEN + 1, k * m): own, shared, and light less model.
    """
    n = len(own)
    distance = distance_px(rays, state.limb).reshape(n, -1)
    value, slope, blurred, fall, rim = _table(state).at(distance, state.sigma_px, state.fall, state.rim)
    if any(state.unlike):
        more = (blur_columns(rays.angle) @ state.unlike).reshape(n, -1)
        value += blurred * np.repeat(more, distance.shape[1] // more.shape[1], axis=1).astype(np.float32)
    along = distance * np.float32(1.0 / reach_px(state.sigma_px))
    bright, sky, brighter, clearer = (own[:, k, None].astype(np.float32) for k in range(LOCAL))
    light = bright + brighter * along
    every = np.empty((n, LOCAL + SEEN + 1, distance.shape[1]), np.float32)
    every[:, 0], every[:, 1], every[:, 3] = value, 1.0, along
    np.multiply(value, along, out=every[:, 2])
    np.multiply(light, -slope, out=every[:, LOCAL + EDGE])
    np.multiply(light, blurred, out=every[:, LOCAL + RAY_BLUR])
    np.multiply(light, fall, out=every[:, LOCAL + RAY_FALL])
    np.multiply(light, rim, out=every[:, LOCAL + RAY_RIM])
    np.subtract(rays.light.reshape(n, -1), light * value + sky + clearer * along, out=every[:, -1])
    return every
