"""The whole way from an array to a disc."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, partial
from math import hypot, isfinite, nan, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure import flags
from sentinel.chain.measure.choice import ExpectedDisc, choose
from sentinel.chain.measure.consensus import (
    ARC,
    LARGEST_OVAL,
    NEARLY_ALL,
    NEEDED,
    PLAIN_OVAL,
    ROUND,
    Outline,
    agree,
    tells_oval,
)
from sentinel.chain.measure.doubt import SHORT, WHOLE, centre_sigma, oval_sigma
from sentinel.chain.measure.evidence import BROKEN_MOST, FittedDisc, evidence_of, with_face
from sentinel.chain.measure.fit import CLOUDED, LimbFit, against_rays, fit_limb, unevenness
from sentinel.chain.measure.focus import edge_width
from sentinel.chain.measure.levels import Levels, Transfer, ceiling_of
from sentinel.chain.measure.light import RegionLight, of_disc, of_frame, with_ceiling
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.model import LimbState
from sentinel.chain.measure.order import median, spread
from sentinel.chain.measure.priors import HELD_SD, KnownRadius, Priors
from sentinel.chain.measure.rays import directions
from sentinel.chain.measure.search import Circle, Grid, coarse, sampled
from sentinel.chain.measure.verdict import MOST_STRUCTURE
from sentinel.core.records import Disc

Array = NDArray[np.float64]
Brightest = Callable[[], NDArray[Any]]

SOFT_SHARE, SOFT_PX = 0.02, 4.5
"""Edge width over radius from which a disc is said to be soft, and the width that pixels alone may make."""
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
UNDECIDED = 0.5
"""Of the way between two limbs that fit as well: it is one or the other."""
MOST_EGG = 0.1
"""Third harmonic over the oval: the air gives a low sun 0.03."""
HOPELESS = 2.0
"""What the first fit leaves unexplained, over what a limb may, from which it is not worth another."""
FEWEST_RAYS = 6
WIDEST, RAGGED = 0.2, 0.01
"""Blur, and spread of the edges, over radius, of what is still worth fitting."""
SMALLEST_PX = 8.0
SMALLEST_SHARE = 0.004
LARGEST_SHARE = 2.0
"""Radii of the smallest and the largest disc looked for, in units of the frame's longer side."""
DARKEST = 0.012
"""Grey light above which one channel may be full and the others next to dark: in blue light."""
NEARLY_FULL = 0.7
"""Light of the brightest channel, as far as it is known, from which it may run over in places."""
NONE_FULL = 0.01
"""Share of a disc at full scale up to which its channels' light is told."""
FEW_CELLS, UNLIT = 30, 0.003
"""Cells of the small copy that are no more than lettering or stars, and the light above which one is lit."""
DIRECTIONS = 240
"""Directions in which the limb's coverage is judged."""


def measure(
    values: NDArray[Any],
    *,
    transfer: Transfer,
    full_scale: float,
    expected: ExpectedDisc | None = None,
    brightest: Brightest | None = None,
) -> Disc:
    """Measure the sun's disc in a grey frame.

    `values`: (ny, nx), unsigned integers or floats as stored; not changed.
    `transfer`: how stored values stand to light.
    `full_scale`: stored value of a full pixel.
    `expected`: what is known of the disc beforehand.
    `brightest`: gives the largest of each pixel's channels on a smaller copy, where the frame had channels: a
        coloured filter lets one of them run over long before the grey does.
    Returns `Disc`: not found: brightness and saturation are those of the whole frame, and the flags say why.
    """
    plain = Levels(values, transfer, full_scale)
    small = cache(partial(coarse, plain))
    levels = replace(plain, ceiling=ceiling_of(sampled(plain).values, full_scale))
    choice = choose(levels, small, partial(_candidate, levels), expected)
    sun = choice.sun
    disc = (
        _nothing(levels, small(), brightest, expected)
        if sun is None
        else _disc(levels, sun, brightest, expected)
    )
    doubts = {
        flags.SECOND_DISC: sun is not None and choice.others,
        flags.UNEXPECTED_SIZE: choice.unexpected,
        flags.LIKE_A_LAMP: choice.doubtful,
        flags.BLANK_PIXELS: values.dtype.kind == "f" and bool(np.isnan(values).any()),
    }
    return replace(disc, flags=(*disc.flags, *(name for name, true in doubts.items() if true)))


def _candidate(
    levels: Levels, circle: Circle, others: Sequence[Limb], known: KnownRadius | None
) -> FittedDisc | None:
    """Fit the limb near a circle; None where there is none. Light upon `others` does not speak against it."""
    outline = agree(levels, circle, known) if _plausible(levels, circle.radius_px) else None
    if outline is None or not _plausible(levels, outline.limb.mean_px):
        return None
    if outline.sigma_px > WIDEST * outline.limb.mean_px + 5.0:
        return None
    if outline.scatter_px > RAGGED * outline.limb.mean_px + 3.0:
        return None
    if outline.agrees.sum() < FEWEST_RAYS:
        # A sliver so thin that hardly a ray lies in the frame from end to end.
        return None
    try:
        # What is no limb may send the fit anywhere; that is an answer, not an accident.
        with np.errstate(all="ignore"):
            fit = _fitted(levels, outline, known)
            if fit is None:
                return None
            clean, share, in_frame = _all_round(levels, fit, outline)
    except np.linalg.LinAlgError:
        return None
    if clean.size < FEWEST_RAYS or not np.isfinite(fit.covariance).all():
        return None
    evidence = evidence_of(levels, fit, clean, in_frame, share * in_frame, others)
    return FittedDisc(fit, with_face(evidence, levels, fit) if known is None else evidence)


def _plausible(levels: Levels, radius_px: float) -> bool:
    longer = max(levels.shape)
    return bool(max(SMALLEST_PX, SMALLEST_SHARE * longer) < radius_px < LARGEST_SHARE * longer)


def _fitted(levels: Levels, outline: Outline, known: KnownRadius | None) -> LimbFit | None:
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
    return fit if oval is None else _or_another(fit, oval, outline.limb)


def _or_another(fit: LimbFit, oval: LimbFit, outline: Limb) -> LimbFit:
    """Return a circle that was fitted with the doubt that it is none: no more is known than by the oval.

    Under cloud the limb is the circle, or it is what the edges drew.
    """
    limb = fit.state.limb
    wider = np.trace(oval.covariance[:2, :2]) > np.trace(fit.covariance[:2, :2])
    covariance = (oval if wider else fit).covariance
    if unevenness(oval.brightness)[1] > CLOUDED:
        apart = np.zeros(len(covariance))
        apart[:3] = limb.x_px - outline.x_px, limb.y_px - outline.y_px, limb.mean_px - outline.mean_px
        covariance = covariance + np.outer(apart, apart) * UNDECIDED**2
    return replace(fit, covariance=covariance)


def _roughly_fitted(
    levels: Levels, outline: Outline, known: KnownRadius | None
) -> tuple[LimbFit, Priors, LimbFit | None]:
    """Fit on few rays; an oval that part of the limb tells must fit much better than a circle.

    One that is not believed may be the truth all the same, and is returned as well.
    """
    share, stretch = outline.share, hypot(*outline.limb.oval)
    if not tells_oval(share, stretch / outline.limb.mean_px):
        return *_fitted_as(levels, outline, known, 0.0), None
    oval, priors = _fitted_as(levels, outline, known, stretch)
    if share > NEARLY_ALL:
        return oval, priors, None
    # Where a ridge cuts the limb, what lies beside the cut may have bent the outline; so may cloud.
    limb, weight = oval.state.limb, oval.weight
    told, stretch = share * float((weight > TELLING * weight.max()).mean()), hypot(*limb.oval)
    circle, round_priors = _fitted_as(levels, outline, known, 0.0)
    needed = spread(circle.offset_px) > NEEDED * spread(oval.offset_px)
    clouded = unevenness(oval.brightness)[1] > BROKEN_MOST
    bent = clouded or not needed or hypot(*limb.egg) > MOST_EGG * stretch
    if bent or not tells_oval(told, stretch / limb.mean_px):
        return circle, round_priors, oval
    return oval, priors, None


def _fitted_as(
    levels: Levels, outline: Outline, known: KnownRadius | None, stretch_px: float
) -> tuple[LimbFit, Priors]:
    """Fit on few rays, as a circle where the half-axes differ by nothing; return the priors as well."""
    limb, share, free = outline.limb, outline.share, stretch_px > 0.0
    round_px = max(ROUND * limb.mean_px, OVAL_SLACK_PX if share > ARC else 0.0)
    oval = LARGEST_OVAL / 2 * limb.mean_px if free else round_px
    egg = 0.03 * stretch_px if stretch_px > PLAIN_OVAL * limb.mean_px else ROUND * limb.mean_px
    shape = Limb(limb.x_px, limb.y_px, limb.mean_px, limb.oval if free else (0.0, 0.0))
    lean, trail = LEAN_SD if share > WHOLE else HELD_SD, TRAIL_SD if share > HALF else HELD_SD
    priors = Priors(oval, egg, known, lean=lean, trail=trail)
    angle = _shown(outline, 2 * np.pi * limb.mean_px, FEW)
    start = LimbState(shape, outline.sigma_px)
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


def _all_round(levels: Levels, fit: LimbFit, outline: Outline) -> tuple[Array, float, float]:
    """Judge every direction in the frame.

    Return the directions that show a clean edge, their share of those in the frame, and the limb in frame.
    """
    limb = fit.state.limb
    in_frame = limb.share_in(levels.shape)
    if in_frame == 1.0 and outline.agrees.size == outline.sectors and outline.agrees.all():
        clean = _clean(fit, fit)
        if clean.all():
            # The fit has looked everywhere and found nothing amiss.
            return fit.angle, 1.0, in_frame
    angle = directions(DIRECTIONS)
    x, y = limb.x_px + limb.at(angle) * np.cos(angle), limb.y_px + limb.at(angle) * np.sin(angle)
    ny, nx = levels.shape
    there = (x > -0.5) & (x < nx - 0.5) & (y > -0.5) & (y < ny - 0.5)
    if there.sum() < FEWEST_RAYS:
        return angle[:0], 0.0, in_frame
    look = against_rays(levels, fit, angle[there])
    clean = _clean(fit, look)
    return look.angle[clean], float(clean.mean()), in_frame


def _clean(fit: LimbFit, look: LimbFit) -> NDArray[np.bool_]:
    """Which rays of a look show the edge as the fitted limb has it."""
    # What bundles say is finer than what one ray does.
    single = sqrt(fit.bundle / look.bundle)
    limit = max(4.0 * single * spread(fit.offset_px), 0.45 * fit.state.sigma_px, 0.3)
    sharpest = single * median(fit.offset_sigma_px)
    sharp = look.offset_sigma_px < max(0.7 * fit.state.sigma_px, 3 * sharpest)
    bright = look.brightness > 0.08 * median(fit.brightness)
    return np.asarray((np.abs(look.offset_px) < limit) & bright & (look.misfit < 6) & sharp)


def _in_colour(
    levels: Levels,
    grey: RegionLight,
    limb: Limb | None,
    brightest: Brightest | None,
    expected: ExpectedDisc | None,
) -> tuple[float, float]:
    """Return the share of a disc, or of the frame, that is full in any channel, and the channels' ratio.

    Channels cost nearly as much as the grey. Where the session has told how much brighter one of them is,
    they are looked at only where it may run over.
    """
    known = expected.channel_ratio if expected is not None else nan
    dark = grey.high < DARKEST or grey.high * known < NEARLY_FULL
    if brightest is None or dark:
        return grey.saturated, nan
    values = brightest()
    channels = with_ceiling(values, levels)
    shrunk = limb.shrunk(round(levels.shape[1] / values.shape[1])) if limb is not None else None
    light = of_disc(channels, shrunk) if shrunk is not None else of_frame(channels)
    # The brightest tenth is asked: most of what lies within an eclipsed sun's limb may be the black moon.
    told = limb is not None and light.saturated < NONE_FULL
    return max(grey.saturated, light.saturated), light.high / grey.high if told else nan


def _disc(
    levels: Levels, candidate: FittedDisc, brightest: Brightest | None, expected: ExpectedDisc | None
) -> Disc:
    fit, e = candidate.fit, candidate.evidence
    limb = fit.state.limb
    x, y = limb.middle()
    light = of_disc(levels, limb)
    saturated, channel_ratio = _in_colour(levels, light, limb, brightest, expected)
    width = edge_width(levels, fit)
    long_px, short_px = limb.half_axes_px
    trail_px = hypot(width.cos2_px, width.sin2_px)
    oval_px = oval_sigma(fit, e, trail_px)
    told = isfinite(oval_px)
    doubts = {
        flags.CLIPPED: e.in_frame < 0.995,
        flags.COVERED: e.coverage < e.in_frame - 0.05,
        flags.OVEREXPOSED: saturated > 0.5,
        flags.FLATTENED: (long_px - short_px) / long_px > 0.005,
        flags.FAINT: max(light.median, e.step) < 0.01,
        flags.SOFT: width.mean_px > max(SOFT_SHARE * long_px, SOFT_PX),
        flags.SHORT_ARC: e.coverage < 0.25,
    }
    return Disc(
        found=True,
        x_px=x,
        y_px=y,
        radius_px=long_px,
        centre_sigma_px=centre_sigma(fit, e, trail_px),
        limb_in_frame=e.in_frame,
        limb_coverage=min(e.coverage, e.in_frame),
        edge_width_px=width.mean_px,
        edge_width_cos2_px=width.cos2_px,
        edge_width_sin2_px=width.sin2_px,
        oval_cos2_px=limb.oval[0] if told else nan,
        oval_sin2_px=limb.oval[1] if told else nan,
        oval_sigma_px=oval_px,
        brightness=light.median,
        saturated_fraction=saturated,
        channel_ratio=channel_ratio,
        flags=tuple(name for name, true in doubts.items() if true),
    )


def _cells_above(grid: Grid, levels: Levels, level: float) -> int:
    return int((grid.cells > levels.even(level)).sum())


def _nothing(levels: Levels, grid: Grid, brightest: Brightest | None, expected: ExpectedDisc | None) -> Disc:
    light = of_frame(levels)
    saturated, _ = _in_colour(levels, light, None, brightest, expected)
    if saturated > 0.5:
        why = flags.ALL_WHITE
    elif _cells_above(grid, levels, levels.saturation) > FEW_CELLS:
        why = flags.GLARE
    elif _cells_above(grid, levels, UNLIT) <= FEW_CELLS:
        why = flags.NO_LIGHT
    else:
        why = flags.NO_LIMB
    return Disc(found=False, brightness=light.median, saturated_fraction=saturated, flags=(why,))
