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
from sentinel.chain.measure.consensus import Outline, agree
from sentinel.chain.measure.doubt import centre_sigma, oval_sigma
from sentinel.chain.measure.evidence import BROKEN_MOST, FittedDisc, evidence_of, with_face
from sentinel.chain.measure.fit import LimbFit, against_rays, unevenness
from sentinel.chain.measure.focus import edge_width
from sentinel.chain.measure.levels import Levels, Transfer, ceiling_of
from sentinel.chain.measure.light import RegionLight, of_disc, of_frame, with_ceiling
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.order import median, spread
from sentinel.chain.measure.priors import KnownLimb
from sentinel.chain.measure.rays import directions
from sentinel.chain.measure.search import Circle, Grid, coarse, sampled
from sentinel.chain.measure.shape import fitted
from sentinel.core.records import Disc

Array = NDArray[np.float64]
Brightest = Callable[[], NDArray[Any]]

SOFT_SHARE, SOFT_PX = 0.02, 4.5
"""Edge width over radius from which a disc is said to be soft, and the width that pixels alone may make."""
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
    levels: Levels, circle: Circle, others: Sequence[Limb], known: KnownLimb | None
) -> FittedDisc | None:
    """Fit the limb near a circle; None where there is none. Light upon `others` does not speak against it."""
    disc = _near(levels, circle, others, known)
    if disc is None or known is None or unevenness(disc.fit.brightness)[1] > BROKEN_MOST:
        return disc
    if not known.contradicted_by(disc.fit.state.limb):
        return disc
    return _near(levels, circle, others, replace(known, oval=None))


def _near(
    levels: Levels, circle: Circle, others: Sequence[Limb], known: KnownLimb | None
) -> FittedDisc | None:
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
            fit = fitted(levels, outline, known)
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
