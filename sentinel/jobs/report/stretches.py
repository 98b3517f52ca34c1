"""The track cut where the disc was put elsewhere: at re-centrings, knocks, and while the mount ran away."""

from collections.abc import Iterable

import numpy as np

from sentinel.jobs.report.thin import Indices
from sentinel.sky.arrays import Array

LEAST_STEP_ARCSEC = 60.0
JITTERS = 8.0
WINDOW = 30
"""Steps on either side that tell how the disc usually moves."""
SHORTEST = 5
"""Discs; what is shorter says nothing about the mount."""
GAP_DRIFT_ARCSEC_S = 0.02
"""How uncertain the drift over a gap is."""
NEAR_MARK_S = 900.0


def stretches(utc_s: Array, xy_arcsec: Array, marks_s: Iterable[float] = ()) -> Indices:
    """Return for each disc the number of its stretch, from 0, or -1 where it belongs to none.

    Parameters
    ----------
    utc_s
        Ascending times of the discs, (n,).
    xy_arcsec
        Their places, (n, 2).
    marks_s
        When the operator says that the disc was put elsewhere: a stretch ends there too.
    """
    n = len(utc_s)
    if n < SHORTEST:
        return np.zeros(n, dtype=np.intp)
    excess, dt = _steps(utc_s, xy_arcsec)
    limit = _limit(excess)
    # Between these neighbours the disc went as no drift takes it.
    cut = np.hypot(excess[:, 0], excess[:, 1]) > limit + GAP_DRIFT_ARCSEC_S * dt
    pieces = [piece for piece in np.split(np.arange(n), np.flatnonzero(cut) + 1) if len(piece) >= SHORTEST]
    found = np.full(n, -1, dtype=np.intp)
    number, before = -1, None
    for piece in pieces:
        if before is None or not _joins(utc_s, xy_arcsec, before, piece, limit):
            number += 1
        found[piece] = number
        before = piece
    return _cut_at_marks(utc_s, found, marks_s)


def _steps(utc_s: Array, xy_arcsec: Array) -> tuple[Array, Array]:
    """Return how each step differs from the usual ones about it, (n - 1, 2), and how long it took."""
    dt = np.maximum(np.diff(utc_s), 1e-3)
    speed = np.diff(xy_arcsec, axis=0) / dt[:, None]
    # Beyond the ends the disc is taken to go as it mostly did: else a mount that runs away at the end of a
    # session would be its own measure.
    usual = np.broadcast_to(np.median(speed, axis=0), (WINDOW, 2))
    padded = np.concatenate([usual, speed, usual])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * WINDOW + 1, axis=0)
    return (speed - np.median(windows, axis=-1)) * dt[:, None], dt


def _limit(excess: Array) -> float:
    """Return how far a step may differ from the usual ones and still be wind, in arcsec."""
    jitter = 1.4826 * float(np.median(np.abs(excess - np.median(excess, axis=0))))
    return max(LEAST_STEP_ARCSEC, JITTERS * jitter)


def _joins(utc_s: Array, xy_arcsec: Array, before: Indices, after: Indices, limit: float) -> bool:
    """Return whether a piece goes on where the one before it left off: what parted them was a stray."""
    old, new = before[-SHORTEST:], after[:SHORTEST]
    gap_s = float(np.median(utc_s[new]) - np.median(utc_s[old]))
    drift = np.zeros(2)
    if len(before) > 2 * SHORTEST:
        back = before[-2 * WINDOW :]
        drift = (xy_arcsec[back[-1]] - xy_arcsec[back[0]]) / max(utc_s[back[-1]] - utc_s[back[0]], 1.0)
    off = np.median(xy_arcsec[new], axis=0) - np.median(xy_arcsec[old], axis=0) - drift * gap_s
    return bool(np.hypot(*off) <= limit + GAP_DRIFT_ARCSEC_S * gap_s)


def _cut_at_marks(utc_s: Array, found: Indices, marks_s: Iterable[float]) -> Indices:
    """Begin a new stretch at each mark that does not lie near one's begin anyway; number them anew."""
    first = np.r_[True, (found[1:] != found[:-1])]
    begins = utc_s[first & (found >= 0)]
    extra = [
        at
        for at in sorted(set(marks_s))
        if utc_s[0] < at < utc_s[-1] and not (np.abs(begins - at) < NEAR_MARK_S).any()
    ]
    key = np.searchsorted(np.array(extra), utc_s, side="right") if extra else np.zeros(len(utc_s), dtype=int)
    used = found >= 0
    _, again = np.unique(np.stack([key[used], found[used]], axis=1), axis=0, return_inverse=True)
    numbered = found.copy()
    numbered[used] = again.ravel()
    return np.asarray(numbered, dtype=np.intp)
