"""How far a threshold may go before any decision of a session falls otherwise.

A session is judged once on numbers that stand for the thresholds and note what they are compared with. A
value within all bounds that were noted at an event leads to the same outcome of that event, so that judging
under other thresholds has to begin only where one is passed. The judge itself knows nothing of this.
"""

import operator
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import inf
from sys import float_info
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sentinel.core.settings import Thresholds
from sentinel.jobs.tune.grid import Value

_ROUNDINGS = 8 * float_info.epsilon
"""By how much of itself a sum of a few steps may be off: a value nearer to a bound counts as beyond it."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """Of one threshold: the events at which it matters, and between which values nothing changes there."""

    events: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def passed_by(self, value: Value) -> NDArray[np.int64]:
        """Return the events that may be decided otherwise under a value."""
        return self.events[(value <= self.low) | (value >= self.high)]


class Decisions:
    """Notes, event by event, what the comparisons of a judging hang on.

    `thresholds`: by which the session is judged.
    `names`: those that may be changed later.
    """

    def __init__(self, thresholds: Thresholds, names: Iterable[str]) -> None:
        self.base: dict[str, Value] = {name: getattr(thresholds, name) for name in names}
        self.thresholds = _NotedThresholds(thresholds, self)
        """To be judged by, in place of the thresholds."""
        self.event = 0
        self.by_reading = False
        """Whatever is read counts as decisive."""
        self._low: dict[str, dict[int, float]] = {name: {} for name in self.base}
        self._high: dict[str, dict[int, float]] = {name: {} for name in self.base}

    def note(self, event: int, step: Callable[[], object]) -> None:
        """Take what one event hangs on.

        What cannot be done with such numbers is done once more, and every threshold that is read counts as
        decisive; so `step` must begin at the same state again.
        """
        self.event = event
        try:
            step()
        except (TypeError, AttributeError):
            self.by_reading = True
            try:
                step()
            finally:
                self.by_reading = False

    def decisive(self, name: str, event: int) -> None:
        """Note that any other value of a threshold may change an event."""
        self._low[name][event] = self._high[name][event] = float(self.base[name])

    def bounded(self, name: str, way: float) -> None:
        """Note that a comparison stays as it is while a threshold goes less than so far, up or down."""
        event, bound = self.event, self.base[name] + way
        if way >= 0:
            self._high[name][event] = min(self._high[name].get(event, inf), bound)
        if way <= 0:
            self._low[name][event] = max(self._low[name].get(event, -inf), bound)

    def bounds(self) -> dict[str, Bounds]:
        """Return what was noted, by threshold."""
        return {name: self._bounds(self._low[name], self._high[name]) for name in self.base}

    @staticmethod
    def _bounds(low: Mapping[int, float], high: Mapping[int, float]) -> Bounds:
        events = sorted(low.keys() | high.keys())
        return Bounds(
            np.array(events, dtype=np.int64),
            np.array([low.get(event, -inf) for event in events], dtype=np.float64),
            np.array([high.get(event, inf) for event in events], dtype=np.float64),
        )


class _NotedThresholds:
    """Thresholds whose numbers note what is done with them."""

    def __init__(self, thresholds: Thresholds, decisions: Decisions) -> None:
        self._thresholds, self._decisions = thresholds, decisions

    def __getattr__(self, name: str) -> Any:
        value, decisions = getattr(self._thresholds, name), self._decisions
        if name not in decisions.base:
            return value
        if decisions.by_reading:
            decisions.decisive(name, decisions.event)
            return value
        return _NotedNumber(decisions, value, {name: 1.0})


def _plain(other: object) -> bool:
    return isinstance(other, int | float)


class _NotedNumber:
    """A threshold, or a sum of multiples of some, that notes what it is compared with.

    Whatever else is done with it makes the thresholds in it decisive, and gives a plain number; so does using
    it at a later event than that at which it came to be: what was remembered may differ.
    """

    __slots__ = ("_decisions", "_event", "_largest", "slopes", "value")
    __array_ufunc__ = None  # numpy is to leave operations with it to it

    def __init__(
        self, decisions: Decisions, value: Value, slopes: Mapping[str, float], largest: float = 0.0
    ) -> None:
        self._decisions, self.value, self.slopes = decisions, value, slopes
        self._event = decisions.event
        self._largest = max(largest, abs(value))
        """Of all that it was made of: its rounding is of that size."""

    def plain(self) -> Value:
        """Return the value, the thresholds in it being decisive."""
        for name in self.slopes:
            self._decisions.decisive(name, self._event)
        return self.value

    @property
    def _fresh(self) -> bool:
        return self._event == self._decisions.event

    def _made(self, value: Value, factor: float, other: float) -> "_NotedNumber | Value":
        if not self._fresh:
            self.plain()
            return value
        slopes = {name: factor * of for name, of in self.slopes.items()}
        return _NotedNumber(self._decisions, value, slopes, max(self._largest * abs(factor), abs(other)))

    def __add__(self, other: Any) -> Any:
        if not isinstance(other, _NotedNumber):
            return self._made(self.value + other, 1.0, other) if _plain(other) else self.plain() + other
        if not (self._fresh and other._fresh):
            return self.plain() + other.plain()
        names = self.slopes.keys() | other.slopes.keys()
        slopes = {name: self.slopes.get(name, 0.0) + other.slopes.get(name, 0.0) for name in names}
        largest = max(self._largest, other._largest)
        return _NotedNumber(self._decisions, self.value + other.value, slopes, largest)

    __radd__ = __add__

    def __neg__(self) -> Any:
        return self._made(-self.value, -1.0, 0.0)

    def __sub__(self, other: Any) -> Any:
        return self + (-other)

    def __rsub__(self, other: Any) -> Any:
        return -self + other

    def __mul__(self, other: Any) -> Any:
        return self._made(self.value * other, other, 0.0) if _plain(other) else self.plain() * other

    __rmul__ = __mul__

    def __truediv__(self, other: Any) -> Any:
        return self._made(self.value / other, 1.0 / other, 0.0) if _plain(other) else self.plain() / other

    def __floordiv__(self, other: Any) -> Any:
        return self.plain() // other

    def __rtruediv__(self, other: Any) -> Any:
        return other / self.plain()

    def against(self, other: Any) -> Any:
        """Note what a comparison hangs on; return what it is compared with."""
        if isinstance(other, _NotedNumber):
            difference = self - other
            if isinstance(difference, _NotedNumber):
                difference.against(0.0)
            return other.value
        if not (_plain(other) and self._fresh):
            self.plain()
            return other
        if abs(other) == inf:
            return other
        for name, slope in self.slopes.items():
            if slope:
                # Where several thresholds come together, each has its share of the way.
                way = (other - self.value) / (slope * len(self.slopes))
                doubt = _ROUNDINGS * max(abs(other), self._largest) / abs(slope)
                self._decisions.bounded(name, way - doubt if way > doubt else min(way + doubt, 0.0))
        return other


def _compared_by(compare: Callable[[Any, Any], Any]) -> Callable[[_NotedNumber, Any], Any]:
    return lambda number, other: compare(number.value, number.against(other))


def _taken_by(function: Callable[..., Any]) -> Callable[..., Any]:
    return lambda number, *others: function(number.plain(), *others)


for _compare in (operator.lt, operator.le, operator.gt, operator.ge, operator.eq, operator.ne):
    setattr(_NotedNumber, f"__{_compare.__name__}__", _compared_by(_compare))
for _function in (hash, bool, float, int, round, abs, repr, format):
    setattr(_NotedNumber, f"__{_function.__name__}__", _taken_by(_function))
