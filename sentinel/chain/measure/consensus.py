"""From a rough circle to the rays that truly show the limb: agreement first, refinement after."""

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.limb import RADIUS, SHAPE_TERMS, Limb, shape_columns
from sentinel.chain.measure.order import median, quantile, spread
from sentinel.chain.measure.priors import KnownLimb
from sentinel.chain.measure.rays import cast, directions
from sentinel.chain.measure.search import Circle

Array = NDArray[np.float64]

SECTORS, FINE_SECTORS = 256, 1024
"""Parts of the whole circumference in which an edge is looked for, and where little of it is in the frame."""
LITTLE = 0.2
"""Share of the limb in the frame below which the fine ones are used: it holds few of the others."""
TRIALS = 200
FEWEST = 8
"""Rays that can agree on anything."""
ARC, NEARLY_ALL = 0.45, 0.8
"""Shares of the limb from which an ellipse can be told at all, and from which it can be told well."""
SLACK, ARC_SLACK = 0.2, 0.7
"""How far, in radii, a limb may be from the rough circle, and where a sliver is all that told the circle."""
ARC_PASSES = 3
PLAIN_PX, PLAIN_SHARE, PLAIN_STEP_PX = 0.6, 0.9, 2.0
"""Scatter, share of the directions and fineness of a first look that need no second."""
OUTWARD = 0.35
"""How far outside the limb the steepest place of a darkened disc's edge lies, in blurs, to the eye."""
PLAIN_OVAL = 0.004
"""Oval, in radii, that an arc can tell."""
LEAST_SD_PX = 1.0
"""How well a known radius tells where the steepest place of an edge is, whose blur is not yet known."""
NEEDED = 1.5
"""How much better than a circle an ellipse must fit where part of the limb is hid: cloud bends a limb too."""
ROUND = 2e-5
"""What a limb that is taken as round may be out of round, in radii."""
LARGEST_OVAL = 0.12
"""Half the difference of the half-axes, in radii: the sun on the horizon has 0.09."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A limb that many rays agree on."""

    limb: Limb
    angle: Array
    """(n,): directions that were looked in and lie in the frame."""
    agrees: NDArray[np.bool_]
    """(n,)"""
    sigma_px: float
    """Rough blur of the edge."""
    scatter_px: float
    """Robust spread of the agreeing edges about the limb."""
    sectors: int
    """Parts of the whole circumference, of which `angle` are those in the frame."""

    @property
    def share(self) -> float:
        """Share of the whole circumference that agrees."""
        return float(self.agrees.sum() / self.sectors)

    def sector_of(self, angle: Array) -> NDArray[np.intp]:
        """Return the numbers of the sectors that directions lie in."""
        return (angle % (2 * np.pi) * (self.sectors / (2 * np.pi))).astype(np.intp) % self.sectors


@dataclass(frozen=True, slots=True)
class _Larger:
    """How much larger than the limb looked about the radius is known to be."""

    px: float
    sd_px: float


@dataclass(frozen=True, slots=True)
class _Strip:
    """The frame round the limb unrolled: a row a sector, a column a distance."""

    angle: Array
    along_px: Array
    light: Array
    inside: NDArray[np.bool_]


def _unroll(  # noqa: PLR0917 - a strip's measures
    levels: Levels, limb: Limb, half_px: float, step_px: float, sectors: int, together: int
) -> _Strip:
    """Sample a band about the limb, `together` rays a sector averaged."""
    angle = directions(sectors * together)
    along = np.arange(-half_px, half_px + step_px / 2, step_px)
    rays = cast(levels, limb.x_px, limb.y_px, angle, np.maximum(limb.at(angle)[:, None] + along, 0.5))
    mean = rays.light.reshape(sectors, together, -1).mean(1)
    inside = np.asarray(rays.inside.reshape(sectors, together, -1).all(1))
    return _Strip(angle.reshape(sectors, together).mean(1), along, mean, inside)


def _steepest(strip: _Strip, width: int) -> tuple[Array, Array, float]:
    """Return offset, step height and its noise of the strongest inward rise on every row."""
    light = np.sqrt(strip.light)
    total = np.concatenate([np.zeros((len(light), 1)), np.cumsum(light, axis=1)], axis=1)
    box = (total[:, width:] - total[:, :-width]) / width
    rise = box[:, :-width] - box[:, width:]
    seen = strip.inside[:, : rise.shape[1]] & strip.inside[:, -rise.shape[1] :]
    rise = np.where(seen, rise, 0.0)
    best = np.argmax(rise, axis=1)
    row = np.arange(len(rise))
    inner = np.clip(best, 1, rise.shape[1] - 2)
    before, here, after = rise[row, inner - 1], rise[row, inner], rise[row, inner + 1]
    curve = np.maximum(2 * here - before - after, 1e-9)
    shift = np.where(best == inner, np.clip((after - before) / (2 * curve), -1, 1), 0.0)
    step = strip.along_px[1] - strip.along_px[0]
    offset = strip.along_px[0] + (inner + shift + width - 0.5) * step
    # Where the frame ends, what looks steepest is the last that is seen: no edge.
    ends = ~(seen[row, inner - 1] & seen[row, inner + 1])
    # Neighbouring rows see the same edge: what differs between them is noise.
    differ = (rise[1::3] - rise[:-1:3])[seen[1::3] & seen[:-1:3]]
    noise = spread(differ) / np.sqrt(2.0) if differ.size else 1.0
    return offset, np.where(ends, 0.0, rise[row, best]), max(noise, 1e-4)


def _blended(strip: _Strip, rows: int) -> _Strip:
    """Average `rows` (odd) neighbouring rows, for edges drowned in noise."""
    if rows <= 1:
        return strip
    count = np.zeros(strip.light.shape)
    light = np.zeros(strip.light.shape)
    for shift in range(-(rows // 2), rows // 2 + 1):
        seen = np.roll(strip.inside, shift, axis=0)
        light += np.where(seen, np.roll(strip.light, shift, axis=0), 0.0)
        count += seen
    return _Strip(strip.angle, strip.along_px, light / np.maximum(count, 1), strip.inside)


def _vote(
    angle: Array, offset: Array, usable: NDArray[np.bool_], tolerance: float, larger: _Larger | None
) -> NDArray[np.bool_] | None:
    """Return the rays that agree with the best circle through three of them, `larger` by what is known."""
    index = np.nonzero(usable)[0]
    if index.size < FEWEST:
        return None
    columns = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
    shift = np.linalg.lstsq(columns[index], offset[index], rcond=None)[0]
    plain = np.abs(columns @ shift - offset) < tolerance
    if plain[index].mean() > PLAIN_SHARE and _may_be(shift[RADIUS], larger):
        return np.asarray(plain & usable)
    rng = np.random.default_rng(3)
    picked = index[rng.integers(0, index.size, (TRIALS, 3))]
    matrix = columns[picked]
    sound = np.abs(np.linalg.det(matrix)) > 1e-3
    if not sound.any():
        return None
    models = np.linalg.solve(matrix[sound], offset[picked[sound]][..., None])[..., 0]
    models = models[_may_be(models[:, RADIUS], larger)]
    if not len(models):
        return None
    miss = np.abs(models @ columns.T - offset)
    votes = ((miss < tolerance) & usable).sum(1)
    return np.asarray((miss[np.argmax(votes)] < tolerance) & usable)


def _may_be(larger_px: Array | float, known: _Larger | None) -> NDArray[np.bool_]:
    """Say of which circles the radius, larger than that looked about, is not otherwise than is known."""
    if known is None:
        return np.ones(np.shape(larger_px), bool)
    return np.asarray(np.abs(larger_px - known.px) < 3.0 * known.sd_px)


def _solve(
    columns: Array, offset: Array, agrees: NDArray[np.bool_], oval_px: float, larger: _Larger | None
) -> Array:
    """Least squares of the limb's shape terms; oval held by `oval_px` to that looked along, the egg to none.

    The radius is held to how much `larger` it is known to be than that of the limb looked about.
    """
    seen = columns[agrees]
    normal, right = seen.T @ seen, seen.T @ offset[agrees]
    normal.flat[:: SHAPE_TERMS + 1] += (1e-6, 1e-6, 1e-6, oval_px**-2, oval_px**-2, 1e12, 1e12)
    if larger is not None:
        normal[RADIUS, RADIUS] += larger.sd_px**-2
        right[RADIUS] += larger.px * larger.sd_px**-2
    return np.asarray(np.linalg.solve(normal, right))


def tells_oval(share: float, oval: float) -> bool:
    """Whether an ellipse of `oval` radii is to be believed on a `share` of the limb.

    An arc cannot tell an ellipse from a shift unless the ellipse is plain.
    """
    return share > NEARLY_ALL or (share > ARC and oval > PLAIN_OVAL)


def _tighten(  # noqa: PLR0917 - one strip's parts
    strip: _Strip,
    offset: Array,
    agrees: NDArray[np.bool_],
    usable: NDArray[np.bool_],
    radius: float,
    floor: float,
    larger: _Larger | None,
) -> tuple[Array, NDArray[np.bool_], float]:
    """Refit to the agreeing rays, ever more strictly."""
    share = float(agrees.mean())
    free = share > ARC
    columns = shape_columns(strip.angle)
    for _ in range(5):
        shape = _solve(columns, offset, agrees, (LARGEST_OVAL if free else ROUND) * radius, larger)
        miss = offset - columns @ shape
        scatter = spread(miss[agrees])
        if free and (share < PLAIN_SHARE or scatter > PLAIN_PX):
            plain = _solve(columns, offset, agrees, ROUND * radius, larger)
            off = offset - columns @ plain
            needed = spread(off[agrees]) > NEEDED * scatter
            if not needed or not tells_oval(share, float(np.hypot(*shape[3:5])) / radius):
                free, shape, miss, scatter = False, plain, off, spread(off[agrees])
        before, agrees = agrees, usable & (np.abs(miss) < max(3.5 * scatter, floor))
        if agrees.sum() < FEWEST or bool((agrees == before).all()):
            break
    return shape, agrees, scatter


def _rough_sigma(strip: _Strip, offset: Array, agrees: NDArray[np.bool_]) -> float:
    """Blur of the mean edge of the agreeing rows."""
    step = strip.along_px[1] - strip.along_px[0]
    reach = np.arange(-strip.along_px[-1], strip.along_px[-1] + step, step)
    rows = np.nonzero(agrees)[0]
    rows = rows[:: max(1, rows.size // 48)]
    place = (reach + offset[rows, None] - strip.along_px[0]) / step
    below = np.clip(place.astype(np.intp), 0, strip.along_px.size - 2)
    share = np.clip(place - below, 0.0, 1.0)
    low, high = (strip.light[rows[:, None], below + k] for k in (0, 1))
    mean = np.median(low + share * (high - low), axis=0)
    steepest = float((mean[:-2] - mean[2:]).max()) / (2 * step)
    half = max(3, int(len(reach) * 0.3))
    jump = median(mean[:half]) - median(mean[-half:])
    # Half the plateau's height: the step at the limb, not the darkened disc behind it.
    sigma = 0.7 * jump / (2.507 * max(steepest, 1e-9))
    # Steps of more than a pixel have widened it.
    sigma = sqrt(max(sigma**2 - 1.5 * (step**2 - 1.0), (0.5 * sigma) ** 2))
    return float(np.clip(sigma, 0.6, 0.25 * strip.along_px[-1] + 20))


def _pass(  # noqa: PLR0917 - a strip's measures
    levels: Levels,
    limb: Limb,
    half: float,
    step: float,
    width: int,
    loose: float,
    rays: tuple[int, int],
    known: KnownLimb | None,
) -> Outline | None:
    strip = _unroll(levels, limb, half, step, *rays)
    if strip.along_px.size < 2 * width + 3:
        return None
    offset, strength, noise = _steepest(strip, width)
    rows = 2 * int(min(7.0, 32.0 * (noise / max(quantile(strength, 0.8), noise)) ** 2)) + 1
    if rows > 1:
        strip = _blended(strip, rows)
        offset, strength, noise = _steepest(strip, width)
    clear = strength[strength > 4 * noise]
    if clear.size < FEWEST:
        return None
    usable = strength > max(3.0 * noise, 0.15 * quantile(clear, 0.8))
    usable &= np.abs(offset) < half - step
    larger = None
    if known is not None:
        off_px = known.radius_px - limb.half_axes_px[0]
        larger = _Larger(off_px, max(known.sd_px, LEAST_SD_PX) + OUTWARD * step)
    agrees = _vote(strip.angle, offset, usable, loose, larger)
    if agrees is None or agrees.sum() < FEWEST:
        return None
    shape, agrees, scatter = _tighten(strip, offset, agrees, usable, limb.mean_px, 1.5 * step, larger)
    if agrees.sum() < FEWEST:
        return None
    sigma = _rough_sigma(strip, offset, agrees)
    near = np.abs(strip.along_px) <= max(2.0 * sigma, width * step)
    looked = strip.inside[:, near].all(1)
    shape[2] -= OUTWARD * sigma
    return Outline(limb.moved(shape), strip.angle[looked], agrees[looked], sigma, scatter, rays[0])


def agree(levels: Levels, circle: Circle, known: KnownLimb | None = None) -> Outline | None:
    """Return the limb near `circle` that most rays agree on, or None; its shape as far as it is `known`."""
    oval = known.oval.px if known is not None and known.oval is not None else (0.0, 0.0)
    limb = Limb(circle.x_px, circle.y_px, circle.radius_px, oval)
    half = min(1.2 * circle.tolerance_px + 3.0, 0.5 * circle.radius_px)
    step = max(1.0, half / 32.0)
    sectors = SECTORS if limb.share_in(levels.shape) > LITTLE else FINE_SECTORS
    loose = 0.02 * circle.radius_px + 1.5 * step
    first = _pass(levels, limb, half, step, 3, loose, (sectors, 1), known)
    if first is None:
        return None
    if ARC < first.share < PLAIN_SHARE and hypot(*first.limb.oval) > 0.0:
        # Of a flat disc a circle shows only what lies near it: the ellipse is looked along once more.
        wider = _pass(levels, first.limb, half, step, 3, loose, (sectors, 1), known)
        first = wider if wider is not None and wider.share > first.share else first
    slack = SLACK if sectors == SECTORS else ARC_SLACK
    if not _sensible(first.limb, circle, slack):
        return None
    if first.share > PLAIN_SHARE and first.scatter_px < PLAIN_PX and step < PLAIN_STEP_PX:
        return first
    half = float(np.clip(3.0 * first.sigma_px + 3.0 * first.scatter_px + 4.0, 8.0, half))
    step = max(1.0, half / 24.0)
    width = max(2, round(first.sigma_px / step))
    together = int(np.clip(2 * np.pi * limb.mean_px / sectors / 4.0, 1, 3))
    outline = first
    # The rough circle of a sliver shows it but in part: it is looked at anew about what was found.
    for _ in range(1 if sectors == SECTORS else ARC_PASSES):
        nearer = _pass(levels, outline.limb, half, step, width, 1.5 * step + 1.0, (sectors, together), known)
        if nearer is None or not _sensible(nearer.limb, circle, slack):
            return None
        outline = nearer
    return outline


def _sensible(limb: Limb, circle: Circle, slack: float) -> bool:
    """Whether a limb is about the circle that it was looked for at; `slack` in radii."""
    reach = 2.0 * circle.tolerance_px + 2.0 + slack * circle.radius_px
    apart = np.hypot(limb.x_px - circle.x_px, limb.y_px - circle.y_px)
    return bool(max(abs(limb.mean_px - circle.radius_px), apart) < reach)
