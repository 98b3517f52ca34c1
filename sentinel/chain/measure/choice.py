"""Which of the discs in a frame is the sun: the brightest that is well fitted, or what was to be expected."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import hypot, isnan, nan, pi

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.evidence import FittedDisc
from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.light import of_disc
from sentinel.chain.measure.limb import Limb
from sentinel.chain.measure.priors import KnownLimb, KnownOval
from sentinel.chain.measure.search import Circle, Grid, between, large_circles, sampled, small_circles
from sentinel.chain.measure.verdict import DARKENED, is_expected_sun, is_sun

PLENTY = 0.3
"""Coverage with which the first disc found need not be compared with others."""
OUTSHINES, MUCH_LIGHT = 1.25, 0.15
"""How much brighter light elsewhere must be to speak against a disc, and the share of its area it fills."""
AS_BRIGHT = 0.7
"""The same from which nothing but its outline tells a disc from what lies about it: no haze has as much."""
ALL_SHOWN = 0.9
"""Share of the limb in the frame from which nothing worth a search hides the rest."""
BEYOND = 1.1
"""Distance, in radii, from which light is elsewhere."""
ALIKE = 0.1
"""Relative difference of the radii of lights seen out of focus through one lens."""
CROWD = 2
"""Others alike with which a disc is one of many lights: a sun may have one reflection of its own size."""
SOFT_REFLECTION = 0.025
"""Blur over radius from which a dim, even disc is a reflection, even if nothing else is in the frame."""
UNEVEN_REFLECTION = 0.1
"""Spread of the light by the limb from which it is one too: other light lies on it."""
NEAR = 0.3
"""How far a rough circle may be from the disc of the expected radius, relative: it may be that of a cloud."""
PLACE_SHARE = 0.05
"""How far, in radii, the disc is looked for about where it was: a frame's drift. Farther off it is searched
for as if nothing were known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedDisc:
    """What is known of the disc before the frame is looked at."""

    radius_px: float
    share: float
    """How far the radius may be from it, relative."""
    place_px: tuple[float, float] | None = None
    """Where the disc last was."""
    channel_ratio: float = nan
    """How much brighter its brightest channel is than its grey, in light; NaN: not known."""

    sd_share: float | None = None
    """Standard deviation of the radius, relative; None: a third of `share`."""
    oval: KnownOval | None = None
    """How the air flattens it; None: not known."""

    def fits(self, radius_px: float) -> bool:
        """Whether a radius is what was expected."""
        return abs(radius_px / self.radius_px - 1.0) < self.share

    def known_near(self, circle: Circle) -> KnownLimb | None:
        """Return what is known of the shape of the limb near a circle, unless that is quite another."""
        if abs(circle.radius_px / self.radius_px - 1.0) > max(NEAR, self.share):
            return None
        sd_share = self.share / 3.0 if self.sd_share is None else self.sd_share
        return KnownLimb(self.radius_px, self.radius_px * sd_share, self.oval)


@dataclass(frozen=True, slots=True)
class ChosenSun:
    """The sun, if there is one, and whether other discs stood beside it."""

    sun: FittedDisc | None
    others: bool = False
    unexpected: bool = False
    """Its size is not what was expected."""
    doubtful: bool = False
    """Nothing is known of its size, and its light does not tell it from a lamp's."""


Attempt = Callable[[Circle, Sequence[Limb], KnownLimb | None], FittedDisc | None]
"""Fits a circle; light upon the discs given with it does not speak against the one that is fitted."""


def choose(
    levels: Levels, small: Callable[[], Grid], attempt: Attempt, expected: ExpectedDisc | None
) -> ChosenSun:
    """Look for circles, fit them with `attempt`, and choose the sun among the discs.

    The `small` copy of the frame is not asked for where the disc stands at its expected place.
    """
    discs: list[FittedDisc] = []
    limbs: list[Limb] = []
    strong: list[Limb] = []
    for circle in _circles(levels, small, expected, discs, limbs):
        # What was refused is not judged again, unless another disc has been found that may lie across it.
        judged = [disc.fit.state.limb for disc in discs] or tuple(limbs)
        for disc in _fitted(circle, limbs, attempt, expected):
            limb = disc.fit.state.limb
            if is_expected_sun(disc.evidence):
                # Believed or not, it may lie across another.
                limbs.append(limb)
                if disc.evidence.strong:
                    strong.append(limb)
            if _believed(disc, expected) and not any(_same(limb, other) for other in judged):
                break
        else:
            continue
        discs.append(disc)
        if _settles(levels, disc, expected):
            break
    return _best(levels, discs, strong, expected)


def _fitted(
    circle: Circle, limbs: Sequence[Limb], attempt: Attempt, expected: ExpectedDisc | None
) -> Iterator[FittedDisc]:
    """Yield the disc near a circle: of the shape that is known, and as if nothing were."""
    known = expected.known_near(circle) if expected is not None else None
    for held in (known, None) if known is not None else (None,):
        disc = attempt(circle, limbs, held)
        if disc is not None:
            yield disc


def _circles(
    levels: Levels,
    small: Callable[[], Grid],
    expected: ExpectedDisc | None,
    discs: Sequence[FittedDisc],
    limbs: Sequence[Limb],
) -> Iterator[Circle]:
    """Yield where a disc may be: where it was, what is seen, what is seen beside the discs found so far.

    Where none was believed, that is beside the `limbs` of those that were not: a large reflection's edges
    outnumber a small sun's.
    """
    if expected is not None and expected.place_px is not None:
        x, y = expected.place_px
        stretch_px = expected.oval.stretch_px if expected.oval is not None else 0.0
        yield Circle(x, y, expected.radius_px - stretch_px, PLACE_SHARE * expected.radius_px)
    grid = small()
    tried: list[Circle] = []
    for circle in large_circles(grid):
        tried.append(circle)
        yield circle
    if not discs:
        yield from between(tried)
    if seen := [disc.fit.state.limb for disc in discs] or limbs:
        # Fresh pairs of the edges that are not yet explained.
        yield from large_circles(grid, explained=[_circle(limb) for limb in seen])
    if not discs or any(_suspect(disc) for disc in discs):
        yield from small_circles(levels, grid)


def _circle(limb: Limb) -> Circle:
    return Circle(limb.x_px, limb.y_px, limb.mean_px, 0.04 * limb.mean_px)


def _same(one: Limb, other: Limb) -> bool:
    apart = max(hypot(one.x_px - other.x_px, one.y_px - other.y_px), abs(one.mean_px - other.mean_px))
    return apart < 0.1 * max(one.mean_px, other.mean_px)


def _believed(disc: FittedDisc, expected: ExpectedDisc | None) -> bool:
    """Whether a fitted disc may be the sun, by itself."""
    e = disc.evidence
    if expected is None:
        return is_sun(e)
    if expected.fits(e.long_px):
        return is_expected_sun(e)
    # Settings may be wrong; but lamps, windows and holes in cloud have any size, and even or patchy light.
    return is_sun(e) and e.strong and e.darkened


def _suspect(disc: FittedDisc) -> bool:
    """Whether a disc looks as lights out of focus and reflections do, which seldom come alone."""
    return disc.evidence.even or disc.evidence.unexplained


def _settles(levels: Levels, disc: FittedDisc, expected: ExpectedDisc | None) -> bool:
    """Whether a disc ends the search."""
    if expected is not None and not expected.fits(disc.evidence.long_px):
        return False
    e = disc.evidence
    suspect = expected is None and _suspect(disc)
    # What hides part of the limb of a disc that holds light at full scale may be a brighter disc across it.
    crossed = e.shown < ALL_SHOWN and of_disc(levels, disc.fit.state.limb).high >= levels.saturation
    return e.coverage > PLENTY and not suspect and not crossed and not outshone(levels, disc)


def outshone(levels: Levels, disc: FittedDisc, share: float = OUTSHINES) -> bool:
    """Whether much light of such a share of the disc's, or at full scale as it is itself, lies outside it."""
    limb = disc.fit.state.limb
    light = of_disc(levels, limb).high
    if isnan(light):
        # A sliver so thin that no pixel lies within it.
        return False
    level = min(share * light, levels.saturation)
    sample = sampled(levels)
    brighter = _broadly(sample.values > levels.stored(level))
    enough = MUCH_LIGHT * pi * limb.mean_px**2 / (sample.across_px * sample.down_px)
    if np.count_nonzero(brighter) <= enough:
        return False
    row, column = np.nonzero(brighter)
    x, y = column * sample.across_px, sample.first_px + row * sample.down_px
    away = np.hypot(x - limb.x_px, y - limb.y_px)
    return bool(np.count_nonzero(away > BEYOND * limb.mean_px) > enough)


def _broadly(bright: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out what is bright alone in its row or column: hot pixels; glints, which are wide and flat."""
    wide = np.pad(bright, 1)
    beside = wide[1:-1, :-2] | wide[1:-1, 2:]
    above = wide[:-2, 1:-1] | wide[2:, 1:-1]
    return np.asarray(bright & beside & above)


def _best(
    levels: Levels, discs: list[FittedDisc], strong: Sequence[Limb], expected: ExpectedDisc | None
) -> ChosenSun:
    """Choose among the discs; those of the `strong` limbs are discs too, believed or not."""
    fitting = [disc for disc in discs if expected is not None and expected.fits(disc.evidence.long_px)]
    left = fitting or [disc for disc in discs if not _is_reflection(levels, disc, discs)]
    if not left:
        return ChosenSun(None)
    sun = max(left, key=lambda disc: _rank(levels, disc)) if len(left) > 1 else left[0]
    untold = expected is None and (sun.evidence.doubtful or outshone(levels, sun, AS_BRIGHT))
    others = len(discs) > 1 or not all(_same(limb, sun.fit.state.limb) for limb in strong)
    return ChosenSun(sun, others, expected is not None and not fitting, untold)


def _rank(levels: Levels, disc: FittedDisc) -> tuple[bool, float, bool, float, float]:
    """Arcs yield to discs, and fainter to brighter ones.

    Of two at full scale the brighter is so up to its limb, and its edge is the steeper; of others, one may be
    part of the limb of the other.
    """
    e = disc.evidence
    light = min(of_disc(levels, disc.fit.state.limb).high, levels.saturation)
    shown = 0.0 if e.full else round(e.coverage, 1)
    return e.coverage > PLENTY, round(light, 2), e.full, shown, e.step / e.sigma_px


def _is_reflection(levels: Levels, disc: FittedDisc, discs: list[FittedDisc]) -> bool:
    """Whether a disc is a light out of focus or a reflection, by the company it keeps."""
    e = disc.evidence
    others = [other.evidence for other in discs if other is not disc]
    alike = [other for other in others if abs(other.radius_px / e.radius_px - 1.0) < ALIKE]
    if len(alike) >= CROWD:
        return True
    if e.runs_over and any(one.haloed for one in (e, *others)):
        # The sun may look so, too, but there is one of it.
        return outshone(levels, disc)
    if not e.even:
        return False
    company = [other for other in others if other.even]
    twin = any(other.even for other in alike)
    if twin or not e.dim:
        return twin
    soft, uneven = e.softness > SOFT_REFLECTION, e.uneven > UNEVEN_REFLECTION
    # Light that is seen to be less by a sharp limb overrules what law was fitted: neither lit snow beside
    # the sun nor a mast before it makes it a lamp.
    darkened = e.strong and e.darkened and e.evenness < DARKENED
    return soft or outshone(levels, disc) or (not darkened and (uneven or bool(company)))
