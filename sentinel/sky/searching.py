"""When a function of time changes sign: one search for sunrise, horizon lines, hour angles and eclipses."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sentinel.sky.arrays import Array, Bools

FunctionOfTime = Callable[[Array], Array]
"""Takes POSIX seconds (n,), gives values (n,)."""

Span = tuple[float, float]

TOLERANCE_S = 0.05
"""How well a crossing is found."""


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """The zeros of a function of time, in order; empty arrays where there are none."""

    times_s: Array
    rising: Bools
    """True where the function goes from below zero to zero or above."""

    def __iter__(self) -> Iterator[tuple[float, bool]]:
        return iter(zip(self.times_s.tolist(), self.rising.tolist(), strict=True))


def crossings(function: FunctionOfTime, start_s: float, end_s: float, step_s: float) -> Crossings:
    """Return the times between start and end at which a function changes sign.

    The function is sampled every `step_s`, and also where it turns back near zero between two samples (a
    midnight sun that just dips below a ridge). Other double changes of sign within a step are missed. NaN
    counts as below zero.

    Raises `ValueError` if the span runs backward or the step is not positive.
    """
    if not (end_s >= start_s and step_s > 0):
        raise ValueError(f"cannot search from {start_s} to {end_s} in steps of {step_s}")
    times = np.linspace(start_s, end_s, max(2, int(np.ceil((end_s - start_s) / step_s)) + 1))
    values = function(times)
    times, values = _with_turning_points(function, times, values)
    positive = values >= 0
    at = np.flatnonzero(positive[1:] != positive[:-1])
    low, high, rising = times[at], times[at + 1], positive[at + 1]
    while low.size and (high - low).max() > TOLERANCE_S:
        middle = (low + high) / 2
        past = (function(middle) >= 0) == rising
        low, high = np.where(past, low, middle), np.where(past, middle, high)
    return Crossings((low + high) / 2, rising)


def _with_turning_points(function: FunctionOfTime, times: Array, values: Array) -> tuple[Array, Array]:
    """Return the samples with those points added where the function comes nearest to zero between them."""
    distance = np.abs(values)
    same = (values[:-2] >= 0) == (values[1:-1] >= 0)
    same &= (values[2:] >= 0) == (values[1:-1] >= 0)
    at = np.flatnonzero(same & (distance[1:-1] <= distance[:-2]) & (distance[1:-1] <= distance[2:])) + 1
    if not at.size:
        return times, values
    side = np.where(values[at] >= 0, 1.0, -1.0)
    low, high = times[at - 1], times[at + 1]
    while (high - low).max() > TOLERANCE_S:
        # The neighbours of the least of nine points are the next bracket, a quarter as wide.
        inner = low + np.linspace(0, 1, 9)[:, None] * (high - low)
        found = side * function(inner.ravel()).reshape(inner.shape)
        least = np.clip(np.argmin(found, axis=0), 1, 7)
        columns = np.arange(at.size)
        low, high = inner[least - 1, columns], inner[least + 1, columns]
    turning = (low + high) / 2
    order = np.argsort(np.concatenate([times, turning]), kind="stable")
    return (
        np.concatenate([times, turning])[order],
        np.concatenate([values, function(turning)])[order],
    )


def spans_above(function: FunctionOfTime, start_s: float, end_s: float, step_s: float) -> tuple[Span, ...]:
    """Return the spans of time, cut at start and end, in which a function is zero or above."""
    found = crossings(function, start_s, end_s, step_s)
    above = bool(function(np.array([start_s]))[0] >= 0)
    begins = [start_s] if above else []
    begins += found.times_s[found.rising].tolist()
    ends = found.times_s[~found.rising].tolist()
    if len(ends) < len(begins):
        ends.append(end_s)
    return tuple(zip(begins, ends, strict=True))


def spans_outside(spans: Sequence[Span], start_s: float, end_s: float) -> list[Span]:
    """Return what lies between start and end outside all spans, which are in order and do not overlap."""
    edges = [start_s, *(time for span in spans for time in span), end_s]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]
