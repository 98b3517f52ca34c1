"""One part of the track, thinned: mean positions over a few minutes, over more with age, gone after 36 hours.

However long a session lasts there are at most some two hundred, so that the cost of a fit and the memory stay
flat.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.sky.arrays import Array

SHORTEST_S = 150.0
# Above these ages a bin spans 300, 600, 1200 s.
_AGES_S = (2700.0, 3 * 3600.0, 12 * 3600.0)
FORGOTTEN_S = 36 * 3600.0


@dataclass(frozen=True, slots=True)
class Arc:
    """Bins as arrays, in time order: what a fit works on."""

    utc_s: Array
    xy_px: Array
    """(n, 2)"""
    sigma_px: Array
    """Measuring error of a bin's mean; wind, seeing and the drive's periodic error come on top."""
    count: Array
    """Discs in each bin."""
    oval: NDArray[np.complex128]
    """How far from round they are, over their radius, as `TrackedDisc.oval`; NaN where none tells it."""
    oval_sigma: Array
    """Of either part."""
    up: NDArray[np.complex128]
    """Which way was up in the stored pictures, x + i y with y downward; shorter than 1 where they differ or
    some do not tell, 0 where none does."""
    ups: frozenset[complex]
    """Every such way that was ever told, also in parts of the track before this one."""

    def __len__(self) -> int:
        return len(self.utc_s)


class Bins:
    """Sums over the discs of one part of the track, by span of time; late discs find their bin."""

    def __init__(self) -> None:
        self._sums: dict[tuple[int, int], Array] = {}
        """By level (the span is `SHORTEST_S` doubled so often) and slot: the number of discs; the sums of
        their times since the bin's start, of x, of y and of the variances; those of the ovals' two parts
        and of 1, each divided by the oval's variance; and of both parts of the way up."""
        self._ups: set[complex] = set()
        self._newest_utc_s = -np.inf

    def add(  # noqa: PLR0917 - one disc
        self,
        utc_s: float,
        x_px: float,
        y_px: float,
        sigma_px: float,
        oval: complex = 0j,
        oval_sigma: float = np.inf,
        up: complex = 0j,
    ) -> None:
        """Take one disc into its bin."""
        self._newest_utc_s = max(self._newest_utc_s, utc_s)
        self._ups |= {up} if up else set()
        span_s = SHORTEST_S * 2 ** (level := self._level(self._newest_utc_s - utc_s))
        slot = int(utc_s // span_s)
        # Times since the bin's start, so that sums keep their digits.
        sums = [1.0, utc_s - slot * span_s, x_px, y_px, sigma_px**2, oval.real, oval.imag, 1.0]
        sums[5:] = [part / oval_sigma**2 for part in sums[5:]]
        self._put((level, slot), np.array([*sums, up.real, up.imag]))

    def arc(self) -> Arc:
        """Return the bins in time order, the old ones merged and the oldest dropped on the way."""
        self._age()
        columns = np.array([*self._sums.values()]).reshape(-1, 10).T
        count, since, x, y, variance, *oval, told, up_x, up_y = columns
        means = np.array([self._begin_s(key) for key in self._sums]) + since / count
        order = np.argsort(means)
        xy = np.stack([x, y], axis=1) / count[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            oval, oval_sigma = (oval[0] + 1j * oval[1]) / told, 1 / np.sqrt(told)
        return Arc(
            means[order],
            xy[order],
            (np.sqrt(variance) / count)[order],
            count[order],
            oval[order],
            oval_sigma[order],
            ((up_x + 1j * up_y) / count)[order],
            frozenset(self._ups),
        )

    def forget(self, before_s: float) -> None:
        """Drop the bins whose discs were, in the mean, before a time."""
        self._sums = {
            key: sums
            for key, sums in self._sums.items()
            if self._begin_s(key) + sums[1] / sums[0] >= before_s
        }

    def near(self, utc_s: float, within_s: float) -> Array | None:
        """Return where the track was at a time (2,), between the bins about it; None: too far off."""
        arc = self.arc()
        if not len(arc) or np.abs(arc.utc_s - utc_s).min() > within_s:
            return None
        return np.array([np.interp(utc_s, arc.utc_s, arc.xy_px[:, side]) for side in (0, 1)])

    def _put(self, key: tuple[int, int], sums: Array) -> None:
        self._sums[key] = self._sums[key] + sums if key in self._sums else sums

    @staticmethod
    def _begin_s(key: tuple[int, int]) -> float:
        return float(key[1] * SHORTEST_S * 2 ** key[0])

    def _age(self) -> None:
        old, self._sums = self._sums, {}
        for (level, slot), sums in sorted(old.items()):
            age_s = self._newest_utc_s - self._begin_s((level, slot))
            if age_s > FORGOTTEN_S:
                continue
            wider = max(level, self._level(age_s))
            key = wider, slot >> (wider - level)
            moved = sums.copy()
            moved[1] += sums[0] * (self._begin_s((level, slot)) - self._begin_s(key))
            self._put(key, moved)

    @staticmethod
    def _level(age_s: float) -> int:
        return sum(age_s > limit for limit in _AGES_S)
