"""Interpolation of slow functions of time: exact knots every twenty minutes, a cubic spline between them.

Knots are computed a day at a time, when a time of that day is first asked for, and remembered. The memory is
bounded; what fell out of it is computed again to the same values, so it never shows but in speed.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from sentinel.core.times import DAY_S
from sentinel.sky.arrays import Array, Numbers, floats

STEP_S = 1200.0
# The spline's ends are less good than its middle, by a factor of four a knot: each day's is begun early.
MARGIN = 6
DAYS_KEPT = 128

_PER_DAY = round(DAY_S / STEP_S)


class Knots:
    """Interpolates a smooth function of time whose evaluation is expensive.

    `exact`: takes times, shape (n,), gives values, shape (n, k).
    """

    def __init__(self, exact: Callable[[Array], Array]) -> None:
        self._exact = exact
        self._days: dict[int, Array] = {}

    def __call__(self, utc_s: Numbers) -> Array:
        """Return values of shape (..., k) at times of shape (...), in any order.

        A time that is not finite raises `ValueError`.
        """
        times = floats(utc_s)
        if times.ndim == 0:
            return self._scalar(float(times))
        if times.size == 0:
            return np.empty((*times.shape, self._day(0).shape[-1]))
        days = np.floor(times / DAY_S)
        first, last = days.min(), days.max()
        if not np.isfinite(first + last):
            raise ValueError("a time is not finite")
        if first == last:
            return self._within(int(first), times)
        values = np.empty((*times.shape, self._day(int(first)).shape[-1]))
        for day in np.unique(days):
            here = days == day
            values[here] = self._within(int(day), times[here])
        return values

    def _within(self, day: int, times: Array) -> Array:
        table = self._day(day)
        since = times - day * DAY_S
        index = np.minimum((since / STEP_S).astype(np.intp), _PER_DAY - 1)
        x = (since - index * STEP_S)[..., None]
        c = table[index]
        value: Array = ((c[..., 0, :] * x + c[..., 1, :]) * x + c[..., 2, :]) * x + c[..., 3, :]
        return value

    def _scalar(self, time: float) -> Array:
        # The same arithmetic without the overhead of arrays: a daemon asks one time a frame.
        day = int(time // DAY_S)
        since = time - day * DAY_S
        index = min(int(since / STEP_S), _PER_DAY - 1)
        x = since - index * STEP_S
        c = self._day(day)[index]
        value: Array = np.array([x * x * x, x * x, x, 1.0]) @ c
        return value

    def _day(self, day: int) -> Array:
        table = self._days.get(day)
        if table is None:
            if len(self._days) >= DAYS_KEPT:
                self._days.pop(next(iter(self._days)))
            table = self._days[day] = self._spline(day)
        return table

    def _spline(self, day: int) -> Array:
        from scipy.interpolate import CubicSpline  # noqa: PLC0415 - as slow to load as what it interpolates

        since = np.arange(-MARGIN, _PER_DAY + MARGIN + 1) * STEP_S
        times: Array = day * DAY_S + since.astype(np.float64)
        spline: Any = CubicSpline(since, self._exact(times))
        # (power, interval, column) -> (interval, power, column): what one time needs lies together.
        coefficients: Array = np.moveaxis(spline.c, 1, 0)[MARGIN : MARGIN + _PER_DAY]
        return np.ascontiguousarray(coefficients)
