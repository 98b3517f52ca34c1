"""Where a disc may be: circles through the edges of a small copy of the frame.

Only edges that are bright on the inside vote for a circle, so that the moon's limb, a ridge or a cable, which
are bright on their outside or straight, cannot; and a circle is taken by how many edges agree with it, not by
how little it misses them all.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.levels import Levels

Coarse = NDArray[np.float32]
"""Cells need no more digits, and there are many candidates."""

GRID_CELLS = 320
"""Cells along the frame's longer side in the small copy."""
FINE_CELLS = 96
"""The same when a small patch is looked at again."""
MAX_EDGES = 1500
FEWEST = 6
"""Edges that are worth a circle."""
JURY = 100
"""Edges that judge all candidates; the best candidates are judged by all edges."""
FEW_PAIRS, PLAIN_SUPPORT = 300, 0.6
"""Where one of the first pairs' circles is agreed on by such a share of the jury, no others are asked."""
PAIRS = 4000
LOUD = 0.4
"""Steepness over that of the steepest edge from which an edge is asked first."""
OUTERMOST = 600
"""Edges that are asked whether others lie outside them."""
ALIKE, OVERLAP = 0.1, 0.5
"""Difference of the radii, and distance, in radii, of two circles that one flat disc may have given."""
SMALLEST_CELLS = 5.0
"""A circle of fewer cells is looked for again in a finer copy."""


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle that edges agree on."""

    x_px: float
    y_px: float
    radius_px: float
    tolerance_px: float
    """How far the true limb may be from it."""
    votes: float = 0.0

    def in_cells(self, grid: "Grid") -> tuple[float, float, float]:
        """Return x, y and radius in a grid's cells."""
        return (
            (self.x_px - grid.x0_px) / grid.step_px,
            (self.y_px - grid.y0_px) / grid.step_px,
            self.radius_px / grid.step_px,
        )

    def is_about(self, other: "Circle") -> bool:
        """Whether the two are the same within their tolerance."""
        apart = max(abs(self.x_px - other.x_px), abs(self.y_px - other.y_px))
        return max(apart, abs(self.radius_px - other.radius_px)) < 0.5 * self.tolerance_px


@dataclass(frozen=True, slots=True)
class Grid:
    """A small copy of a part of the frame, in stored values made even to the eye."""

    cells: NDArray[np.float32]
    """(ny, nx), 0 to 1."""
    step_px: int
    x0_px: float
    """Frame coordinate of the middle of the first cell."""
    y0_px: float


@dataclass(frozen=True, slots=True)
class _Edges:
    """Places where the grid changes, with the unit vector to the bright side; in cells."""

    x: Coarse
    y: Coarse
    to_x: Coarse
    to_y: Coarse
    share: float = 1.0
    """How many of all edges these are."""

    def where(self, keep: NDArray[Any]) -> "_Edges":
        """Return some of them, by index or truth; their share is still that of the whole."""
        return _Edges(self.x[keep], self.y[keep], self.to_x[keep], self.to_y[keep], self.share)

    def thinned(self) -> "_Edges":
        """Return no more of them than can be asked."""
        share = MAX_EDGES / max(self.x.size, 1)
        if share >= 1.0:
            return self
        keep = np.sort(np.random.default_rng(1).permutation(self.x.size)[:MAX_EDGES])
        return replace(self.where(keep), share=share)

    def without(self, circle: Coarse, tolerance: np.float32) -> "_Edges":
        """Return those that do not lie on a circle."""
        return self.where(~_agreeing(self, circle, tolerance))

    def outermost(self) -> "_Edges":
        """Return those with nothing beyond them on their dark side: the limb's, not the cloud's before it."""
        some = self.some(OUTERMOST)
        px, py = self.x - some.x[:, None], self.y - some.y[:, None]
        outward = -(px * some.to_x[:, None] + py * some.to_y[:, None])
        aside = np.abs(px * some.to_y[:, None] - py * some.to_x[:, None])
        return some.where(np.asarray(~((outward > 3) & (aside < 1)).any(axis=1)))

    def some(self, count: int) -> "_Edges":
        """Return `count` of them picked at random; itself if there are no more."""
        if self.x.size <= count:
            return self
        return self.where(np.random.default_rng(4).permutation(self.x.size)[:count])


def small_copy(levels: Levels, window: tuple[int, int, int, int], cells: int) -> Grid:
    """Copy the window (x0, x1, y0, y1) with about `cells` along its longer side.

    One row in every step is read, and averaged along the row: a sixteenth of the frame at a step of 16.
    """
    x0, x1, y0, y1 = window
    step = max(1, -(-max(x1 - x0, y1 - y0) // cells))
    nx, ny = (x1 - x0) // step, (y1 - y0) // step
    rows = levels.values[y0 + step // 2 : y0 + step // 2 + (ny - 1) * step + 1 : step, x0 : x0 + nx * step]
    split = rows.astype(np.float32).reshape(ny * nx, step)
    if rows.dtype.kind == "f":
        split = np.clip(np.nan_to_num(split), 0, None)
    # A product with ones is the quickest sum of few.
    mean = (split @ np.full(step, 1.0 / (step * levels.full_scale), np.float32)).reshape(ny, nx)
    if levels.transfer == "linear":
        mean = np.sqrt(mean)
    return Grid(mean, step, x0 + (step - 1) / 2, y0 + step // 2)


def _smooth(cells: NDArray[np.float32]) -> NDArray[np.float32]:
    """3 x 3 binomial mean, edges repeated."""
    padded = np.pad(cells, 1, mode="edge")
    rows = padded[:-2] + 2 * padded[1:-1] + padded[2:]
    return np.asarray((rows[:, :-2] + 2 * rows[:, 1:-1] + rows[:, 2:]) / 16)


def _find_edges(cells: NDArray[np.float32]) -> tuple[_Edges, _Edges]:
    """Return the steep edges, and all: a limb is steeper than the glow round it, which may have many more."""
    smooth = _smooth(cells)
    gx, gy = np.zeros_like(smooth), np.zeros_like(smooth)
    gx[:, 1:-1] = (smooth[:, 2:] - smooth[:, :-2]) / 2
    gy[1:-1, :] = (smooth[2:, :] - smooth[:-2, :]) / 2
    size = np.sqrt(gx * gx + gy * gy)
    ordered = np.sort(size[::2, ::2], axis=None)
    quiet, loud = (float(ordered[int(share * (ordered.size - 1))]) for share in (0.5, 0.998))
    floor = max(4.0 * quiet, 0.12 * loud, 0.004)
    y, x = np.nonzero(size[1:-1, 1:-1] > floor)
    y, x = y + 1, x + 1
    sx, sy, s = gx[y, x], gy[y, x], size[y, x]
    # The steepest places along the axis the edge is crossed by, to a part of a cell.
    lying = np.abs(sx) > np.abs(sy)
    beside_x, beside_y = lying.astype(np.intp), (~lying).astype(np.intp)
    before, after = size[y - beside_y, x - beside_x], size[y + beside_y, x + beside_x]
    keep = np.nonzero((s >= before) & (s > after))[0]
    sx, sy, s, before, after = (v[keep] for v in (sx, sy, s, before, after))
    x, y, lying = x[keep], y[keep], lying[keep]
    shift = np.clip((after - before) / (2 * np.maximum(2 * s - before - after, 1e-9)), -0.5, 0.5)
    every = _Edges(
        np.asarray(x + np.where(lying, shift, 0), np.float32),
        np.asarray(y + np.where(lying, 0, shift), np.float32),
        sx / s,
        sy / s,
    )
    return every.where(s > LOUD * float(s.max(initial=0.0))).thinned(), every.thinned()


def _pair_circles(edges: _Edges, pairs: int, largest: float) -> Coarse:
    """Circles (n, 3) through random pairs of edges whose inward normals meet at one distance."""
    rng = np.random.default_rng(2)
    n = edges.x.size
    i = rng.integers(0, n, pairs)
    j = rng.integers(0, n, pairs)
    nx, ny = edges.to_x[i] - edges.to_x[j], edges.to_y[i] - edges.to_y[j]
    px, py = edges.x[j] - edges.x[i], edges.y[j] - edges.y[i]
    spread = nx**2 + ny**2
    radius = (px * nx + py * ny) / np.maximum(spread, 1e-9)
    miss = np.hypot(px - radius * nx, py - radius * ny)
    good = (spread > 0.03) & (radius > 1.2) & (radius < largest) & (miss < 0.15 * radius + 1.0)
    i, j, radius = i[good], j[good], radius[good]
    cx = (edges.x[i] + edges.x[j] + radius * (edges.to_x[i] + edges.to_x[j])) / 2
    cy = (edges.y[i] + edges.y[j] + radius * (edges.to_y[i] + edges.to_y[j])) / 2
    return np.stack([cx, cy, radius], axis=1)


def _agreeing(edges: _Edges, circle: Coarse, tolerance: Coarse | np.float32) -> NDArray[np.bool_]:
    """Which edges (n,) lie on which circles (..., 3) with their bright side inward."""
    dx, dy = circle[..., 0, None] - edges.x, circle[..., 1, None] - edges.y
    distance = np.sqrt(dx * dx + dy * dy)
    inward = dx * edges.to_x + dy * edges.to_y
    inward -= np.float32(0.85) * distance
    distance -= circle[..., 2, None]
    return np.asarray((np.abs(distance, out=distance) < tolerance) & (inward > 0))


def _support(edges: _Edges, candidates: Coarse) -> NDArray[np.intp]:
    """How many edges agree with each candidate."""
    tolerance = (1 + np.float32(0.05) * candidates[:, 2])[:, None]
    return np.asarray(np.count_nonzero(_agreeing(edges, candidates, tolerance), axis=1))


def _votes(edges: _Edges, support: NDArray[np.intp], candidates: Coarse) -> Coarse:
    """Edges that agree, over the root of the length that could: small circles must not lose to large ones.

    A circle (..., 3) has no more edges than its length has room for; the others are clutter.
    """
    radius = candidates[..., 2]
    room = np.float32(8.0 * edges.share) * radius + 2
    return np.asarray(np.minimum(support, room) / np.sqrt(radius + 3.0), np.float32)


def _through(x: Coarse, y: Coarse) -> Coarse:
    """Least-squares circle through points."""
    x, y = x.astype(float), y.astype(float)
    mx, my = x.mean(), y.mean()
    u, v = x - mx, y - my
    matrix = np.stack([2 * u, 2 * v, np.ones_like(u)], axis=1)
    (cx, cy, rest), *_ = np.linalg.lstsq(matrix, u**2 + v**2, rcond=None)
    return np.array([cx + mx, cy + my, np.sqrt(max(rest + cx**2 + cy**2, 1e-6))], np.float32)


def _refined(edges: _Edges, circle: Coarse) -> tuple[Coarse, float]:
    """Fit the circle to the edges that agree, ever more strictly; return it and the number that do."""
    votes = 0.0
    for share in (0.08, 0.05, 0.04):
        tolerance = np.float32(1.0 + share * circle[2])
        on = _agreeing(edges, circle, tolerance)
        if on.sum() < FEWEST:
            break
        circle, votes = _through(edges.x[on], edges.y[on]), float(on.sum())
    return circle, votes


def _circles_in(grid: Grid, count: int, explained: Sequence[Circle] = ()) -> Iterator[Circle]:
    """Yield up to `count` circles: at once what is beyond doubt, then the best supported first.

    Edges that lie on one of the circles `explained` are not asked.
    """
    loud, edges = _find_edges(grid.cells)
    for known in explained:
        cells = np.array(known.in_cells(grid), np.float32)
        loud, edges = (some.without(cells, np.float32(2.0)) for some in (loud, edges))
    seen: list[Circle] = []
    found: list[Circle] = []
    for circle, agreed, asked in _supported(loud, edges, 2 * count, 3.0 * max(grid.cells.shape)):
        x, y, radius = (float(v) for v in circle)
        one = Circle(x, y, radius, 1.0 + 0.04 * radius, _sharply(edges, circle))
        if any(one.is_about(other) for other in seen):
            continue
        seen.append(one)
        if agreed > PLAIN_SUPPORT * asked:
            yield one
        else:
            found.append(one)
    yield from sorted(found, key=lambda one: -one.votes)[:count]


def _supported(
    loud: _Edges, edges: _Edges, count: int, largest: float
) -> Iterator[tuple[Coarse, float, int]]:
    """Yield circles, each with how many of how many edges agree: of the steep, of all, of the outermost."""
    for turn in range(3):
        left = some = (loud, edges)[turn] if turn < 2 else edges.outermost()
        if some.x.size < FEWEST or (turn == 1 and loud.x.size == edges.x.size):
            continue
        candidates, few = _seen_by_jury(some, largest)
        candidates = candidates[np.argsort(-_votes(some, few, candidates))[: 20 * count]]
        for _ in range(count):
            support = _support(left, candidates)
            if support.max(initial=0) < FEWEST:
                break
            circle, agreed = _refined(some, candidates[np.argmax(_votes(some, support, candidates))])
            yield circle, agreed, some.x.size
            # What has spoken for one circle is not asked about the next.
            left = left.without(circle, np.float32(1.0 + 0.08 * circle[2]))


def _sharply(edges: _Edges, circle: Coarse) -> float:
    """Votes of the edges that lie closely on the circle: a limb is one line, clutter is spread."""
    on = np.count_nonzero(_agreeing(edges, circle, np.float32(1.2)))
    return float(_votes(edges, np.asarray(on), circle))


def _seen_by_jury(edges: _Edges, largest: float) -> tuple[Coarse, NDArray[np.intp]]:
    """Return circles through pairs of edges, and how many of some edges agree with each."""
    jury = edges.some(JURY)
    circles = _pair_circles(edges, FEW_PAIRS, largest)
    support = _support(jury, circles)
    if support.max(initial=0) < PLAIN_SUPPORT * jury.x.size:
        circles = _pair_circles(edges, PAIRS, largest)
        support = _support(jury, circles)
    return circles, np.asarray(support * (edges.x.size / jury.x.size)).astype(np.intp)


def _in_frame(circle: Circle, grid: Grid) -> Circle:
    step = grid.step_px
    return Circle(
        grid.x0_px + circle.x_px * step,
        grid.y0_px + circle.y_px * step,
        circle.radius_px * step,
        circle.tolerance_px * step,
        circle.votes,
    )


def _peaks(grid: Grid, count: int) -> list[tuple[float, float]]:
    """Frame coordinates of the brightest separate places of the grid."""
    smooth = _smooth(grid.cells)
    floor = float(np.median(smooth))
    found: list[tuple[float, float]] = []
    top = float(smooth.max())
    for _ in range(count):
        y, x = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
        if smooth[y, x] - floor < max(0.02, 0.1 * (top - floor)):
            break
        found.append((grid.x0_px + int(x) * grid.step_px, grid.y0_px + int(y) * grid.step_px))
        smooth[max(0, y - 6) : y + 7, max(0, x - 6) : x + 7] = floor
    return found


def coarse(levels: Levels) -> Grid:
    """Return the small copy of the whole frame."""
    ny, nx = levels.shape
    return small_copy(levels, (0, nx, 0, ny), GRID_CELLS)


@dataclass(frozen=True, slots=True)
class Sample:
    """Some of the frame's pixels, as stored."""

    values: NDArray[Any]
    """(ny, nx)"""
    across_px: int
    """Between two of a row; the first is the frame's."""
    down_px: int
    first_px: int
    """Between two rows, and before the first."""


def sampled(levels: Levels) -> Sample:
    """Return some pixels of as many rows as the small copy has."""
    step = max(1, -(-max(levels.shape) // GRID_CELLS))
    sparse = min(4, step)
    return Sample(levels.values[step // 2 :: step, ::sparse], sparse, step, step // 2)


def large_circles(grid: Grid, count: int = 4, explained: Sequence[Circle] = ()) -> Iterator[Circle]:
    """Circles seen in the small copy of the whole frame, but for those `explained`."""
    found = _circles_in(grid, count, explained)
    return (_in_frame(c, grid) for c in found if c.radius_px >= SMALLEST_CELLS)


def between(circles: Sequence[Circle]) -> Iterator[Circle]:
    """Circles where two of one size overlap: each fits one long side of a disc that the air has flattened."""
    for one, other in combinations(circles, 2):
        apart = float(np.hypot(one.x_px - other.x_px, one.y_px - other.y_px))
        radius = (one.radius_px + other.radius_px) / 2
        alike = abs(one.radius_px - other.radius_px) < ALIKE * radius
        if alike and apart < OVERLAP * radius:
            middle = (one.x_px + other.x_px) / 2, (one.y_px + other.y_px) / 2
            yield Circle(*middle, radius - apart / 4, one.tolerance_px + apart / 4)


def small_circles(levels: Levels, grid: Grid, count: int = 6) -> Iterator[Circle]:
    """Circles too small for the small copy: its bright places looked at again more finely."""
    if grid.step_px == 1:
        yield from (_in_frame(c, grid) for c in _circles_in(grid, count) if c.radius_px < SMALLEST_CELLS)
        return
    ny, nx = levels.shape
    half = 8 * grid.step_px
    for x, y in _peaks(grid, count):
        window = (
            max(0, int(x) - half),
            min(nx, int(x) + half),
            max(0, int(y) - half),
            min(ny, int(y) + half),
        )
        patch = small_copy(levels, window, FINE_CELLS)
        yield from (_in_frame(c, patch) for c in _circles_in(patch, 1))
