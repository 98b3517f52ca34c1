"""The limb fitted to pixels: one profile for the whole limb, brightness and sky free on every ray.

What the whole limb shares (its shape, the blur, the strength of darkening) is found by Gauss-Newton steps
from which the four numbers of every ray have been eliminated. Where many rays are cast, neighbours share
these numbers and count as one.
"""

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.leftover import askew_px, together
from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import SHAPE_TERMS
from sentinel.chain.measure.model import (
    BLUR,
    EDGE,
    FALL,
    INNER,
    LOCAL,
    RAY_BLUR,
    RIM,
    UNLIKE,
    LimbState,
    across,
    along_px,
    distance_px,
    evaluate,
    seen_by,
)
from sentinel.chain.measure.moon import before_the_moon
from sentinel.chain.measure.normal import Normal, covariance_of, normal_equations
from sentinel.chain.measure.order import median, quantile, quantiles, spread
from sentinel.chain.measure.priors import HELD_SD, Priors
from sentinel.chain.measure.rays import Rays, Samples

Array = NDArray[np.float64]

SLOPE_SD = 0.1
"""Expected change of brightness and sky across the band, as a share of the brightness."""
INNER_ROUND = 0.7
"""Depth of the band, in reaches, where only the edge is asked after: moon or cable may stand behind it."""
MODEL_SHARE = 0.01
"""Share of the brightness by which the profile may be wrong."""
FULL_DISC = 1.2
"""First guess of the light just inside a saturated limb, full scale 1."""
CLOUDED = 0.12
"""Relative spread of brightness round the limb from which the law of darkening is held."""
WAVY, WAVY_PX = 3.0, 0.4
"""Spread of the rays' own edges over their noise, and in itself, from which the limb is wavy."""
LOPSIDED, BY_RAY = 0.1, 0.45
"""Mean of the rays' directions from which they are those of an arc; what their own variance weighs there."""
STRETCHES = 10
"""Stretches of a clouded limb that err each in its own way."""
MOST_UNLIKE = 0.7
"""The profile follows no more of it."""
SHAKEN = 0.0015
"""Structure from which it is asked whether the picture was shaken: a clear, still sun leaves less."""
UNEVEN_SLOPE = 0.5
"""The same for every unit by which brightness varies between the rays."""
BRIGHTNESS_SD = 0.3
"""Expected difference between rays, as a share of the brightness. It counts only where a ray's own light
says next to nothing: in deep noise, and where all but the limb's foot is at full scale."""


@dataclass(frozen=True, slots=True)
class LimbFit:
    """A fitted limb and what each ray, or bundle of rays, says about it."""

    state: LimbState
    angle: Array
    """(n,)"""
    bundle: int
    """Rays taken together."""
    own: Array
    """(n, LOCAL)"""
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
    together: float
    """Correlation of neighbouring residuals along the rays: 0 for noise, 1 for what the model leaves out."""
    covariance: Array
    """(GLOBAL, GLOBAL): of the shared parameters, from the scatter between stretches of the limb."""
    leverage: float
    """Variance that errors of its edges give the centre, over that on a whole, evenly lit limb."""
    oval_told: float
    """Share of the oval that the limb decides; the rest is held round."""
    askew_px: float = 0.0
    """How far the middle of what spread the light may lie from the centre; 0 where little is left over."""

    @property
    def brightness(self) -> Array:
        """(n,): light of the disc in units of the profile, which is 1 at the disc's centre."""
        return self.own[:, 0]

    @property
    def structure(self) -> float:
        """What the profile leaves unexplained that is no noise, over the disc's brightness."""
        return self.noise * sqrt(max(self.together, 0.0)) / self.typical

    @property
    def typical(self) -> float:
        """Brightness of the disc where most of it is seen."""
        return max(quantile(self.brightness, 0.7), 1e-9)

    @property
    def sky(self) -> Array:
        """(n,)."""
        return self.own[:, 1]


@dataclass(frozen=True, slots=True)
class _Cast:
    """Rays cast for a state, and what serves every state near it."""

    rays: Rays
    state: LimbState
    counts: NDArray[np.bool_]
    """(n, m): samples in the frame and below full scale."""
    samples: Array
    """(n,)"""
    saturation: float

    def serves(self, state: LimbState) -> bool:
        """Whether the band still lies about the limb."""
        a, b = self.state.limb, state.limb
        moved = abs(a.mean_px - b.mean_px) + np.hypot(a.x_px - b.x_px, a.y_px - b.y_px)
        return bool(moved < 1.0 and 0.7 < self.state.sigma_px / state.sigma_px < 1.4)


def _cast(levels: Levels, state: LimbState, angle: Array, inner_share: float = INNER) -> _Cast:
    """Cast rays in the directions `angle`, (n, k), `k` of them taken together."""
    directions, along = angle.ravel(), along_px(state, inner_share)
    rays = across(levels, state, directions, along)
    counts = rays.inside & (rays.light < levels.saturation) & before_the_moon(levels, state, rays, along)
    counts = counts.reshape(len(angle), -1)
    return _Cast(rays, state, counts, counts.sum(1).astype(float), levels.saturation)


def _first_guess(cast: _Cast, n: int) -> Array:
    """Brightness and sky of every ray from the light well inside and well outside."""
    state = cast.state
    depth = distance_px(cast.rays, state.limb).reshape(n, -1)
    light = cast.rays.light.reshape(n, -1)
    clear = np.float32(1.5 * state.sigma_px + 1)
    inner, outer = cast.counts & (depth < -clear), cast.counts & (depth > clear)
    sky = (outer * light).sum(1) / np.maximum(outer.sum(1), 1)
    inside = inner.sum(1)
    disc = (inner * light).sum(1) / np.maximum(inside, 1)
    # No unsaturated pixel inside: the disc is brighter than full scale, or the frame ends there.
    full = ((depth < -clear) & (light >= cast.saturation)).any(1)
    disc[inside == 0] = median(disc[inside > 0]) if (inside > 0).any() else 0.0
    disc[(inside == 0) & full] = FULL_DISC
    own = np.zeros((n, LOCAL))
    own[:, 0], own[:, 1] = np.maximum(disc - sky, 0.0) / 0.5, sky
    return own


def _known(fit: LimbFit, angle: Array) -> Array:
    """Return the rays' own numbers of an earlier fit in other directions."""
    return np.stack([np.interp(angle, fit.angle, row, period=2 * np.pi) for row in fit.own.T], axis=1)


@dataclass(frozen=True, slots=True)
class _Residuals:
    """What the rays say at one state of the model."""

    every: Samples
    normal: Normal
    misfit: Array
    allowed: Array
    """(n,): residual that is to be expected, in units of `noise`."""
    offset_px: Array
    offset_sigma_px: Array
    noise: float
    uneven: float
    """Relative spread of brightness round the limb."""


def unevenness(bright: Array) -> tuple[float, float]:
    """Return the rays' typical brightness and its robust relative spread, at most 1."""
    low, middle, high = quantiles(bright, (0.25, 0.5, 0.75))
    middle = max(middle, 1e-3)
    return middle, min(1.0, 0.741 * (high - low) / middle)


def _residuals(
    cast: _Cast, state: LimbState, own: Array, noise: float, expected: Array | None = None
) -> _Residuals:
    """Hold the rays against a state; `expected` is the brightness of rays known to show the limb."""
    bright = own[:, 0]
    known = bright if expected is None else expected
    typical, uneven = unevenness(known)
    # Where brightness varies round the limb it will vary along the rays too.
    slope = (SLOPE_SD + UNEVEN_SLOPE * uneven) * np.maximum(bright, typical)
    ridge = np.empty(own.shape)
    ridge[:, 0] = (noise / (BRIGHTNESS_SD * typical)) ** 2
    ridge[:, 2] = ridge[:, 3] = (noise / slope) ** 2
    ridge[:, 1] = 1e-8 * ridge[:, 2]
    every = evaluate(cast.rays, state, own)
    if not cast.counts.all():
        every *= cast.counts[:, None, :]
    normal = normal_equations(every, ridge, own - [typical, 0.0, 0.0, 0.0])
    per_ray = np.sqrt(normal.left_over / np.maximum(cast.samples - LOCAL, 1))
    noise = median(per_ray) + 1e-6
    # No profile is right to the last percent: a bright ray between dim ones may miss by more.
    allowed = np.hypot(1.0, MODEL_SHARE * (bright + normal.own_best[:, 0]) / noise)
    stiff = normal.rest[:, EDGE, EDGE] + 1e-12
    return _Residuals(
        every,
        normal,
        per_ray / noise / allowed,
        allowed,
        normal.right[:, EDGE] / stiff,
        noise / np.sqrt(stiff),
        noise,
        uneven,
    )


def _trust(look: _Residuals) -> Array:
    """Weight of every ray: falls where it fits badly or its edge stands off."""
    scatter = spread(look.offset_px - median(look.offset_px)) + 0.02
    fits = 1.0 / (1.0 + (look.misfit / 2.5) ** 4)
    return np.asarray(fits / (1.0 + (look.offset_px / (4 * scatter)) ** 4) / look.allowed**2)


def is_wavy(look: "_Residuals | LimbFit") -> bool:
    """Whether the rays' own edges stand off the limb by much more than their noise: seeing."""
    off = spread(look.offset_px - median(look.offset_px))
    return off > WAVY_PX and off > WAVY * median(look.offset_sigma_px)


def _stepped(state: LimbState, step: Array) -> LimbState:
    return LimbState(
        state.limb.moved(step[:SHAPE_TERMS]),
        float(np.clip(state.sigma_px * np.exp(step[BLUR]), 0.3, 0.3 * state.limb.mean_px)),
        float(np.clip(state.fall + step[FALL], -0.4, 1.0)),
        float(np.clip(state.rim + step[RIM], -0.6, 1.5)),
        tuple(np.clip(state.unlike + step[UNLIKE], -MOST_UNLIKE, MOST_UNLIKE).tolist()),
    )


def _bounded(step: Array, state: LimbState, seen: Array) -> Array:
    """Keep a step within what the profile's slope can promise: so far moves the edge that is seen.

    On an arc centre and radius may go far together while it hardly moves.
    """
    blur = 0.3 / max(abs(step[BLUR]), 1e-9)
    shift = 3 * state.sigma_px / max(float(np.abs((seen @ step)[:, EDGE]).max()), 1e-9)
    return np.asarray(step * min(1.0, blur, shift))


def fit_limb(
    levels: Levels,
    start: LimbState,
    angle: Array,
    priors: Priors,
    known: LimbFit | None = None,
    *,
    iterations: int,
    enough_px: float,
) -> LimbFit:
    """Fit the limb on the rays in the directions `angle`, (n, k), starting from `start`.

    Neighbouring rays, `k` of them, are taken together. `known` is an earlier fit to go on from. Steps of less
    than `enough_px` end it.

    Raises `LinAlgError` if there is no limb to be fitted.
    """
    state, cast = start, _cast(levels, start, angle)
    middle = angle.mean(1)
    seen = seen_by(middle)
    own = _first_guess(cast, len(angle)) if known is None else _known(known, middle)
    noise = 0.02 if known is None else known.noise
    own_prior = priors.weights()
    prior = own_prior.copy()
    known_px = priors.known_px()
    for _ in range(iterations):
        if not cast.serves(state):
            cast = _cast(levels, state, angle)
        look = _residuals(cast, state, own, noise)
        noise, weight = look.noise, _trust(look)
        # Cloud darkens as it likes, and a wavy limb is no profile: the sun's own darkening is not told.
        held = priors.holds_law and (look.uneven > CLOUDED or is_wavy(look))
        prior[[FALL, RIM]] = HELD_SD**-2 if held else own_prior[[FALL, RIM]]
        prior[known_px > 0] = own_prior[known_px > 0] * _looseness(look)
        total = look.normal.summed(seen, weight / noise**2) + np.diag(prior)
        score = look.normal.score(seen, weight / noise**2).sum(0)
        wanted = np.linalg.solve(total, score - prior * priors.departure(state, start))
        step = _bounded(wanted, state, seen)
        own = own + look.normal.own_step(seen, step)
        state = _stepped(state, step)
        if not np.isfinite(step).all() or state.limb.half_axes_px[1] < 3.0:
            raise np.linalg.LinAlgError("the limb ran away")
        rests = bool(np.abs(step[:3]).max() < enough_px and abs(step[BLUR]) < enough_px)
        if rests:
            break
    inverse = np.linalg.inv(total)
    fitted = SHAPE_TERMS - float((prior * np.diag(inverse))[:SHAPE_TERMS].sum())
    covariance = covariance_of(look.normal.score(seen, weight / noise**2, wanted), inverse, fitted)
    # What is known of the shape is not known better than that.
    pull = (prior * known_px)[:, None] * inverse
    covariance += pull.T @ pull
    if abs(np.mean(np.exp(1j * middle))) > LOPSIDED:
        # The ends of an arc decide, and may agree by chance better than what its rays tell one by one.
        single = (spread(look.offset_px) / median(look.offset_sigma_px)) ** 2
        by_ray = inverse * median(weight) * single
        if np.trace(by_ray[:2, :2]) > np.trace(covariance[:2, :2]):
            covariance = (1.0 - BY_RAY) * covariance + BY_RAY * by_ray
    if not rests:
        # What has not come to rest may be as far off as it still wanted to go.
        covariance += np.outer(wanted, wanted)
    whole = 2.0 / float((weight * look.normal.rest[:, EDGE, EDGE]).sum() / noise**2)
    leverage = float(np.trace(inverse[:2, :2])) / 2.0 / whole
    oval_told = 1.0 - float((prior * np.diag(inverse))[3:5].mean())
    fit = _fit(state, angle, own, look, weight, covariance, leverage, oval_told)
    if fit.structure < SHAKEN:
        return fit
    depth = distance_px(cast.rays, state.limb).reshape(len(angle), -1) / np.float32(state.sigma_px)
    return replace(fit, askew_px=askew_px(look.every, look.normal.own_best, depth, middle, weight))


def _looseness(look: _Residuals) -> float:
    """Return how much less than its noise lets expect a clouded limb tells: its edges err together."""
    if look.uneven < CLOUDED:
        return 1.0
    beyond = spread(look.offset_px) / median(look.offset_sigma_px)
    return max(1.0, beyond**2 * look.offset_px.size / STRETCHES)


def _fit(  # noqa: PLR0917 - one model's parts
    state: LimbState,
    angle: Array,
    own: Array,
    look: _Residuals,
    weight: Array,
    covariance: Array,
    leverage: float,
    oval_told: float,
) -> LimbFit:
    """Put a fit together."""
    rest, right = look.normal.rest, look.normal.right
    # Blur, with every ray's own edge free to stand where it likes.
    share = rest[:, EDGE, RAY_BLUR] / (rest[:, EDGE, EDGE] + 1e-12)
    return LimbFit(
        state=state,
        angle=angle.mean(1),
        bundle=angle.shape[1],
        own=own,
        misfit=look.misfit,
        offset_px=look.offset_px,
        offset_sigma_px=look.offset_sigma_px,
        weight=weight,
        noise=look.noise,
        blur_right=right[:, RAY_BLUR] - share * right[:, EDGE],
        blur_stiff=rest[:, RAY_BLUR, RAY_BLUR] - share * rest[:, EDGE, RAY_BLUR] + 1e-12,
        together=together(look.every, look.normal.own_best, angle.size),
        covariance=covariance,
        leverage=leverage,
        oval_told=oval_told,
    )


def against_rays(levels: Levels, fit: LimbFit, angle: Array) -> LimbFit:
    """Hold a fitted limb against single rays in other directions, (n,): nothing shared is refitted."""
    bundles = angle[:, None]
    cast = _cast(levels, fit.state, bundles, INNER_ROUND)
    own = _first_guess(cast, angle.size)
    look = _residuals(cast, fit.state, own, fit.noise, fit.brightness)
    found = _fit(
        fit.state,
        bundles,
        own + look.normal.own_best,
        look,
        np.ones(angle.size),
        fit.covariance,
        fit.leverage,
        fit.oval_told,
    )
    # In units of the fitted limb's noise, not of that in directions where there may be no limb.
    louder = look.noise / fit.noise
    return replace(
        found,
        misfit=look.misfit * louder,
        offset_sigma_px=look.offset_sigma_px / louder,
        noise=fit.noise,
    )
