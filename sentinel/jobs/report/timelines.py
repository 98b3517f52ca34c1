"""Pictures over the time of the session: one axis of time for all, one panel a quantity."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from sentinel.core.words import count, many
from sentinel.jobs.report.style import (
    DEEP,
    GROUND,
    HAIR,
    INK,
    NIGHT,
    PALE_DEEP,
    QUIET,
    WIDE,
    Plot,
    TimeAxis,
    plot_of,
)
from sentinel.jobs.report.svg import AxisScale, Pen, steps
from sentinel.jobs.report.thinning import strokes, thinned
from sentinel.sky.arrays import Array

TEXT = 12.0
TOP, FOOT, RIGHT = 30.0, 20.0, 10.0


def left_of(width: float) -> float:
    """Return where the axis of time begins: the same in all pictures of a width."""
    return 128.0 if width >= WIDE else 44.0


LEAST_WIDTH = 1.6
"""Of a bar, so that a minute in a week can still be seen."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """One line, or row of dots, of a panel."""

    utc_s: Array
    values: Array
    name: str = ""
    colour: str = DEEP
    dash: str = ""
    dots: Literal["", "round", "tick", "square"] = ""
    spread: Array | None = None
    """Half-width of a band about the line, (n,)."""
    pale: str = PALE_DEEP
    longest_s: float = np.inf
    """Neighbours farther apart are not joined."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One quantity over time."""

    name: str
    unit: str
    series: Sequence[Series]
    words: str
    """What it shows, for those who cannot see it."""
    caption: str = ""
    low: float | None = None
    high: float | None = None
    """Ends of the axis; None: what is shown decides."""
    rules: Sequence[tuple[float, str]] = ()
    """Level lines, each with what it is."""
    height: float = 118.0

    @property
    def holds_anything(self) -> bool:
        """Whether there is a value to be drawn."""
        return any(np.isfinite(series.values).any() for series in self.series)


def drawn(panel: Panel, span: TimeAxis, nights: Sequence[tuple[float, float]]) -> Plot:
    """Draw a panel; what lies beyond its axis is drawn at the axis's end, and the caption says so."""
    low, high = _ends(panel)
    finite = [series.values[np.isfinite(series.values)] for series in panel.series]
    outside = [((values < low) | (values > high)) for values in finite]
    # What lies within, like a computed line beside a measured one, is none of these.
    beyond, of = sum(int(out.sum()) for out in outside), sum(out.size for out in outside if out.any())
    caption = panel.caption
    if beyond:
        caption += f" {count(beyond)} of {many(of, 'value')} beyond the axis, drawn at its end."
    draw = partial(_panel, panel, span, nights)
    return plot_of(draw, panel.name, panel.words, caption.strip())


def _panel(panel: Panel, span: TimeAxis, nights: Sequence[tuple[float, float]], width: float) -> Pen:
    narrow = width < WIDE
    named = [series for series in panel.series if series.name]
    top = TOP
    if narrow and len(named) > 1:
        top = _places(named, width, narrow=True)[-1][1] + 13
    pen = Pen(width, top + panel.height + FOOT)
    low, high = _ends(panel)
    left = left_of(width)
    x = AxisScale(span.begin_s, span.end_s, left, width - RIGHT)
    y = AxisScale(low, high, top + panel.height, top)
    _ground(pen, (x, y), span, nights)
    for value in steps(low, high, 6):
        pen.line((left, y(value)), (width - RIGHT, y(value)), stroke=HAIR, stroke_width=0.7)
        pen.text((left - 6, y(value) + 4), _plain(value), text_anchor="end", fill=QUIET, font_size=TEXT)
    _title(pen, panel, named, narrow=narrow)
    for value, words in panel.rules:
        if low <= value <= high:
            pen.line(
                (left, y(value)),
                (width - RIGHT, y(value)),
                stroke=INK,
                stroke_width=1,
                stroke_dasharray="2 3",
            )
            pen.text((width - RIGHT - 3, y(value) - 3), words, text_anchor="end", fill=INK, font_size=11)
    # All bands before all lines: none may hide a line.
    for series in panel.series:
        if series.spread is not None:
            _band(pen, series, x, y)
    for series in panel.series:
        _series(pen, series, x, y)
    _time(pen, x, top + panel.height, span, width)
    return pen


def _ends(panel: Panel) -> tuple[float, float]:
    shown = [s.values if s.spread is None else np.concatenate([s.values - s.spread, s.values + s.spread])
             for s in panel.series]  # fmt: skip
    every = np.concatenate([*shown, [value for value, _ in panel.rules]]) if shown else np.zeros(1)
    some = every[np.isfinite(every)]
    least, most = (float(some.min()), float(some.max())) if some.size else (0.0, 1.0)
    room = 0.06 * (most - least) or max(abs(most) * 0.05, 0.5)
    low = least - room if panel.low is None else panel.low
    high = most + room if panel.high is None else panel.high
    return (low, high) if high > low else (low, low + 1.0)


def _ground(
    pen: Pen, axes: tuple[AxisScale, AxisScale], span: TimeAxis, nights: Sequence[tuple[float, float]]
) -> None:
    x, y = axes
    pen.box((x(span.begin_s), y.begin), (x(span.end_s), y.end), fill=GROUND, stroke=HAIR)
    for begin, end in nights:
        pen.box((x(max(begin, span.begin_s)), y.begin), (x(min(end, span.end_s)), y.end), fill=NIGHT)


def _title(pen: Pen, panel: Panel, named: Sequence[Series], *, narrow: bool) -> None:
    unit = f", {panel.unit}" if panel.unit else ""
    pen.text((2, 14), f"{panel.name}{unit}", fill=INK, font_size=13, font_weight=600)
    if len(named) < 2:
        return
    for series, (at, row) in zip(named, _places(named, pen.width, narrow=narrow), strict=True):
        _sample(pen, series, at, row - 4)
        pen.text((at + 22, row), series.name, fill=INK, font_size=TEXT)


def _places(named: Sequence[Series], width: float, *, narrow: bool) -> list[tuple[float, float]]:
    """Return where the names of the series stand: beside the title, or in rows below it."""
    # On paper the words of the wide picture are set larger (`page.css`).
    letter = 6.6 if narrow else 7.6
    lengths = [34 + letter * len(series.name) for series in named]
    if not narrow:
        starts = np.cumsum([width - RIGHT - sum(lengths), *lengths[:-1]])
        return [(float(start), 14.0) for start in starts]
    places, at, row = [], 2.0, 33.0
    for length in lengths:
        if at + length > width and at > 2:
            at, row = 2.0, row + 16
        places.append((at, row))
        at += length
    return places


def _sample(pen: Pen, series: Series, at: float, y: float) -> None:
    if series.dots:
        _dot(pen, series, (at + 9, y))
    else:
        dash = {"stroke_dasharray": series.dash} if series.dash else {}
        pen.line((at, y), (at + 18, y), stroke=series.colour, stroke_width=2, **dash)


def _dot(pen: Pen, series: Series, at: tuple[float, float]) -> None:
    x, y = at
    if series.dots == "round":
        pen.ring(at, 1.9, fill=series.colour)
    elif series.dots == "square":
        pen.box((x - 2, y - 2), (x + 2, y + 2), fill="none", stroke=series.colour)
    else:
        pen.line((x - 3, y), (x + 3, y), stroke=series.colour, stroke_width=1.6)


def _series(pen: Pen, series: Series, x: AxisScale, y: AxisScale) -> None:
    columns = int(abs(x.end - x.begin))
    # What lies beyond the axis is drawn at its end, not outside the panel.
    values = np.clip(series.values, y.low, y.high)
    kept = thinned(series.utc_s, values, columns)
    if series.dots:
        places = {(round(x(series.utc_s[i]), 1), round(y(values[i]), 1)) for i in kept}
        for place in sorted(places):
            _dot(pen, series, place)
        return
    dash = {"stroke_dasharray": series.dash} if series.dash else {}
    for part in strokes(series.utc_s, kept, np.isfinite(series.values), series.longest_s):
        points = [(x(series.utc_s[i]), y(values[i])) for i in part]
        pen.stroke(points, stroke=series.colour, stroke_width=1.4, stroke_linejoin="round", **dash)


def _band(pen: Pen, series: Series, x: AxisScale, y: AxisScale) -> None:
    """Fill between the line's bounds: each bound thinned by itself, so that neither loses a peak."""
    assert series.spread is not None  # noqa: S101 - asked before
    columns = int(abs(x.end - x.begin))
    upper, lower = (np.clip(series.values + sign * series.spread, y.low, y.high) for sign in (1, -1))
    there = [(x(series.utc_s[i]), y(upper[i])) for i in thinned(series.utc_s, upper, columns)]
    back = [(x(series.utc_s[i]), y(lower[i])) for i in thinned(series.utc_s, lower, columns)]
    if len(there) > 1:
        pen.patch([*there, *reversed(back)], fill=series.pale)


def _time(pen: Pen, x: AxisScale, y: float, span: TimeAxis, width: float) -> None:
    for at, words in span.ticks(12 if width >= WIDE else 5):
        place = x(at)
        pen.line((place, y), (place, y + 4), stroke=QUIET)
        pen.text(
            (min(max(place, x.begin), width - 18), y + 16),
            words,
            text_anchor="middle",
            fill=QUIET,
            font_size=TEXT,
        )


def _plain(value: float) -> str:
    return f"{value:,.10g}".replace(",", " ").replace("-", "−")


@dataclass(frozen=True, slots=True, kw_only=True)
class BarRow:
    """One kind of event, as bars over time."""

    name: str
    bars: Sequence[tuple[float, float, str]]
    """From, to, and what it was; to equal to from: a moment."""
    colour: str = DEEP


def drawn_rows(name: str, rows: Sequence[BarRow], span: TimeAxis, words: str) -> Plot:
    """Draw rows of bars under one another."""
    return plot_of(partial(_rows, name, rows, span), name, words, "")


def _rows(name: str, rows: Sequence[BarRow], span: TimeAxis, width: float) -> Pen:
    narrow = width < WIDE
    each = 32.0 if narrow else 19.0
    left = left_of(width)
    pen = Pen(width, 24 + each * len(rows) + FOOT)
    pen.text((2, 14), name, fill=INK, font_size=13, font_weight=600)
    # In a narrow picture the names stand above the bars, so that these keep the panels' axis of time.
    x = AxisScale(span.begin_s, span.end_s, left, width - RIGHT)
    for i, row in enumerate(rows):
        y = 24 + i * each
        begin = y + 15 if narrow else y + 2
        pen.text((left if narrow else 2, y + 12), row.name, fill=INK, font_size=TEXT)
        pen.box((left, begin), (width - RIGHT, begin + 14), fill=GROUND, stroke=HAIR, stroke_width=0.7)
        _bars(pen, row, x, begin)
    _time(pen, x, 24 + each * len(rows), span, width)
    return pen


def _bars(pen: Pen, row: BarRow, x: AxisScale, y: float) -> None:
    for begin, end, words in _joined(row.bars, (x.high - x.low) / abs(x.end - x.begin)):
        if end < x.low or begin > x.high:
            continue
        left = x(max(begin, x.low))
        right = min(max(x(min(end, x.high)), left + LEAST_WIDTH), x.end + LEAST_WIDTH)
        if begin == end:
            diamond = [(left, y + 1), (left + 5, y + 7), (left, y + 13), (left - 5, y + 7)]
            pen.patch(diamond, words, fill=row.colour)
        else:
            pen.box((left, y + 2), (right, y + 12), words, fill=row.colour)


def _joined(bars: Sequence[tuple[float, float, str]], unit_s: float) -> list[tuple[float, float, str]]:
    """Join bars that no eye could part, `unit_s` being the time in one unit of width."""
    found: list[tuple[float, float, str]] = []
    for begin, end, words in sorted(bars):
        if found and begin != end and found[-1][0] != found[-1][1] and begin - found[-1][1] < unit_s:
            old = found.pop()
            found.append((old[0], max(old[1], end), old[2] if old[2] == words else ""))
        else:
            found.append((begin, end, words))
    return found
