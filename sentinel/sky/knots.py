"""Interpolation of slow functions of time: exact every twenty minutes, a quintic through six knots between.

Knots are computed a day at a time, when a time of that day is first asked for, and remembered. The memory is
bounded; a day that fell out of it is computed again to the same values, so that only speed shows it.
"""

from collections.abc import Callable

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from sentinel.core.times import DAY_S
from sentinel.sky.arrays import Array, Numbers, floats

STEP_S = 1200.0
_AROUND = np.arange(-2, 4)
"""The knots that an interval's polynomial goes through, in steps from the interval's first one."""
_FROM_VALUES = np.linalg.inv(np.vander(_AROUND))
"""Turns the values there into coefficients, the highest power first."""
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
        steps = (times - day * DAY_S) / STEP_S
        index = np.minimum(steps.astype(np.intp), _PER_DAY - 1)
        x = (steps - index)[..., None]
        c = table[index]
        value: Array = c[..., 0, :]
        for power in range(1, len(_AROUND)):
            value = value * x
            value += c[..., power, :]
        return value

    def _scalar(self, time: float) -> Array:
        # The same without the overhead of arrays: a watch asks for one time a frame.
        day = int(time // DAY_S)
        steps = (time - day * DAY_S) / STEP_S
        index = min(int(steps), _PER_DAY - 1)
        x = steps - index
        value: Array = np.array([x**5, x**4, x**3, x * x, x, 1.0]) @ self._day(day)[index]
        return value

    def _day(self, day: int) -> Array:
        table = self._days.get(day)
        if table is None:
            if len(self._days) >= DAYS_KEPT:
                self._days.pop(next(iter(self._days)))
            table = self._days[day] = self._coefficients(day)
        return table

    def _coefficients(self, day: int) -> Array:
        """Return a day's coefficients, (interval, power, column): what one time needs lies together."""
        steps = np.arange(_AROUND[0], _PER_DAY + _AROUND[-1])
        values = self._exact(day * DAY_S + steps * STEP_S)
        around = sliding_window_view(values, len(_AROUND), axis=0)
        return np.ascontiguousarray(_FROM_VALUES @ np.swapaxes(around, 1, 2))
