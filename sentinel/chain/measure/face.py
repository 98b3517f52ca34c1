"""What a disc's face and the sky beside it look like, where nothing known of its size tells what it is."""

from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.order import median, quantile, quantiles, spread
from sentinel.chain.measure.rays import cast, directions

Array = NDArray[np.float64]

DIRECTIONS, SECTORS, ABREAST = 120, 24, 3
"""In which the face is looked at; neighbours that are taken together round it, and outward."""
CLOSE, DEEP = np.array([0.965, 0.95]), np.array([0.87, 0.84])
"""Places, in radii, close to the limb and somewhat deeper: cloud is much the same at both."""
BLURRED, SHIFTED = 2.1, 0.2
"""How much deeper they are where the limb is soft, in blurs, and at most."""
INWARD = np.arange(0.985, 0.6, -0.015)
FALL = 0.85, 0.15
"""Where light that fades inward is looked at, and shares of it between which it is told how fast."""
FALLEN = 0.15
"""Of the brightest light deeper inside, below which it is the moon's or a ridge's."""
ALONE = 4
"""Neighbouring rays that what lies upon the face moves as one."""
FACE = np.array([0.28, 0.32, 0.36, 0.44, 0.48, 0.52, 0.58, 0.62, 0.66, 0.7, 0.74, 0.78, 0.82, 0.85, 0.88])
"""Where the face is compared with itself all round, in radii."""
BLACK = 0.6
"""Light over that all round, below which something dark lies there."""
EVENEST = 0.33
"""Linear law of the weakest darkening that a camera sees: in the near infrared (0.4, from memory), or in
visible light (0.6) behind a soft tone curve."""
ROUND, GRAIN = np.array([0.2, 0.35, 0.5, 0.6, 0.7, 0.8, 0.88]), np.array([1.12, 1.2, 1.3, 1.4])
SHADED = np.array([0.15, 0.25, 0.35, 0.45, 0.55, 0.63, 0.7, 0.76, 0.82, 0.87, 0.91, 0.94])
IN_LIGHT, FULL = 0.25, 0.98
"""Places at which shading is looked at, in radii, and the share of the brightest light, and of full scale,
between which it is."""
ONE_SIDED, ROUGH = 0.25, 0.13
"""How much of its light a ball has from the side, and how far off its light may be."""
SUNS_LAW = 0.6
"""Linear law of the sun in visible light, about; a tone curve is a power of it."""
ROUNDS = 4
"""Of a fit that is told less by what lies farther off."""
NEIGHBOUR_PX = 2.0
"""Where neighbouring places are compared, in radii, upon the disc and beyond it; how far apart they are."""
MOST_PAIRS, NOISIER = 0.7, 3.0
"""Share of the pairs that differ by less; how much more they differ upon the disc than beyond it."""


@dataclass(frozen=True, slots=True)
class Face:
    """How a disc's light stands to its limb and to itself all round."""

    brink: float = nan
    """Light close to the limb over that somewhat deeper, typical of the rays; NaN: not seen."""
    brink_sigma: float = inf
    weakest: float = 1.0
    """The same of the weakest darkening that any sun has."""
    fade: float = nan
    """Way, in radii, on which light that ends within the disc fades inward; NaN: it does not."""
    mottled: float = 0.0
    """How much broad places at one distance from the middle differ, relative, beyond noise."""
    marked: float = 0.0
    """Share of the face that is much darker than the same distance all round."""
    as_a_ball: float = inf
    """How badly a lit ball explains its light, over how badly a sun behind the edge of a cloud does."""
    grain: float = 0.0
    """Difference between neighbouring places on the disc, even to the eye; 0 where noise has as much."""

    def is_level(self, doubt: float) -> bool:
        """Whether light goes to the limb as no sun's does, not darkened; by so much of its uncertainty."""
        return self.brink - doubt * self.brink_sigma > self.weakest


UNSEEN = Face()
"""Nothing is known of it."""


def face_of(levels: Levels, limb: Limb, softness: float, *, uneven: bool, ringed: bool) -> Face:
    """Look at the face within a limb of so much blur, in radii.

    `uneven`, `ringed`: whether its light differs round it, and is less deeper inside.
    """
    shift = min(max(BLURRED * softness - (1.0 - float(CLOSE.mean())), 0.0), SHIFTED)
    brink, sigma = _brink(levels, limb, shift)
    close, deep = (1.0 - EVENEST * (1.0 - sqrt(1.0 - (at.mean() - shift) ** 2)) for at in (CLOSE, DEEP))
    fade = _fade(levels, limb) if ringed else nan
    mottled, marked = _all_round(levels, limb)
    as_a_ball = _as_a_ball(levels, limb) if uneven else inf
    return Face(brink, sigma, close / deep, fade, mottled, marked, as_a_ball, _grain(levels, limb))


def _brink(levels: Levels, limb: Limb, shift: float) -> tuple[float, float]:
    """Return the light close to the limb over that somewhat deeper, and its uncertainty."""
    angle = directions(DIRECTIONS)
    far = limb.at(angle)[:, None]
    close, deep = (cast(levels, limb.x_px, limb.y_px, angle, far * (at - shift)) for at in (CLOSE, DEEP))
    there = close.inside.all(1) & deep.inside.all(1)
    near, beneath = close.light.mean(1)[there], deep.light.mean(1)[there]
    lit = beneath > FALLEN * quantile(beneath, 0.8)
    if lit.sum() < 2 * ALONE:
        return nan, inf
    ratio = near[lit] / beneath[lit]
    low, high = quantiles(ratio, (0.25, 0.75))
    return median(ratio), 0.93 * (high - low) / sqrt(lit.sum() / ALONE)


def _fade(levels: Levels, limb: Limb) -> float:
    """Return the way on which light fades inward from the limb, typical of the rays on which it does."""
    angle = directions(DIRECTIONS)
    rays = cast(levels, limb.x_px, limb.y_px, angle, limb.at(angle)[:, None] * INWARD)
    light = rays.light[rays.inside.all(1)]
    if not len(light):
        return nan
    light = light - light.min(1, keepdims=True)
    share = light / np.maximum(light.max(1, keepdims=True), 1e-6)
    bright, dark = FALL
    fallen = share < dark
    last = np.where(fallen.any(1), fallen.argmax(1), 0)
    before = np.arange(INWARD.size) < last[:, None]
    steps = (before & (share < bright) & (np.arange(INWARD.size) > share.argmax(1)[:, None])).sum(1)
    return median(steps[last > 0] * (INWARD[0] - INWARD[1]))


def _all_round(levels: Levels, limb: Limb) -> tuple[float, float]:
    """Return how mottled a face is, and how much of it is marked, each distance compared with itself."""
    angle = directions(DIRECTIONS)
    rays = cast(levels, limb.x_px, limb.y_px, angle, limb.at(angle)[:, None] * FACE)
    there = rays.inside.all(1).reshape(SECTORS, -1).all(1)
    if there.sum() < SECTORS // 4:
        return 0.0, 0.0
    sectors = rays.light.reshape(SECTORS, -1, FACE.size)[there].astype(float)
    share = sectors / np.maximum(np.median(sectors, axis=(0, 1)), 1e-6)
    places = share.reshape(len(share), -1, FACE.size // ABREAST, ABREAST)
    low, high = np.quantile(places.mean((1, 3)), (0.25, 0.75), axis=0)
    noise = float(np.median(places.std((1, 3)))) / sqrt(places.shape[1] * ABREAST)
    mottled = 0.741 * float(np.median(high - low))
    return sqrt(max(mottled**2 - noise**2, 0.0)), float((share < BLACK).mean())


def _as_a_ball(levels: Levels, limb: Limb) -> float:
    """Return how badly Lambert's law of a ball lit from one side explains a face, over what a sun does.

    The sun's is darkening to any power, with cloud before it whose share changes across the disc.
    Infinite where a ball is not lit from the side, or explains nothing.
    """
    angle = directions(DIRECTIONS // 2)
    rays = cast(levels, limb.x_px, limb.y_px, angle, limb.at(angle)[:, None] * SHADED)
    bright = quantile(rays.light[rays.inside], 0.95) if rays.inside.any() else 0.0
    seen = rays.inside & (rays.light > max(IN_LIGHT * bright, 1e-3)) & (rays.light < FULL)
    if seen.sum() < angle.size:
        return inf
    light = rays.light[seen].astype(float)
    x, y = (np.outer(turn, SHADED)[seen] for turn in (np.cos(angle), np.sin(angle)))
    mu = np.sqrt(1.0 - x * x - y * y)
    even = np.ones(light.size)
    ball, shape = _explained(np.stack([even, x, y, mu], axis=1) / light[:, None], even)
    lit = float(np.hypot(shape[1], shape[2]))
    if lit < ONE_SIDED * float(shape[0] + mu.max() * shape[3]) or ball > ROUGH:
        return inf
    law = np.log(1.0 - SUNS_LAW * (1.0 - mu))
    sun, _ = _explained(np.stack([even, x, y, x * x - y * y, x * y, law], axis=1), np.log(light))
    return ball / sun


def _explained(terms: Array, wanted: Array) -> tuple[float, Array]:
    """Fit `terms`, (n, m), to what is wanted, (n,); return what is left, typically, and weights, (m,)."""
    trust = np.ones(wanted.size)
    for _ in range(ROUNDS):
        weights = np.asarray(np.linalg.lstsq(terms * trust[:, None], wanted * trust, rcond=None)[0], float)
        off = terms @ weights - wanted
        typical = spread(off) + 1e-4
        trust = 1.0 / np.sqrt(1.0 + (off / (2.5 * typical)) ** 2)
    return typical, weights


def _grain(levels: Levels, limb: Limb) -> float:
    """Return how much neighbouring places on a disc differ, even to the eye; 0 where noise has as much."""
    angle, differ = directions(DIRECTIONS), []
    for shares in (ROUND, GRAIN):
        along_px = limb.at(angle)[:, None] * shares
        here = cast(levels, limb.x_px, limb.y_px, angle, along_px)
        beside = cast(levels, limb.x_px, limb.y_px, angle, along_px + NEIGHBOUR_PX)
        apart = np.abs(np.sqrt(here.light) - np.sqrt(beside.light))
        differ.append(quantile(apart[here.inside & beside.inside], MOST_PAIRS))
    face, beyond = differ
    # Where nothing beyond the disc is in the frame, its noise is not known.
    return face if face > NOISIER * beyond else 0.0
