"""What speaks for and against a fitted limb being the sun's: edge, outline and light as they are measured."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.face import UNSEEN, Face, face_of
from sentinel.chain.measure.fit import LimbFit, fit_limb, is_wavy
from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.moon import DARK
from sentinel.chain.measure.order import median, quantile, quantiles, spread
from sentinel.chain.measure.priors import HELD_SD, KnownOval, Priors
from sentinel.chain.measure.rays import Rays, cast, directions

Array = NDArray[np.float64]

WEAKEST_FALL = 0.24
"""Lack of darkening against the law's: a linear law of 0.4 has 0.2, an even disc 0.34."""
TONED_FALL = 0.2
"""As much as a soft tone curve takes."""
EVEN_FALL = 0.5
"""More than an even disc has, however noisy."""
RIM = np.array([0.965, 0.95, 0.9, 0.885])
"""Two places close to the limb, and two a little deeper."""
GENTLY, GOING_ON = 0.85, 0.3
"""Light at the last over that before it without which an edge is near; share of the rays that must go on."""
LEVEL = 0.07
"""Difference between light by the limb and deeper inside below which a disc is even: a linear law of 0.2."""
BROKEN = 0.25
"""Unevenness of a disc behind broken cloud."""
UNEVEN, BROKEN_MOST = 0.1, 0.4
"""Unevenness from which cloud stands before the sun, and from which it hides whether the sun is darkened."""
RINGED = 1.3
"""Light by the limb over that deeper inside from which the moon is what stands there, no cloud."""
MUCH_STRUCTURE = 0.025
"""More than clouds leave unexplained but for the thickest."""
DARKEST_LAW = -0.3
"""Darkening beyond the law's that only a fit sent astray by patches finds."""
FREE_FALL_SD = 0.5
"""Expected darkening against the law's where the light itself is to tell it."""
GRAINED = 0.05
"""Difference, even to the eye, from which a face may be a coin's or a planet's: the sun's granulation
in a hard curve has 0.045."""
RUNS_OVER = 0.05
"""Share of the light by the limb at full scale from which a disc runs over."""
LIT_SKY = 0.1
"""Light round an overexposed disc, of full scale, from which it may be a lamp's halo."""
INSIDE, DEEP = np.array([0.95, 0.92, 0.89, 0.86]), np.array([0.7, 0.65, 0.6, 0.55])
CLOSE, OUTSIDE = np.array([0.97, 0.95, 0.93]), np.array([1.03, 1.05, 1.07])
"""Places, in radii, where light is looked at."""
SPILLS, SPILT, DARK_SKY = 120, 0.5, 0.02
"""Directions in which light outside is looked for, and how much it must be: a share of that inside, and more
than a sky behind a solar filter ever has."""
BLURRED = 1.5
"""How much farther out, in blurs, it is looked for: a soft limb's own light goes on a little."""
STRONG_SHARE, STRONG_COVERAGE = 0.7, 0.25
"""Shares of the limb in the frame, and of the whole, from which the edge alone tells that there is a disc."""
STRONG_SOFTNESS, STRONG_BLUR_PX = 0.02, 1.2
"""Blur of an edge that tells so much: in radii, and beside that what pixels and a small lens make."""
FAINTEST_RISE = 0.1
"""Light lost across the limb, of that inside, without which there is no edge."""
FARTHER = np.array([1.15, 1.25, 1.4])
LINED = 0.6
"""Where, in radii, light beyond a drawn line is looked for; share of it from which a line was drawn."""
GAP = 2.5
"""Distance of two directions that show the limb, over the typical one, from which something hides it."""
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
    noise: float
    """What the fit leaves unexplained, linear light."""
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
    gaps: int
    """Stretches in which the limb, all of it in the frame, is not seen."""
    lack: float
    """Darkening against the law's that is lacking, also where the fit held the law: 0.35 of an even disc."""
    face: Face = UNSEEN
    """Not looked at where its size is known."""

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
        return long and self.sharp and self.rise > FAINTEST_RISE and self.rise_evenness > EVEN_RISE

    @property
    def sharp(self) -> bool:
        """Whether the edge is no wider than a lens makes it, and no glow's."""
        return self.softness < STRONG_SOFTNESS + STRONG_BLUR_PX / self.radius_px

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
    def patchy(self) -> bool:
        """Whether its light differs round the limb by more than noise makes it, and no moon stands in it."""
        return self.uneven > UNEVEN + self.noise / self.step and not (self.full or self.evenness > RINGED)

    @property
    def unexplained(self) -> bool:
        """Whether its light differs round the limb and does not darken towards it by the sun's law."""
        law_seen = DARKEST_LAW < self.lack < TONED_FALL and self.structure < MUCH_STRUCTURE
        return self.patchy and not law_seen

    @property
    def runs_over(self) -> bool:
        """Whether part of the light by the limb is at full scale."""
        return self.saturated > RUNS_OVER

    @property
    def haloed(self) -> bool:
        """Whether it runs over and stands in light: its own halo, where it is a lamp."""
        return self.runs_over and self.sky > LIT_SKY

    @property
    def doubtful(self) -> bool:
        """Whether a lamp or a window may look the same where nothing is known of the sun's size."""
        lamp = self.full and (self.sky > LIT_SKY or self.uneven > UNEVEN)
        return self.even or lamp or self.unexplained or self.face.grain > GRAINED

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
    softness = fit.state.sigma_px / limb.mean_px
    outside = _not_upon(_lit(levels, limb, directions(SPILLS), OUTSIDE), others)
    farther = OUTSIDE + BLURRED * max(softness - STRONG_SOFTNESS, 0.0)
    beyond = _not_upon(_lit(levels, limb, directions(SPILLS), farther), others)
    inside, sky = median(near.light[near.inside]), median(fit.sky)
    close = _lit(levels, limb, directions(SPILLS), CLOSE)
    rise, rise_evenness = _rise(close, outside)
    return LimbEvidence(
        coverage=coverage,
        in_frame=in_frame,
        radius_px=limb.mean_px,
        softness=softness,
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
        noise=fit.noise,
        scatter=_scatter(fit) / limb.mean_px,
        oval=float(np.hypot(*limb.oval)) / limb.mean_px,
        fall=fit.state.fall if saturated < 0.5 else 0.0,
        saturated=saturated,
        spill=_share(beyond, max(SPILT * inside, DARK_SKY)),
        rise=rise,
        rise_evenness=rise_evenness,
        lined=_lined(close, outside, _lit(levels, limb, directions(SPILLS), FARTHER)),
        gaps=_gaps(clean) if in_frame == 1.0 else 0,
        lack=fit.state.fall,
    )


def with_face(evidence: LimbEvidence, levels: Levels, fit: LimbFit) -> LimbEvidence:
    """Look at what is asked where nothing known of its size tells what a disc is."""
    held = evidence.patchy or evidence.gaps > 1
    lack = _lack(levels, fit) if held else evidence.lack
    uneven, ringed = evidence.uneven > UNEVEN, evidence.evenness > RINGED
    face = face_of(levels, fit.state.limb, evidence.softness, uneven=uneven, ringed=ringed)
    return replace(evidence, lack=lack, face=face)


def _lack(levels: Levels, fit: LimbFit) -> float:
    """Return how much of the law's darkening a disc lacks, for which it was held; NaN: not to be told."""
    if is_wavy(fit):
        return nan
    state, angle = fit.state, fit.angle[:, None]
    # What was free stays about as it was found, what was held stays held.
    oval, egg, lean, trail = (
        max(float(np.hypot(pair[0], pair[1])), HELD_SD)
        for pair in (state.limb.oval, state.limb.egg, state.unlike[:2], state.unlike[2:])
    )
    free = Priors(KnownOval(sd_px=oval), egg, fall=FREE_FALL_SD, lean=lean, trail=trail, holds_law=False)
    try:
        with np.errstate(all="ignore"):
            return fit_limb(levels, state, angle, free, fit, iterations=12, enough_px=0.02).state.fall
    except np.linalg.LinAlgError:
        return nan


def _gaps(angle: Array) -> int:
    """Count the stretches between the directions that show the limb in which none does."""
    apart = np.diff(angle, append=angle[:1] + 2 * np.pi)
    return int(np.count_nonzero(apart > GAP * median(apart)))


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
