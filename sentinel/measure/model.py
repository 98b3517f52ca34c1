"""The model of the pixels about the limb, and how it answers to every number in it.

A pixel at the distance d outside the limb holds ``sky + brightness * E(d)`` with the blurred, limb-darkened
profile E of `edge`; brightness and sky belong to the ray and may slope along it. The whole limb shares its
shape, the blur and the strength of darkening.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.measure.edge import Profile, profile
from sentinel.measure.levels import Levels
from sentinel.measure.limb import SHAPE_TERMS, Limb, shape_columns
from sentinel.measure.rays import Rays, cast

Array = NDArray[np.float64]

LOCAL = 4
"""Free on every ray: brightness, sky, and the slope of each."""
BLUR, FALL, RIM = range(SHAPE_TERMS, SHAPE_TERMS + 3)
GLOBAL = SHAPE_TERMS + 3
INNER = 1.7
"""Depth of the band inside the limb, in reaches: enough to see the darkening."""
BESIDE_RAD = 1e-3
"""Over which the limb's turn is taken."""


@dataclass(frozen=True, slots=True)
class State:
    """Everything the whole limb shares."""

    limb: Limb
    sigma_px: float
    fall: float = 0.0
    """Limb darkening stronger (negative) or weaker than the law's, in units of 1 - mu."""
    rim: float = 0.0
    """Darkening of the last hundredths, in units of (1 - mu)^6."""


@dataclass(frozen=True, slots=True)
class Columns:
    """The derivatives of the model at every sample, and what it leaves."""

    every: Array
    """(n, m, LOCAL + GLOBAL + 1): own, shared, and light less model."""

    @property
    def local(self) -> Array:
        """(n, m, LOCAL)."""
        return self.every[..., :LOCAL]

    @property
    def residual(self) -> Array:
        """(n, m)."""
        return self.every[..., -1]


def reach_px(sigma_px: float) -> float:
    """Return how far from the limb the profile still changes."""
    return 4.0 * sigma_px + 4.0


def band(levels: Levels, state: State, angle: Array, inner_share: float = INNER) -> Rays:
    """Cast rays that cross the limb in the directions `angle`."""
    reach = reach_px(state.sigma_px)
    step = max(1.0, state.sigma_px / 2.5)
    inner = min(inner_share * reach, 0.6 * state.limb.mean_px)
    along = np.arange(-inner, reach + step / 2, step)
    return cast(levels, state.limb.x_px, state.limb.y_px, angle, state.limb.at(angle)[:, None] + along)


def _look_up(distance: Array, table: Profile, state: State) -> Array:
    """Return value, slope, and the changes with blur, fall and rim at every sample, (n, m, 5)."""
    mix = np.array([1.0, state.fall, state.rim])
    rows = np.column_stack(
        [table.value @ mix, table.slope @ mix, table.per_log_sigma @ mix, table.value[:, 1:]]
    )
    place = (distance - table.distance_px[0]) / (table.distance_px[1] - table.distance_px[0])
    place = np.clip(place, 0.0, len(rows) - 1.001)
    below = place.astype(np.intp)
    share = (place - below)[..., None]
    low = rows[below]
    return np.asarray(low + share * (rows[below + 1] - low))


def evaluate(rays: Rays, state: State, linear: Array) -> Columns:
    """Evaluate model and derivatives; `linear` (n, LOCAL) are the rays' own numbers so far."""
    limb = state.limb
    dx, dy = rays.x_px - limb.x_px, rays.y_px - limb.y_px
    radius = np.hypot(dx, dy)
    cos, sin = np.cos(rays.angle)[:, None], np.sin(rays.angle)[:, None]
    # A sample lies up to half a pixel beside its ray; the limb is straight over that.
    near = limb.at(np.stack([rays.angle - BESIDE_RAD, rays.angle, rays.angle + BESIDE_RAD]))
    turn = ((near[2] - near[0]) / (2 * BESIDE_RAD))[:, None]
    distance = radius - near[1][:, None] - turn * (dy * cos - dx * sin) / radius
    table = profile(limb.mean_px, state.sigma_px, float(-distance.min()), float(distance.max()))
    found = _look_up(distance, table, state)
    value, slope = found[..., 0], found[..., 1]
    along = distance / reach_px(state.sigma_px)
    bright = linear[:, 0, None] + linear[:, 2, None] * along
    outward = bright * -slope
    every = np.empty((*distance.shape, LOCAL + GLOBAL + 1))
    every[..., 0], every[..., 1], every[..., 2], every[..., 3] = value, 1.0, value * along, along
    shared = every[..., LOCAL:-1]
    shared[..., :SHAPE_TERMS] = shape_columns(rays.angle)[:, None, :] * outward[..., None]
    shared[..., 0], shared[..., 1] = dx / radius * outward, dy / radius * outward
    shared[..., SHAPE_TERMS:] = found[..., 2:] * bright[..., None]
    every[..., -1] = rays.light - (bright * value + linear[:, 1, None] + linear[:, 3, None] * along)
    return Columns(every)
