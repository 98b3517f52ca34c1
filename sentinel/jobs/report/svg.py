"""A small pen for SVG: shapes, text, axes. Knows nothing of what is drawn."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, isfinite, log10

from markupsafe import Markup, escape

Point = tuple[float, float]


def number(value: float) -> str:
    """Return a coordinate as short as a tenth of a unit allows."""
    # What rounds to nought has no sign.
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


@dataclass(frozen=True, slots=True)
class AxisScale:
    """A straight line from values to coordinates."""

    low: float
    high: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        """Return the coordinate of a value; one far beyond the ends is held just outside them."""
        span = self.high - self.low or 1.0
        share = min(max((value - self.low) / span, -1.0), 2.0)
        return self.begin + share * (self.end - self.begin)


def steps(low: float, high: float, most: int) -> list[float]:
    """Return round values from low to high, at most so many: 1, 2 or 5 times a power of ten apart."""
    if not (isfinite(low) and isfinite(high) and high > low):
        return [low] if isfinite(low) else []
    rough = (high - low) / max(most - 1, 1)
    power = 10.0 ** floor(log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * (1 - 1e-9))
    first = ceil(low / step - 1e-9)
    return [round(i * step, 12) for i in range(first, floor(high / step + 1e-9) + 1)]


@dataclass(slots=True)
class Pen:
    """Collects shapes; every text and attribute is escaped."""

    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    def line(self, a: Point, b: Point, **style: str | float) -> None:
        """Draw a straight line."""
        ends = {"x1": number(a[0]), "y1": number(a[1]), "x2": number(b[0]), "y2": number(b[1])}
        self._put("line", ends, style)

    def box(self, a: Point, b: Point, title: str = "", **style: str | float) -> None:
        """Draw a rectangle between two opposite corners."""
        x, y = min(a[0], b[0]), min(a[1], b[1])
        size = {"width": number(abs(b[0] - a[0])), "height": number(abs(b[1] - a[1]))}
        self._put("rect", {"x": number(x), "y": number(y), **size}, style, title)

    def ring(self, centre: Point, radius: float, title: str = "", **style: str | float) -> None:
        """Draw a circle."""
        place = {"cx": number(centre[0]), "cy": number(centre[1]), "r": number(radius)}
        self._put("circle", place, style, title)

    def stroke(self, points: Sequence[Point], **style: str | float) -> None:
        """Draw a line through points; a single one becomes a short dash."""
        if len(points) == 1:
            (x, y) = points[0]
            points = ((x - 0.6, y), (x + 0.6, y))
        self._put("polyline", {"points": _joined(points)}, {"fill": "none", **style})

    def patch(self, points: Iterable[Point], title: str = "", **style: str | float) -> None:
        """Draw a filled shape."""
        self._put("polygon", {"points": _joined(points)}, style, title)

    def text(self, at: Point, words: str, **style: str | float) -> None:
        """Write words."""
        self.parts.append(
            f"<text{_attributes({'x': number(at[0]), 'y': number(at[1])}, style)}>{escape(words)}</text>"
        )

    def _put(self, name: str, place: dict[str, str], style: dict[str, str | float], title: str = "") -> None:
        inside = f"><title>{escape(title)}</title></{name}>" if title else "/>"
        self.parts.append(f"<{name}{_attributes(place, style)}{inside}")

    def finished(self, words: str, css_class: str) -> Markup:
        """Return the picture, with words for those who cannot see it."""
        head = (
            f'<svg class="{escape(css_class)}" viewBox="0 0 {number(self.width)} {number(self.height)}" '
            f'role="img" aria-label="{escape(words)}">'
        )
        return Markup(head + "".join(self.parts) + "</svg>")  # noqa: S704 - every text in it is escaped above


def _joined(points: Iterable[Point]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


def _attributes(place: dict[str, str], style: dict[str, str | float]) -> str:
    named = {name.replace("_", "-"): str(value) for name, value in style.items()}
    return "".join(f' {name}="{escape(value)}"' for name, value in (place | named).items())
