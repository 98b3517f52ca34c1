"""The disc's path through the frame, to scale."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import dist
from typing import NamedTuple

from sentinel.jobs.report.style import DEEP, GROUND, HAIR, INK, PALE_WARM, QUIET, WARM
from sentinel.jobs.report.svg import AxisScale, Pen, Point
from sentinel.sky.arrays import Array

Placing = Callable[[float, float], Point]
"""Takes a pixel to its place in the picture."""

HALO: dict[str, str | float] = {
    "fill": INK, "stroke": GROUND, "stroke_width": 3, "stroke_linejoin": "round", "paint_order": "stroke",
}  # fmt: skip
"""Words that stay readable on a line."""

SMALLEST_STEP = 0.35
"""In units of the picture: what is nearer to the last point drawn cannot be seen."""


NEAR, MOST_NUMBERS = 12.0, 3
"""Stretches that begin so near to one another have one label, of so many numbers; in units of the picture."""
DIGIT = 7.0
"""How wide one of its letters is at the most."""


class Box(NamedTuple):
    """Where words stand, in units of the picture."""

    left: float
    top: float
    right: float
    bottom: float

    def shared(self, other: "Box") -> float:
        """Return how much of the picture two cover both."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        return max(wide, 0.0) * max(min(self.bottom, other.bottom) - max(self.top, other.top), 0.0)

    def beyond(self, width: float) -> float:
        """Return how much of it is cut off at the sides."""
        return (max(-self.left, 0.0) + max(self.right - width, 0.0)) * (self.bottom - self.top)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathDrawing:
    """What is drawn."""

    width_px: int
    height_px: int
    margin_px: float
    radius_px: float
    strokes: Sequence[Array]
    """Centres (n, 2) in pixels while the mount followed, in order of time; cut at stretches and pauses."""
    begins: Sequence[Array]
    """The first centre (2,) of each stretch between re-centrings."""
    astray: Sequence[Array]
    """The same where the mount did not follow."""
    ahead: Sequence[Array]
    """The same after the end, by the model; empty: not known."""
    ends: tuple[tuple[Array, str], ...]
    """First and last centre (2,), and what is written there."""


def draw_path(drawing: PathDrawing, width: float) -> Pen:
    """Draw the path in a picture of this width."""
    side = 3.0
    beyond = 0.05 * drawing.width_px
    scale = (width - 2 * side) / (drawing.width_px + 2 * beyond)
    height = (drawing.height_px + 2 * beyond) * scale
    pen = Pen(width, height + 2 * side + 4)
    x = AxisScale(-beyond, drawing.width_px + beyond, side, width - side)
    y = AxisScale(-beyond, drawing.height_px + beyond, side, side + height)

    def at(x_px: float, y_px: float) -> Point:
        # Pixel centres are whole numbers: the frame's edge lies half a pixel outside the first.
        return x(x_px + 0.5), y(y_px + 0.5)

    _frame(pen, drawing, at)
    radius = drawing.radius_px * scale
    for dash, (centre, said) in zip(("3 3", ""), drawing.ends, strict=True):
        _disc(pen, at(*centre), radius, said, dash)
    for part in drawing.ahead:
        _line(pen, part, at, stroke=WARM, stroke_width=1.6, stroke_dasharray="6 4")
    for part in drawing.strokes:
        _line(pen, part, at, stroke=DEEP, stroke_width=1.5)
    for part in drawing.astray:
        _line(pen, part, at, stroke=WARM, stroke_width=2.2, stroke_dasharray="1.5 3")
    taken: list[Box] = []
    for centre, said in drawing.ends:
        _said(pen, at(*centre), radius, said, taken)
    _stretches(pen, drawing, at, taken)
    return pen


def _frame(pen: Pen, drawing: PathDrawing, at: Placing) -> None:
    edge, far = at(-0.5, -0.5), at(drawing.width_px - 0.5, drawing.height_px - 0.5)
    pen.box(edge, far, fill=GROUND, stroke=INK, stroke_width=1.6)
    pen.text(
        (edge[0] + 5, far[1] - 6),
        f"frame {drawing.width_px} × {drawing.height_px} px",
        fill=QUIET,
        font_size=11,
    )
    middle = at((drawing.width_px - 1) / 2, (drawing.height_px - 1) / 2)
    pen.line((middle[0] - 6, middle[1]), (middle[0] + 6, middle[1]), stroke=QUIET)
    pen.line((middle[0], middle[1] - 6), (middle[0], middle[1] + 6), stroke=QUIET)
    inside = drawing.margin_px + drawing.radius_px
    if 2 * inside < min(drawing.width_px, drawing.height_px):
        # While the centre stays within this line the whole limb stays within the margin.
        low = at(inside - 0.5, inside - 0.5)
        high = at(drawing.width_px - 0.5 - inside, drawing.height_px - 0.5 - inside)
        pen.box(low, high, fill="none", stroke=HAIR, stroke_width=1.4, stroke_dasharray="5 4")


def _line(pen: Pen, centres: Array, at: Placing, **style: str | float) -> None:
    points: list[Point] = []
    for x_px, y_px in centres.tolist():
        place = at(x_px, y_px)
        near = points and max(abs(place[0] - points[-1][0]), abs(place[1] - points[-1][1])) < SMALLEST_STEP
        if not near:
            points.append(place)
    if points:
        pen.stroke(points, **style)


def _stretches(pen: Pen, drawing: PathDrawing, at: Placing, taken: list[Box]) -> None:
    """Put a number at the begin of each stretch, where there are several; together where they are near."""
    if len(drawing.begins) < 2:
        return
    together: list[tuple[Point, list[int]]] = []
    for number, centre in enumerate(drawing.begins, 1):
        place = at(*centre)
        pen.ring(place, 2.6, fill=DEEP)
        near = [numbers for other, numbers in together if dist(place, other) < NEAR]
        if near:
            near[0].append(number)
        else:
            together.append((place, [number]))
    for (x, y), numbers in together:
        words = ", ".join(map(str, numbers[:MOST_NUMBERS])) + (", …" if len(numbers) > MOST_NUMBERS else "")
        wide = DIGIT * len(words)
        ways = [(x + across, y + down) for across in (5.0, -5.0 - wide) for down in (-4.0, 12.0)]
        boxes = [Box(left, base - 10, left + wide, base + 3) for left, base in ways]
        # The first of those that cover least of what stands there already.
        best = min(boxes, key=lambda box: box.beyond(pen.width) + sum(map(box.shared, taken)))
        taken.append(best)
        pen.text((best.left, best.bottom - 3), words, font_size=11, font_weight=600, **HALO)


def _disc(pen: Pen, place: Point, radius: float, words: str, dash: str) -> None:
    style: dict[str, str | float] = {"stroke_dasharray": dash} if dash else {}
    pen.ring(place, radius, words, fill=PALE_WARM, fill_opacity=0.35, stroke=INK, stroke_width=1.2, **style)


def _said(pen: Pen, place: Point, radius: float, words: str, taken: list[Box]) -> None:
    """Write below a disc, or above it where other words stand already."""
    # On paper letters are larger (`page.css`).
    half = 3.8 * len(words)
    across = min(max(place[0], half), pen.width - half)
    ways = [place[1] + radius + 13, place[1] - radius - 5, *(box.bottom + 14 for box in taken)]
    boxes = [Box(across - half, down - 11, across + half, down + 3) for down in ways if down > 12]
    best = min(boxes, key=lambda box: sum(map(box.shared, taken)))
    taken.append(best)
    pen.text((across, best.bottom - 3), words, text_anchor="middle", font_size=11, **HALO)
