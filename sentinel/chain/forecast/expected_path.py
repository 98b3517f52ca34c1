"""Where the draws expect the disc, in as few points as will do: the follower compares new discs with it."""

import numpy as np

from sentinel.core.foreseen import PathPoint
from sentinel.core.times import from_utc_s
from sentinel.sky.arrays import Array

BEFORE_S: Array = -60 * np.array([40, 30, 20, 10, 5, 2.0])
"""New discs are compared with the last ones: the path begins before now."""
EXPECTED_S = 12 * 3600.0
"""For how long a disc is expected."""
_EXACT_ARCSEC = 3.0
"""Points between which a straight line is as good as this are left out: far less than a jump is."""


def expected_path(
    times_s: Array, tracks_px: Array, now: int, scale_arcsec_px: float
) -> tuple[PathPoint, ...]:
    """Return the draws' middle and spread over time, from their tracks (2, n, d).

    `now`: index of the present, at which the spread counts as 0: only how far the draws come apart matters.
    """
    x, y = tracks_px
    spread = np.hypot(x.std(axis=1), y.std(axis=1))
    spread = np.maximum(spread - spread[now], 0.0)
    rows = np.stack([np.median(x, axis=1), np.median(y, axis=1), spread], axis=1)
    last = len(rows) - 1
    kept = [0, *_bends(times_s, rows, 0, last, _EXACT_ARCSEC / scale_arcsec_px), last]
    return tuple(
        PathPoint(
            time_utc=from_utc_s(float(times_s[k])),
            x_px=round(float(rows[k, 0]), 2),
            y_px=round(float(rows[k, 1]), 2),
            sigma_px=round(float(rows[k, 2]), 2),
        )
        for k in kept
    )


def _bends(times_s: Array, rows: Array, first: int, last: int, exact_px: float) -> list[int]:
    """Return which points between two are needed for straight lines to be near all of them."""
    if last - first < 2:
        return []
    share = (times_s[first : last + 1] - times_s[first]) / (times_s[last] - times_s[first])
    line = rows[first] + share[:, None] * (rows[last] - rows[first])
    off = np.abs(rows[first : last + 1] - line).max(axis=1)
    worst = first + int(off.argmax())
    if off.max() <= exact_px:
        return []
    return [
        *_bends(times_s, rows, first, worst, exact_px), worst, *_bends(times_s, rows, worst, last, exact_px)
    ]  # fmt: skip
