"""The track, thinned: mean positions over a few minutes, over more with age, gone after 36 hours.

However long a session lasts there are at most some two hundred, so that the cost of a fit and the memory stay
flat.
"""

from dataclasses import dataclass

import numpy as np

from sentinel.sky.arrays import Array

SHORTEST_S = 150.0
# Above these ages a bin spans 300, 600, 1200 s.
_AGES_S = (2700.0, 3 * 3600.0, 12 * 3600.0)
FORGOTTEN_S = 36 * 3600.0
MOST_STRETCHES = 16
"""Each has a pose of its own to fit: of a disc that is put elsewhere all day the latest must do."""


@dataclass(frozen=True, slots=True)
class Arc:
    """Bins as arrays, in time order: what a fit works on."""

    utc_s: Array
    xy_px: Array
    """(n, 2)"""
    sigma_px: Array
    """Measuring error of a bin's mean, without the mount's unrest."""
    count: Array
    """Discs in each bin."""
    stretch: Array
    """Number of the stretch between re-centrings, whole numbers."""

    def __len__(self) -> int:
        return len(self.utc_s)


class Bins:
    """Sums over the accepted discs, by stretch and span of time; late discs find their bin."""

    def __init__(self) -> None:
        self._sums: dict[tuple[int, int, int], Array] = {}
        self._newest_utc_s = -np.inf

    def add(self, stretch: int, utc_s: float, x_px: float, y_px: float, sigma_px: float) -> None:
        """Take one disc into its bin."""
        self._newest_utc_s = max(self._newest_utc_s, utc_s)
        level = self._level(self._newest_utc_s - utc_s)
        key = (level, stretch, int(utc_s // (SHORTEST_S * 2**level)))
        # Relative to the bin's begin, so that sums of squares keep their digits.
        since = utc_s - key[2] * SHORTEST_S * 2**level
        more = np.array([1.0, since, x_px, y_px, sigma_px**2])
        self._sums[key] = self._sums[key] + more if key in self._sums else more

    def arc(self) -> Arc:
        """Return the bins in time order, the old ones merged and the oldest dropped on the way."""
        self._age()
        rows = []
        for (level, stretch, slot), (n, since, x, y, variance) in self._sums.items():
            begin = slot * SHORTEST_S * 2**level
            rows.append((begin + since / n, x / n, y / n, np.sqrt(variance) / n, n, stretch))
        rows.sort()
        table = np.array(rows).reshape(-1, 6)
        return Arc(table[:, 0], table[:, 1:3], table[:, 3], table[:, 4], table[:, 5].astype(int))

    def forget(self, *, before_s: float = -np.inf, before_stretch: int = 0) -> None:
        """Drop the bins whose discs were, in the mean, before a time or in a stretch before another."""
        self._sums = {
            (level, stretch, slot): sums
            for (level, stretch, slot), sums in self._sums.items()
            if stretch >= before_stretch and slot * SHORTEST_S * 2**level + sums[1] / sums[0] >= before_s
        }

    def near(self, stretch: int, utc_s: float, within_s: float) -> Array | None:
        """Return where a stretch's track was at a time (2,), between the bins about it; None: too far off."""
        means = sorted(
            (slot * SHORTEST_S * 2**level + sums[1] / sums[0], sums[2] / sums[0], sums[3] / sums[0])
            for (level, owner, slot), sums in self._sums.items()
            if owner == stretch
        )
        if not means:
            return None
        table = np.array(means)
        if np.abs(table[:, 0] - utc_s).min() > within_s:
            return None
        x, y = (float(np.interp(utc_s, table[:, 0], table[:, column])) for column in (1, 2))
        return np.array([x, y])

    def _age(self) -> None:
        merged: dict[tuple[int, int, int], Array] = {}
        kept = sorted({stretch for _, stretch, _ in self._sums})[-MOST_STRETCHES:]
        for (level, stretch, slot), sums in sorted(self._sums.items()):
            begin = slot * SHORTEST_S * 2**level
            age = self._newest_utc_s - begin
            if age > FORGOTTEN_S or stretch < kept[0]:
                continue
            now_level = max(level, self._level(age))
            now_slot = slot >> (now_level - level)
            moved = sums.copy()
            moved[1] += sums[0] * (begin - now_slot * SHORTEST_S * 2**now_level)
            key = (now_level, stretch, now_slot)
            merged[key] = merged[key] + moved if key in merged else moved
        self._sums = merged

    @staticmethod
    def _level(age_s: float) -> int:
        return sum(age_s > limit for limit in _AGES_S)
