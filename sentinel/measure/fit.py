"""The limb fitted to pixels: one profile for the whole limb, brightness and sky free on every ray.

What the whole limb shares (its shape, the blur, the strength of darkening) is found by Gauss-Newton steps
from which the four numbers of every ray have been eliminated.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sentinel.measure.levels import Levels
from sentinel.measure.limb import SHAPE_TERMS
from sentinel.measure.model import BLUR, FALL, GLOBAL, LOCAL, RIM, Columns, State, band, evaluate
from sentinel.measure.rays import Rays

Array = NDArray[np.float64]

SLOPE_SD = 0.1
"""Expected change of brightness and sky across the band, as a share of the brightness."""
INNER_ROUND = 0.7
"""Depth of the band, in reaches, where only the edge is asked after: moon or cable may stand behind it."""
MODEL_SHARE = 0.01
"""Share of the brightness by which the profile may be wrong."""
BLOCKS = 24
"""Stretches of the limb between which the scatter is taken."""
FULL_DISC = 1.2
"""First guess of the light just inside a saturated limb, full scale 1."""
CLOUDED = 0.12
"""Relative spread of brightness round the limb from which the law of darkening is held."""
HELD = 1e12
UNEVEN_SLOPE = 0.5
"""The same for every unit by which brightness varies between the rays."""
BRIGHTNESS_SD = 0.3
"""Expected difference between rays, as a share of the brightness. It counts only where a ray's own light
says next to nothing: in deep noise, and where all but the limb's foot is at full scale."""


@dataclass(frozen=True, slots=True)
class Priors:
    """Standard deviations of what is expected of the shared parameters before a pixel is seen."""

    oval_px: float
    egg_px: float
    log_sigma: float = 5.0
    fall: float = 0.15
    rim: float = 0.05

    def weights(self) -> Array:
        """Inverse variances in the order of the parameters."""
        sd = [np.inf] * 3 + [self.oval_px] * 2 + [self.egg_px] * 2
        return np.array([*sd, self.log_sigma, self.fall, self.rim]) ** -2.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted limb and what each ray says about it."""

    state: State
    rays: Rays
    brightness: Array
    """(n,): light of the disc in units of the profile, which is 1 at the disc's centre."""
    sky: Array
    """(n,)"""
    misfit: Array
    """(n,): root mean square residual in units of the noise."""
    offset_px: Array
    """(n,): how far each ray's own edge stands outside the fitted limb."""
    offset_sigma_px: Array
    weight: Array
    """(n,): 0 where a ray does not count."""
    noise: float
    """Root mean square residual, linear light."""
    blur_right: Array
    """(n,): how much each ray asks for more blur, in units of `blur_stiff`; their ratio is its change of
    the logarithm of the blur."""
    blur_stiff: Array
    residual: Array
    """(n, m): light less model; 0 where a sample does not count."""
    covariance: Array
    """(GLOBAL, GLOBAL): of the shared parameters, from the scatter between stretches of the limb."""

    def only(self, which: NDArray[np.bool_]) -> "Fit":
        """Return the same limb with some of the rays."""
        rays = self.rays
        return replace(
            self,
            rays=Rays(
                rays.angle[which], rays.x_px[which], rays.y_px[which], rays.light[which], rays.inside[which]
            ),
            brightness=self.brightness[which],
            sky=self.sky[which],
            misfit=self.misfit[which],
            offset_px=self.offset_px[which],
            offset_sigma_px=self.offset_sigma_px[which],
            weight=self.weight[which],
            blur_right=self.blur_right[which],
            blur_stiff=self.blur_stiff[which],
            residual=self.residual[which],
        )


@dataclass(frozen=True, slots=True)
class _Normal:
    """Normal equations of every ray, its own numbers projected out of the shared ones."""

    own_best: Array
    """(n, LOCAL): change of the rays' own numbers if nothing shared changes."""
    own_follow: Array
    """(n, LOCAL, GLOBAL): how they follow a change of what is shared."""
    rest: Array
    """(n, GLOBAL, GLOBAL)"""
    right: Array
    """(n, GLOBAL)"""

    def own_step(self, shared_step: Array) -> Array:
        """Return the change (n, LOCAL) of the rays' own numbers that goes with a shared step."""
        return self.own_best - self.own_follow @ shared_step


def _normal(columns: Columns, weight: Array, ridge: Array, excess: Array) -> _Normal:
    """Form every ray's normal equations; `ridge` holds its own numbers, which stand `excess` off."""
    every = columns.every
    square = np.matmul((every * weight[..., None]).transpose(0, 2, 1), every)
    own = square[:, :LOCAL, :LOCAL]
    own[:, range(LOCAL), range(LOCAL)] += ridge
    square[:, :LOCAL, -1] -= ridge * excess
    follow = np.linalg.solve(own, square[:, :LOCAL, LOCAL:])
    left = square[:, LOCAL:, LOCAL:] - np.matmul(square[:, :LOCAL, LOCAL:].transpose(0, 2, 1), follow)
    return _Normal(follow[:, :, -1], follow[:, :, :-1], left[:, :-1, :-1], left[:, :-1, -1])


def _first_guess(rays: Rays, state: State, weight: Array) -> Array:
    """Brightness and sky of every ray from the light well inside and well outside."""
    depth = (
        np.hypot(rays.x_px - state.limb.x_px, rays.y_px - state.limb.y_px)
        - state.limb.at(rays.angle)[:, None]
    )
    inner = weight * (depth < -1.5 * state.sigma_px - 1)
    outer = weight * (depth > 1.5 * state.sigma_px + 1)
    sky = (outer * rays.light).sum(1) / np.maximum(outer.sum(1), 1)
    disc = (inner * rays.light).sum(1) / np.maximum(inner.sum(1), 1)
    # No unsaturated pixel inside: the disc is brighter than full scale.
    full = (inner.sum(1) == 0) & (rays.inside.sum(1) > 0)
    disc[full] = FULL_DISC
    linear = np.zeros((rays.angle.size, LOCAL))
    linear[:, 0], linear[:, 1] = np.maximum(disc - sky, 0.0) / 0.5, sky
    return linear


@dataclass(frozen=True, slots=True)
class _Look:
    """What the rays say at one state of the model."""

    normal: _Normal
    own_step: Array
    misfit: Array
    allowed: Array
    """(n,): residual that is to be expected, in units of `noise`."""
    offset_px: Array
    offset_sigma_px: Array
    noise: float
    residual: Array


def _unevenness(bright: Array) -> float:
    """Robust relative spread of the rays' brightness, at most 1."""
    low, middle, high = np.quantile(bright, (0.25, 0.5, 0.75))
    return min(1.0, 0.741 * float(high - low) / max(float(middle), 1e-3))


def _look(  # noqa: PLR0917 - one model's parts
    rays: Rays, state: State, linear: Array, counts: Array, noise: float, expected: Array | None = None
) -> _Look:
    """Hold the rays against a state; `expected` is the brightness of rays known to show the limb."""
    bright = linear[:, 0]
    known = bright if expected is None else expected
    typical = max(float(np.median(known)), 1e-3)
    # Where brightness varies round the limb it will vary along the rays too.
    slope = (SLOPE_SD + UNEVEN_SLOPE * _unevenness(known)) * np.maximum(bright, typical)
    spread = np.stack([np.full_like(slope, BRIGHTNESS_SD * typical), 1e4 * slope, slope, slope], axis=1)
    columns = evaluate(rays, state, linear)
    normal = _normal(columns, counts, (noise / spread) ** 2, linear - [typical, 0.0, 0.0, 0.0])
    own = normal.own_best
    left = columns.residual - (columns.local @ own[..., None])[..., 0]
    per_ray = np.sqrt((counts * left**2).sum(1) / np.maximum(counts.sum(1) - LOCAL, 1))
    noise = float(np.median(per_ray)) + 1e-6
    # No profile is right to the last percent: a bright ray between dim ones may miss by more.
    allowed = np.hypot(1.0, MODEL_SHARE * (linear + own)[:, 0] / noise)
    stiff = normal.rest[:, 2, 2] + 1e-12
    return _Look(
        normal,
        own,
        per_ray / noise / allowed,
        allowed,
        normal.right[:, 2] / stiff,
        noise / np.sqrt(stiff),
        noise,
        counts * left,
    )


def _trust(look: _Look) -> Array:
    """Weight of every ray: falls where it fits badly or its edge stands off."""
    centred = look.offset_px - np.median(look.offset_px)
    scatter = 1.4826 * float(np.median(np.abs(centred))) + 0.02
    fits = 1.0 / (1.0 + (look.misfit / 2.5) ** 4)
    return np.asarray(fits / (1.0 + (look.offset_px / (4 * scatter)) ** 4) / look.allowed**2)


def _unsaturated(levels: Levels, rays: Rays) -> Array:
    return (rays.inside & (rays.light < levels.saturation)).astype(float)


def _far(state: State, other: State) -> bool:
    """Whether the band cast for one state does not serve the other."""
    a, b = state.limb, other.limb
    moved = abs(a.mean_px - b.mean_px) + np.hypot(a.x_px - b.x_px, a.y_px - b.y_px)
    return bool(moved > 1.0 or not 0.8 < state.sigma_px / other.sigma_px < 1.25)


def _stepped(state: State, step: Array) -> State:
    return State(
        state.limb.moved(step[:SHAPE_TERMS]),
        float(np.clip(state.sigma_px * np.exp(step[BLUR]), 0.3, 0.3 * state.limb.mean_px)),
        float(np.clip(state.fall + step[FALL], -0.4, 1.0)),
        float(np.clip(state.rim + step[RIM], -0.6, 1.5)),
    )


def _departure(state: State, start: State) -> Array:
    """Return the shared parameters as the priors see them."""
    blur = np.log(state.sigma_px / start.sigma_px)
    return np.array([0, 0, 0, *state.limb.oval, *state.limb.egg, blur, state.fall, state.rim])


def _bounded(step: Array, state: State) -> Array:
    """Keep a step within what the profile's slope can promise."""
    blur = 0.3 / max(abs(step[BLUR]), 1e-9)
    shift = 3 * state.sigma_px / max(float(np.abs(step[:3]).max()), 1e-9)
    return np.asarray(step * min(1.0, blur, shift))


def fit_limb(
    levels: Levels,
    start: State,
    angle: Array,
    priors: Priors,
    *,
    iterations: int = 10,
    enough_px: float = 2e-3,
) -> Fit:
    """Fit the limb on the rays in the directions `angle`, starting from `start`.

    Raises
    ------
    LinAlgError
        If there is no limb to be fitted.
    """
    state = cast_for = start
    rays = band(levels, state, angle)
    counts = _unsaturated(levels, rays)
    linear = _first_guess(rays, state, counts)
    own_prior = priors.weights()
    prior = own_prior.copy()
    noise = 0.02
    for _ in range(iterations):
        if _far(state, cast_for):
            rays, cast_for = band(levels, state, angle), state
            counts = _unsaturated(levels, rays)
        look = _look(rays, state, linear, counts, noise)
        noise, weight = look.noise, _trust(look)
        # Cloud darkens as it likes; the sun's own darkening cannot be read off there.
        prior[[FALL, RIM]] = HELD if _unevenness(linear[:, 0]) > CLOUDED else own_prior[[FALL, RIM]]
        total = (look.normal.rest * weight[:, None, None]).sum(0) / noise**2 + np.diag(prior)
        gradient = (look.normal.right * weight[:, None]).sum(0) / noise**2 - prior * _departure(state, start)
        step = _bounded(np.linalg.solve(total, gradient), state)
        linear = linear + look.normal.own_step(step)
        state = _stepped(state, step)
        if not np.isfinite(step).all() or state.limb.half_axes_px[1] < 3.0:
            raise np.linalg.LinAlgError("the limb ran away")
        if np.abs(step[:3]).max() < enough_px and abs(step[BLUR]) < enough_px:
            break
    covariance = _scatter(look.normal.right * weight[:, None] / noise**2, np.linalg.inv(total))
    return _fit(state, rays, linear, look, weight, covariance)


def _fit(  # noqa: PLR0917 - one model's parts
    state: State, rays: Rays, linear: Array, look: _Look, weight: Array, covariance: Array
) -> Fit:
    """Put a fit together."""
    rest, right = look.normal.rest, look.normal.right
    # Blur, with every ray's own edge free to stand where it likes.
    share = rest[:, 2, BLUR] / (rest[:, 2, 2] + 1e-12)
    return Fit(
        state=state,
        rays=rays,
        brightness=linear[:, 0],
        sky=linear[:, 1],
        misfit=look.misfit,
        offset_px=look.offset_px,
        offset_sigma_px=look.offset_sigma_px,
        weight=weight,
        noise=look.noise,
        blur_right=right[:, BLUR] - share * right[:, 2],
        blur_stiff=rest[:, BLUR, BLUR] - share * rest[:, 2, BLUR] + 1e-12,
        residual=look.residual,
        covariance=covariance,
    )


def look_round(levels: Levels, fit: Fit, angle: Array) -> Fit:
    """Hold a fitted limb against the rays in other directions: the same numbers, nothing shared refitted."""
    rays = band(levels, fit.state, angle, INNER_ROUND)
    counts = _unsaturated(levels, rays)
    linear = _first_guess(rays, fit.state, counts)
    look = _look(rays, fit.state, linear, counts, fit.noise, fit.brightness)
    found = _fit(fit.state, rays, linear + look.own_step, look, np.ones(angle.size), fit.covariance)
    # In units of the fitted limb's noise, not of that in directions where there may be no limb.
    louder = look.noise / fit.noise
    return replace(
        found,
        misfit=look.misfit * louder,
        offset_sigma_px=look.offset_sigma_px / louder,
        noise=fit.noise,
    )


def _scatter(score: Array, inverse: Array) -> Array:
    """Covariance from the scatter of the scores of neighbouring rays taken together."""
    blocks = np.array_split(score, min(BLOCKS, len(score)))
    sums = np.array([block.sum(0) for block in blocks])
    # The fitted parameters have taken their share of the scatter.
    lost = min(GLOBAL, len(blocks) // 2)
    return np.asarray(inverse @ (sums.T @ sums) @ inverse * (len(blocks) / (len(blocks) - lost)))
