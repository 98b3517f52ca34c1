"""Is it the sun? What a limb must look like before a circle of edges is called a disc."""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.measure.fit import Fit
from sentinel.measure.levels import Levels
from sentinel.measure.limb import Limb
from sentinel.measure.order import median, quantile, quantiles, spread
from sentinel.measure.rays import Rays, cast, directions

Array = NDArray[np.float64]


LEAST_COVERAGE = 0.06
SOFTEST = 0.13
"""Blur over radius. A disc of 30 px at a blur of 3 px has 0.1; a lamp's own halo 0.16 and more."""
MOST_STRUCTURE = 0.05
"""Suns have below 0.01, under thick cloud 0.03; landscapes and reflections above 0.1."""
ROUGHEST = 0.008
"""Spread of the edges over the radius: bad seeing has 0.003, an octagon 0.02."""
MOST_OVAL = 0.1
"""The sun on the horizon has 0.08."""
STRONGEST_FALL = -0.35
"""Darkening beyond the law's: the sun has -0.12 in blue light."""
WEAKEST_FALL = 0.24
"""Lack of darkening against the law's: a linear law of 0.4 has 0.2, an even disc 0.34."""
FAINTEST = 0.003
"""Linear light."""
MOST_OVAL_IN_PART = 0.04
"""Half the difference of the half-axes, in radii, that part of a limb may tell: the sun's at 2 degrees of
altitude. More, off a limb that fades into glow, is the glow's shape."""
BROKEN = 0.25
"""Unevenness of a disc behind broken cloud."""
INSIDE, DEEP = np.array([0.95, 0.92, 0.89, 0.86]), np.array([0.7, 0.65, 0.6, 0.55])
OUTSIDE = np.array([1.03, 1.05, 1.07])
"""Places, in radii, where light is looked at."""
SPILLS, SPILT, DARK_SKY = 120, 0.5, 0.02
"""Directions in which light outside is looked for, and how much it must be: a share of that inside, and more
than a sky behind a solar filter ever has."""
MOST_SPILL = 0.3
"""A caption across the limb may have a quarter; a cloud that the sky goes on behind has more than half."""
SHARPEST_PX = 0.4
"""What was drawn, not photographed, has no blur at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What speaks for and against a fitted limb being the sun's."""

    coverage: float
    """Fraction of the whole circumference seen as a clean edge."""
    in_frame: float
    """Fraction of the circumference in the frame."""
    radius_px: float
    softness: float
    """Edge blur over radius."""
    sigma_px: float
    step: float
    """Brightness of the disc by its limb, linear light."""
    sky: float
    """Light just outside, linear."""
    structure: float
    """What the profile leaves unexplained that is no noise, over the brightness."""
    evenness: float
    """Light near the limb over light deeper inside, where both are seen; the sun has 0.6 to 0.95."""
    uneven: float
    """Relative spread of the light by the limb: clouds and reflections differ in it."""
    scatter: float
    """Robust spread of the rays' own edges about the limb, in radii, beyond what noise explains."""
    oval: float
    """Half the difference of the half-axes, in radii."""
    fall: float
    """Darkening that the fit had to add to the law's."""
    saturated: float
    """Fraction of the light by the limb that is at full scale."""
    spill: float
    """Share of the directions, clean or not, in which the light goes on outside the limb."""


def gather(levels: Levels, fit: Fit, clean: Array, in_frame: float, coverage: float) -> Evidence:
    """Collect the evidence: `fit` on the rays that agreed, and the directions that show a clean edge."""
    limb, typical = fit.state.limb, max(quantile(fit.brightness, 0.7), 1e-9)
    near = _lit(levels, limb, clean, INSIDE)
    evenness, uneven = _evenness(near, _lit(levels, limb, clean, DEEP))
    saturated = _share(near, levels.saturation)
    outside = _lit(levels, limb, directions(SPILLS), OUTSIDE)
    inside = median(near.light[near.inside])
    return Evidence(
        coverage=coverage,
        in_frame=in_frame,
        radius_px=limb.mean_px,
        softness=fit.state.sigma_px / limb.mean_px,
        sigma_px=fit.state.sigma_px,
        step=typical,
        sky=median(fit.sky),
        structure=fit.noise * sqrt(max(fit.together, 0.0)) / typical,
        evenness=evenness,
        uneven=uneven,
        scatter=_scatter(fit) / limb.mean_px,
        oval=float(np.hypot(*limb.oval)) / limb.mean_px,
        fall=fit.state.fall if saturated < 0.5 else 0.0,
        saturated=saturated,
        spill=float((outside.light[outside.inside] > max(SPILT * inside, DARK_SKY)).mean())
        if outside.inside.any()
        else 0.0,
    )


def _scatter(fit: Fit) -> float:
    noise = 1.2 * median(fit.offset_sigma_px)
    return sqrt(max(spread(fit.offset_px) ** 2 - noise**2, 0.0))


def _share(rays: Rays, level: float) -> float:
    """Return how many of the samples in the frame hold at least so much light."""
    lit = (rays.light >= level)[rays.inside]
    return float(lit.mean()) if lit.size else 0.0


def _lit(levels: Levels, limb: Limb, angle: Array, shares: Array) -> Rays:
    """Look at the light at some distances, in radii."""
    return cast(levels, limb.x_px, limb.y_px, angle, limb.at(angle)[:, None] * shares)


def _evenness(near: Rays, deep: Rays) -> tuple[float, float]:
    """Return light by the limb over light deeper inside, and the relative spread of the first."""
    both = near.inside.all(1) & deep.inside.all(1)
    if both.sum() < 5:
        return float("nan"), float("nan")
    light = near.light.mean(1)[both]
    low, middle, high = quantiles(light, (0.25, 0.5, 0.75))
    ratio = light / np.maximum(deep.light.mean(1)[both], 1e-6)
    return median(ratio), 0.741 * (high - low) / max(middle, 1e-6)


def is_sun(evidence: Evidence) -> bool:
    """Weigh the evidence: edge, outline and light must all be the sun's.

    A lamp or a glow has no edge, a landscape no common profile, a polygon of the lens no round outline, a
    reflection no darkening, a letter no blur.
    """
    e = evidence
    edge = e.coverage > LEAST_COVERAGE and e.softness < SOFTEST and e.structure < MOST_STRUCTURE
    part = e.coverage < 0.9 * e.in_frame
    outline = e.scatter < ROUGHEST and e.oval < (MOST_OVAL_IN_PART if part else MOST_OVAL)
    light = e.step > FAINTEST and e.step > 0.1 * e.sky
    return edge and outline and light and not _impostor(e)


def _impostor(e: Evidence) -> bool:
    """Tell what shares most of the sun's marks and lacks one."""
    shown = e.coverage / e.in_frame
    full = e.saturated > 0.5
    # Under broken cloud light by the limb may equal that inside by chance.
    level = abs(e.evenness - 1.0) < 0.03 and not e.uneven > BROKEN
    even = (level or e.fall > WEAKEST_FALL) and not full
    reflection = even and (e.step < 0.3 or e.sky > 0.05 * e.step)
    lamp = full and (e.sky > 0.3 or e.softness > 0.05 + 1.2 / e.radius_px)
    # Behind a solar filter the sky is dark; light beside the disc lies on the lens.
    veil = (e.sky > 0.08 and e.sky > 0.3 * e.step) or e.spill > MOST_SPILL
    letter = e.sigma_px < SHARPEST_PX and shown < 0.9
    # A full-white ring round a dark middle; the eclipsed sun's lit limb is about half of it.
    stroke = e.evenness > 1.3 and full and not 0.4 < shown < 0.62
    part = shown < 0.5 or e.coverage < 0.25
    glow = e.softness > 0.025 and part
    ragged = e.scatter > 0.003 and part
    return reflection or lamp or veil or letter or stroke or glow or ragged or e.fall < STRONGEST_FALL
