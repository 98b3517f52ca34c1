"""Is it the sun? What a limb must look like before a circle of edges is called a disc."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.fit import LimbFit
from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.moon import DARK
from sentinel.chain.measure.order import median, quantile, quantiles, spread
from sentinel.chain.measure.rays import Rays, cast, directions

Array = NDArray[np.float64]


LEAST_COVERAGE, LEAST_WHOLE = 0.06, 0.04
"""Share of the limb without which nothing is believed, and where all that lies in the frame is seen."""
SOFTEST = 0.13
"""Blur over radius. A disc of 30 px at a blur of 3 px has 0.1; a lamp's own halo 0.16 and more."""
MOST_STRUCTURE = 0.05
"""Suns have below 0.01, under thick cloud 0.03; landscapes and reflections above 0.1."""
ROUGHEST, ROUGHEST_IN_PART = 0.012, 0.008
"""Spread of the edges over the radius: bad seeing has 0.003, a low sun's boiling limb some 0.01, which is ten
seconds of arc; an octagon 0.02. Part of a limb must be smoother: curves are everywhere."""
MOST_OVAL = 0.1
"""The sun on the horizon has 0.08."""
STRONGEST_FALL = -0.35
"""Darkening beyond the law's: the sun has -0.12 in blue light."""
WEAKEST_FALL = 0.24
"""Lack of darkening against the law's: a linear law of 0.4 has 0.2, an even disc 0.34."""
EVEN_FALL = 0.5
"""More than an even disc has, however noisy."""
FAINTEST = 0.003
"""Linear light."""
MOST_OVAL_IN_PART = 0.04
"""Half the difference of the half-axes, in radii, that part of a limb may tell: the sun's at 2 degrees of
altitude. More, off a limb that fades into glow, is the glow's shape."""
RIM = np.array([0.965, 0.95, 0.9, 0.885])
"""Two places close to the limb, and two a little deeper."""
GENTLY, GOING_ON = 0.85, 0.3
"""Light at the last over that before it without which an edge is near; share of the rays that must go on."""
BRIGHTEST_RIM = 1.03
"""Light at the first two over that at the next two, on a limb that is seen in part. Half suns have 0.78 to
0.9, overexposed ones 1; the moon at a phase has 1.12 and more, for its day ends gently."""
LEVEL = 0.07
"""Difference between light by the limb and deeper inside below which a disc is even: a linear law of 0.2."""
BROKEN = 0.25
"""Unevenness of a disc behind broken cloud."""
INSIDE, DEEP = np.array([0.95, 0.92, 0.89, 0.86]), np.array([0.7, 0.65, 0.6, 0.55])
CLOSE, OUTSIDE = np.array([0.97, 0.95, 0.93]), np.array([1.03, 1.05, 1.07])
"""Places, in radii, where light is looked at."""
SPILLS, SPILT, DARK_SKY = 120, 0.5, 0.02
"""Directions in which light outside is looked for, and how much it must be: a share of that inside, and more
than a sky behind a solar filter ever has."""
MOST_SPILL = 0.3
"""A caption across the limb may have a quarter; a cloud that the sky goes on behind has more than half."""
SHARPEST_PX = 0.4
"""What was drawn, not photographed, has no blur at all."""
LETTER_PX = 60.0
"""Radius of the largest letters that are written into a frame."""
STRONG_SHARE, STRONG_COVERAGE = 0.7, 0.25
"""Shares of the limb in the frame, and of the whole, from which the edge alone tells that there is a disc."""
STRONG_SOFTNESS, STRONG_BLUR_PX = 0.02, 1.2
"""Blur of an edge that tells so much: in radii, and beside that what pixels and a small lens make."""
FAINTEST_RISE = 0.1
"""Light lost across the limb, of that inside, without which there is no edge."""
FARTHER = np.array([1.15, 1.25, 1.4])
LINED = 0.6
"""Where, in radii, light beyond a drawn line is looked for; share of it from which a line was drawn."""
EVEN_RISE = 0.5
"""How much of the typical loss the weakest direction of a believed share must have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimbEvidence:
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
    codes: float
    """Steps in which the picture is stored from that light to the disc's; infinite for broken numbers."""
    structure: float
    """What the profile leaves unexplained that is no noise, over the brightness."""
    evenness: float
    """Light near the limb over light deeper inside, where both are seen; the sun has 0.6 to 0.95."""
    rim: float
    """Light close to the limb over that a little deeper, where that is not dark."""
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
    rise: float
    """Light lost across the limb over that inside, as measured: typical of all directions in the frame."""
    rise_evenness: float
    """The weakest direction in the best `STRONG_SHARE` of them over the typical one."""
    lined: float
    """Share of the light lost across the limb that comes back farther out: all of it beyond a line."""

    @property
    def long_px(self) -> float:
        """Long half-axis."""
        return self.radius_px * (1.0 + self.oval)

    @property
    def full(self) -> bool:
        """Whether the light by the limb is at full scale."""
        return self.saturated > 0.5

    @property
    def shown(self) -> float:
        """Share of the limb in the frame that is seen as a clean edge."""
        return self.coverage / self.in_frame

    @property
    def strong(self) -> bool:
        """Whether the limb itself tells that there is a disc, whatever the light inside and beyond it does.

        Long, smooth and of one width it is anyhow; here as much light is lost across it everywhere.
        """
        long = self.shown > STRONG_SHARE and self.coverage > STRONG_COVERAGE
        sharp = self.softness < STRONG_SOFTNESS + STRONG_BLUR_PX / self.radius_px
        return long and sharp and self.rise > FAINTEST_RISE and self.rise_evenness > EVEN_RISE

    @property
    def clouded(self) -> bool:
        """Whether light is taken from the disc by patches: more than what lies beside it could have added."""
        return self.uneven > BROKEN and self.uneven * self.step > self.sky

    @property
    def darkened(self) -> bool:
        """Whether the disc is plainly darker by its limb, as the sun is, and not by patches."""
        return self.evenness < 1.0 - LEVEL and self.uneven < BROKEN

    @property
    def even(self) -> bool:
        """Whether the disc is as bright by its limb as inside: few suns are, but reflections and lamps."""
        if self.full:
            return False
        if self.strong:
            # A fall beyond an even disc's is seeing, taken for it.
            level = abs(self.evenness - 1.0) < LEVEL and not self.clouded
            return level or WEAKEST_FALL < self.fall < EVEN_FALL
        # Under broken cloud light by the limb may equal that inside by chance.
        level = abs(self.evenness - 1.0) < 0.03 and not self.uneven > BROKEN
        return level or self.fall > WEAKEST_FALL

    @property
    def dim(self) -> bool:
        """Whether less light comes from it than from a sun well exposed in a dark sky."""
        return self.step < 0.3 or self.sky > 0.05 * self.step


@dataclass(frozen=True, slots=True)
class FittedDisc:
    """A limb that was fitted, with what speaks for it."""

    fit: LimbFit
    evidence: LimbEvidence


def evidence_of(  # noqa: PLR0917 - what speaks for a limb
    levels: Levels, fit: LimbFit, clean: Array, in_frame: float, coverage: float, others: Sequence[Limb]
) -> LimbEvidence:
    """Collect the evidence: `fit` on the rays that agreed, and the directions that show a clean edge.

    Light upon the discs `others`, which may lie across this one, is not asked about.
    """
    limb = fit.state.limb
    near = _lit(levels, limb, clean, INSIDE)
    evenness, uneven = _evenness(near, _lit(levels, limb, clean, DEEP))
    saturated = _share(near, levels.saturation)
    outside = _not_upon(_lit(levels, limb, directions(SPILLS), OUTSIDE), others)
    inside, sky = median(near.light[near.inside]), median(fit.sky)
    close = _lit(levels, limb, directions(SPILLS), CLOSE)
    rise, rise_evenness = _rise(close, outside)
    return LimbEvidence(
        coverage=coverage,
        in_frame=in_frame,
        radius_px=limb.mean_px,
        softness=fit.state.sigma_px / limb.mean_px,
        sigma_px=fit.state.sigma_px,
        step=fit.typical,
        sky=sky,
        codes=levels.stored(sky + fit.typical) - levels.stored(sky)
        if levels.values.dtype.kind == "u"
        else inf,
        structure=fit.structure,
        evenness=evenness,
        rim=_rim(_lit(levels, limb, clean, RIM)),
        uneven=uneven,
        scatter=_scatter(fit) / limb.mean_px,
        oval=float(np.hypot(*limb.oval)) / limb.mean_px,
        fall=fit.state.fall if saturated < 0.5 else 0.0,
        saturated=saturated,
        spill=float((outside.light[outside.inside] > max(SPILT * inside, DARK_SKY)).mean())
        if outside.inside.any()
        else 0.0,
        rise=rise,
        rise_evenness=rise_evenness,
        lined=_lined(close, outside, _lit(levels, limb, directions(SPILLS), FARTHER)),
    )


def _not_upon(rays: Rays, others: Sequence[Limb]) -> Rays:
    """Take what lies on other discs for outside the frame."""
    inside = rays.inside.copy()
    for other in others:
        dx = rays.x_px + (rays.origin_px[0] - other.x_px)
        dy = rays.y_px + (rays.origin_px[1] - other.y_px)
        inside &= dx * dx + dy * dy > other.half_axes_px[0] ** 2
    return replace(rays, inside=inside)


def _lined(inside: Rays, outside: Rays, farther: Rays) -> float:
    """Return how much of the light lost across the limb comes back farther out, in the typical direction."""
    lit = [
        rays.light.max(1) if rays is farther else rays.light.mean(1) for rays in (inside, outside, farther)
    ]
    there = inside.inside.all(1) & farther.inside.all(1)
    if there.sum() < 5:
        return 0.0
    here, line, back = (light[there] for light in lit)
    lost = here - line
    edge = lost > max(0.5 * quantile(lost, 0.8), 1e-3)
    return median((back - line)[edge] / lost[edge]) if edge.any() else 0.0


def _rise(inside: Rays, outside: Rays) -> tuple[float, float]:
    """Return the share of the light that is lost across the limb, and how even the loss is round it.

    Cloud and vignetting take shares, and leave the share that is lost even; light from beside the sun is
    added, and leaves the light that is lost even. Whichever is the more even counts.
    """
    both = inside.inside.all(1) & outside.inside.all(1)
    if both.sum() < 5:
        return 0.0, 0.0
    light = inside.light.mean(1)[both]
    lost = light - outside.light.mean(1)[both]
    weakest = 1.0 - STRONG_SHARE
    (least, typical), (least_light, typical_light) = (
        quantiles(loss, (weakest, 0.5)) for loss in (lost / np.maximum(light, 1e-6), lost)
    )
    return typical, max(least / max(typical, 1e-6), least_light / max(typical_light, 1e-6))


def _scatter(fit: LimbFit) -> float:
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


def _rim(rays: Rays) -> float:
    """Return light close to the limb over that a little deeper, typical of rays that go on in the light."""
    light = rays.light[rays.inside.all(1)]
    # Where a ring is thin, nothing but the dark moon is seen at all four places.
    seen = len(light)
    light = light[light[:, 0] > DARK * light[:, 0].max(initial=0.0)]
    close, deeper = light[:, :2].mean(1), light[:, 2:].mean(1)
    lit = (deeper > DARK * close) & (light[:, 3] > GENTLY * light[:, 2])
    return median(close[lit] / deeper[lit]) if lit.sum() > GOING_ON * seen else float("nan")


def is_sun(evidence: LimbEvidence) -> bool:
    """Weigh the evidence: edge, outline and light must all be the sun's.

    A lamp or a glow has no edge, a landscape no common profile, a polygon of the lens no round outline, a
    reflection no darkening, a letter no blur.
    """
    e = evidence
    return _is_disc(e) and not (_lamp(e) if e.strong else _impostor(e))


def is_expected_sun(evidence: LimbEvidence) -> bool:
    """Weigh the evidence for a disc of the size that the sun is known to have: what hides it is forgiven."""
    return _is_disc(evidence)


def _is_disc(e: LimbEvidence) -> bool:
    """Whether there is the limb of a disc, photographed and not drawn."""
    part = e.coverage < 0.9 * e.in_frame
    long = e.coverage > (LEAST_COVERAGE if part else LEAST_WHOLE)
    edge = long and e.softness < SOFTEST and e.structure < MOST_STRUCTURE
    smooth = e.scatter < (ROUGHEST_IN_PART if part or e.in_frame < 1.0 else ROUGHEST)
    outline = smooth and e.oval < (MOST_OVAL_IN_PART if part else MOST_OVAL)
    light = e.step > FAINTEST and e.step > 0.1 * e.sky
    return edge and outline and light and not _drawn(e)


def _drawn(e: LimbEvidence) -> bool:
    """Tell a letter or a line from what was photographed."""
    # A space telescope's binned picture has hardly a blur either, but is no letter's size and shape.
    large = e.strong and e.radius_px > LETTER_PX and e.oval < MOST_OVAL_IN_PART
    letter = e.sigma_px < SHARPEST_PX and e.shown < 0.9 and not large
    # A full-white ring round a dark middle; the eclipsed sun's lit limb is about half of it.
    stroke = e.evenness > 1.3 and e.full and not 0.4 < e.shown < 0.62
    return letter or stroke or e.lined > LINED


def _lamp(e: LimbEvidence) -> bool:
    return e.full and e.softness > 0.05 + 1.2 / e.radius_px


def _impostor(e: LimbEvidence) -> bool:
    """Tell what shares most of the sun's marks and lacks one, where the edge alone does not tell enough."""
    reflection = e.even and e.dim
    lamp = _lamp(e) or (e.full and e.sky > 0.3)
    # Behind a solar filter the sky is dark; light beside the disc lies on the lens.
    veil = (e.sky > 0.08 and e.sky > 0.3 * e.step) or e.spill > MOST_SPILL
    part = e.shown < 0.5 or e.coverage < 0.25
    glow = e.softness > 0.025 and part
    ragged = e.scatter > 0.003 and part
    moon = e.rim > BRIGHTEST_RIM
    return reflection or lamp or veil or glow or ragged or moon or e.fall < STRONGEST_FALL
