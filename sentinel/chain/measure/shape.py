"""A limb fitted as what it is: a circle, the oval that it tells, or the one that the session told."""

from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.consensus import (
    ARC,
    LARGEST_OVAL,
    NEARLY_ALL,
    NEEDED,
    PLAIN_OVAL,
    ROUND,
    Outline,
    tells_oval,
)
from sentinel.chain.measure.doubt import SHORT, WHOLE
from sentinel.chain.measure.evidence import BROKEN_MOST
from sentinel.chain.measure.fit import CLOUDED, LimbFit, fit_limb, unevenness
from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.model import LimbState
from sentinel.chain.measure.order import median, spread
from sentinel.chain.measure.priors import HELD_SD, KnownLimb, KnownOval, Priors
from sentinel.chain.measure.verdict import MOST_STRUCTURE

Array = NDArray[np.float64]

FEW, ENOUGH, MANY = (30.0, 1), (4.5, 2), (1.0, 12)
"""Length of limb for one ray, px, and the most rays in a sector: to find the place, to measure, in noise."""
FEW_SECTORS = 40
"""Sectors that are never thinned further."""
NOISY = 0.06
"""Noise over brightness from which every pixel along the limb is asked."""
LEAN_SD = 0.1
"""Expected difference of the blur's logarithm from side to side: field, coma, dew on part of the filter."""
TRAIL_SD, HALF = 0.5, 0.5
"""The same between along and across: a trail; the share of the limb that tells of it."""
OVAL_SLACK_PX = 0.03
"""Oval that half a limb and more may tell of although it is taken as round."""
TELLING = 0.25
"""Weight of a ray, over the largest, from which it counts as showing the limb."""
WANTING = 2.5
"""Spread of the rays' own edges over their noise from which an arc may be none of a circle."""
UNDECIDED = 0.5
"""Of the way between two limbs that fit as well: it is one or the other."""
MOST_EGG = 0.1
"""Third harmonic over the oval: the air gives a low sun 0.03."""
HOPELESS = 2.0
"""What the first fit leaves unexplained, over what a limb may, from which it is not worth another."""


def fitted(levels: Levels, outline: Outline, known: KnownLimb | None) -> LimbFit | None:
    """Fit on the agreeing directions, as many as there are pixels for; None where few rays tell enough."""
    share, every = outline.share, 2 * np.pi * outline.limb.mean_px
    # Few rays find the place, then as many as there are pixels to tell apart weigh in.
    rough, priors, oval = _roughly_fitted(levels, outline, known)
    if rough.structure > HOPELESS * MOST_STRUCTURE:
        return None
    if rough.typical > levels.saturation:
        # Where only the limb's foot is seen, a blur that is wider to one side looks as a shift does.
        priors = replace(priors, lean=HELD_SD)
    noisy = rough.noise > NOISY * median(rough.brightness)
    angle = _shown(outline, every, MANY if noisy or share < SHORT else ENOUGH)
    fit = fit_limb(
        levels,
        rough.state,
        angle,
        priors,
        rough,
        iterations=4 if share > SHORT else 12,
        enough_px=0.06,
    )
    return fit if oval is None else _or_another(fit, oval)


@dataclass(frozen=True, slots=True)
class _Another:
    """What a limb that is fitted as a circle may be all the same."""

    oval: LimbFit
    limb: Limb | None
    """Where it would be then, if that is as likely."""


def _or_another(fit: LimbFit, another: _Another) -> LimbFit:
    """Return a circle that was fitted with the doubt that it is none: no more is known than by the oval."""
    limb, other, oval = fit.state.limb, another.limb, another.oval
    wider = np.trace(oval.covariance[:2, :2]) > np.trace(fit.covariance[:2, :2])
    covariance = (oval if wider else fit).covariance
    if other is not None:
        apart = np.zeros(len(covariance))
        apart[:3] = limb.x_px - other.x_px, limb.y_px - other.y_px, limb.mean_px - other.mean_px
        covariance = covariance + np.outer(apart, apart) * UNDECIDED**2
    return replace(fit, covariance=covariance)


def _roughly_fitted(
    levels: Levels, outline: Outline, known: KnownLimb | None
) -> tuple[LimbFit, Priors, _Another | None]:
    """Fit on few rays: the oval that is known where part of the limb is hid, else what the limb tells.

    An oval that was told and not believed may be the truth all the same, and is returned as well.
    """
    if known is None or known.oval is None:
        return _as_told(levels, outline, known)
    if outline.share > NEARLY_ALL:
        told, priors, oval = _as_told(levels, outline, known)
        if unevenness(told.brightness)[1] < BROKEN_MOST:
            return told, priors, oval
    return *_fitted_as(levels, outline, known, known.oval, known.oval.px), None


def _as_told(
    levels: Levels, outline: Outline, known: KnownLimb | None
) -> tuple[LimbFit, Priors, _Another | None]:
    """Fit on few rays; an oval that part of the limb tells must fit much better than a circle."""
    share, drawn, mean_px = outline.share, outline.limb.oval, outline.limb.mean_px
    circle = KnownOval(sd_px=max(ROUND * mean_px, OVAL_SLACK_PX if share > ARC else 0.0))
    anything = KnownOval(sd_px=LARGEST_OVAL / 2 * mean_px)
    if not tells_oval(share, hypot(*drawn) / mean_px):
        round_fit, priors = _fitted_as(levels, outline, known, circle, (0.0, 0.0))
        if known is None or spread(round_fit.offset_px) < WANTING * median(round_fit.offset_sigma_px):
            return round_fit, priors, None
        # An arc does not tell an oval, but it may tell that it is no circle's.
        oval, _ = _fitted_as(levels, outline, known, anything, drawn)
        better = spread(round_fit.offset_px) > NEEDED * spread(oval.offset_px)
        return round_fit, priors, _Another(oval, oval.state.limb) if better else None
    oval, priors = _fitted_as(levels, outline, known, anything, drawn)
    if share > NEARLY_ALL:
        return oval, priors, None
    # Where a ridge cuts the limb, what lies beside the cut may have bent the outline; so may cloud.
    limb, weight = oval.state.limb, oval.weight
    told, stretch = share * float((weight > TELLING * weight.max()).mean()), hypot(*limb.oval)
    round_fit, round_priors = _fitted_as(levels, outline, known, circle, (0.0, 0.0))
    needed = spread(round_fit.offset_px) > NEEDED * spread(oval.offset_px)
    clouded = unevenness(oval.brightness)[1] > BROKEN_MOST
    bent = clouded or not needed or hypot(*limb.egg) > MOST_EGG * stretch
    if bent or not tells_oval(told, stretch / limb.mean_px):
        # Under cloud the limb is the circle, or it is what the edges drew.
        drew = outline.limb if unevenness(oval.brightness)[1] > CLOUDED else None
        return round_fit, round_priors, _Another(oval, drew)
    return oval, priors, None


def _fitted_as(
    levels: Levels, outline: Outline, known: KnownLimb | None, oval: KnownOval, shape: tuple[float, float]
) -> tuple[LimbFit, Priors]:
    """Fit on few rays from a shape, its oval as far as it is known; return the priors as well."""
    limb, share, stretch_px = outline.limb, outline.share, hypot(*shape)
    egg = 0.03 * stretch_px if stretch_px > PLAIN_OVAL * limb.mean_px else ROUND * limb.mean_px
    start = LimbState(Limb(limb.x_px, limb.y_px, limb.mean_px, shape), outline.sigma_px)
    lean, trail = LEAN_SD if share > WHOLE else HELD_SD, TRAIL_SD if share > HALF else HELD_SD
    priors = Priors(oval, egg, known, lean=lean, trail=trail)
    angle = _shown(outline, 2 * np.pi * limb.mean_px, FEW)
    return fit_limb(levels, start, angle, priors, iterations=10, enough_px=0.15), priors


def _shown(outline: Outline, every_px: float, rays: tuple[float, int]) -> Array:
    """Return directions (n, k), `k` of them in each of the sectors that agree on the limb.

    `rays` is the length of limb for one ray, and the most there are in a sector.
    """
    apart_px, most = rays
    sector = np.unique(outline.sector_of(outline.angle[outline.agrees]))
    wanted = every_px / apart_px / outline.sectors
    if wanted < 1.0 and sector.size > FEW_SECTORS:
        sector = sector[:: min(round(1.0 / wanted), sector.size // FEW_SECTORS)]
    count = min(max(round(wanted), 1), most)
    return np.asarray(sector[:, None] + (np.arange(count) + 0.37) / count) * (2 * np.pi / outline.sectors)
