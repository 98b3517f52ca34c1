"""How the report's pictures look: colours that differ in lightness too, line styles, and the axis of time.

Every pair that must be told apart differs in lightness by a good step and in dash or shape as well, so that
it holds for colour-blind eyes and on a black-and-white printer.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from math import ceil

from markupsafe import Markup

from sentinel.core.times import DAY_S, from_utc_s
from sentinel.jobs.report.svg import Pen

INK = "#22262c"
QUIET = "#656b73"
HAIR = "#d5d3cc"
GROUND = "#fdfcf9"
NIGHT = "#e6e4dd"
DEEP = "#12476b"
"""The measured."""
WARM = "#bf6a12"
"""The computed, or the second of two."""
PALE_DEEP = "#b9cfdd"
PALE_WARM = "#f0d3ae"
GRAVE = "#7d1138"

WIDE, NARROW = 1000.0, 380.0
"""Widths in which each picture is drawn: for a page, and for a phone."""

_STEPS_S = (60.0, 300.0, 600.0, 1800.0, 3600.0, 7200.0, 10_800.0, 21_600.0, 43_200.0, DAY_S, 2 * DAY_S,
            5 * DAY_S, 10 * DAY_S)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A picture in both widths, with what it shows in words."""

    name: str
    words: str
    """For those who cannot see it."""
    caption: str
    wide: Markup
    narrow: Markup


def plot_of(draw: Callable[[float], Pen], name: str, words: str, caption: str, wide: float = WIDE) -> Plot:
    """Return the picture that `draw` makes of a width, in both."""
    return Plot(
        name=name,
        words=words,
        caption=caption,
        wide=draw(wide).finished(words, "wide"),
        narrow=draw(NARROW).finished(words, "narrow"),
    )


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """The time that all timelines share."""

    begin_s: float
    end_s: float

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Return round moments, at most so many, with what is written at them."""
        length = max(self.end_s - self.begin_s, 60.0)
        step = next((s for s in _STEPS_S if length / s <= most), _STEPS_S[-1])
        first = ceil(self.begin_s / step)
        ticks: list[tuple[float, str]] = []
        for i in range(first, int(self.end_s // step) + 1):
            at = from_utc_s(i * step)
            ticks.append((i * step, _tick_words(at, first=not ticks)))
        return ticks


def _tick_words(at: datetime, *, first: bool) -> str:
    if at.hour == at.minute == 0 or (first and at.hour == 0):
        return at.strftime("%m-%d")
    return at.strftime("%H:%M")
