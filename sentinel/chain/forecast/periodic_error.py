"""The drive's periodic error: to and fro along the equator with a period of minutes, found in the last discs.

Once its period is known it is fitted with the rest and no longer taken for noise. It shows along which line
of the picture the drive turns, too, and so tells the roll long before the drift does.
"""

from dataclasses import dataclass

import numpy as np

from sentinel.sky.arrays import Array, Bools

SHORTEST_S, LONGEST_S = 140.0, 1000.0
COLUMNS = 4
"""Cosine and sine of the period and of half of it."""
SIGMAS_ARCSEC = (20.0, 20.0, 6.0, 6.0)
_LEAST_DISCS = 15
_LEAST_ARCSEC = 3.0
_LEAST_SHARE, _LEAST_SHARE_FREE = 0.12, 10.0
"""A wave must explain this share of what slow drift leaves, and so much over the degrees of freedom: the best
of many frequencies explains some of any noise."""
_ONCE_FOUND = 0.75
"""A known one only this part of it: who comes and goes upsets the fit."""
_RUN_S = 3600.0
_GAP_S = 900.0
_ROUND = 0.45


@dataclass(frozen=True, slots=True)
class PeriodicError:
    """A periodic error of known period."""

    period_s: float
    amplitude_arcsec: float
    seen_from_s: float
    """Begin of the discs that tell of it; before, its phase is not known well enough."""

    def columns(self, utc_s: Array, count: Array, interval_s: float) -> Array:
        """Return (n, `COLUMNS`): the means of cosines and sines over bins of discs evenly spaced."""
        columns = []
        for harmonic in (1, 2):
            turn = 2 * np.pi * harmonic / self.period_s
            blunt = np.where(self._known(utc_s), _mean_wave(turn * interval_s, count), 0.0)
            phase = turn * (utc_s - self.seen_from_s)
            columns += [blunt * np.cos(phase), blunt * np.sin(phase)]
        return np.stack(columns, axis=1)

    def variance(self, utc_s: Array, count: Array, interval_s: float) -> Array:
        """Return the variance (n,) that it leaves in the means of bins whose phase is not known, arcsec^2."""
        left = self.amplitude_arcsec * _mean_wave(2 * np.pi / self.period_s * interval_s, count)
        return np.where(self._known(utc_s), 0.0, left**2 / 2)

    def _known(self, utc_s: Array) -> Bools:
        return np.asarray(utc_s >= self.seen_from_s - 1.0)


def _mean_wave(step_rad: float, count: Array) -> Array:
    """Return the height of the mean of `count` samples of a wave, a step of phase apart."""
    sine = np.sin(step_rad / 2)
    if abs(sine) < 1e-9:
        return np.ones_like(count)
    return np.asarray(np.sin(count * step_rad / 2) / (count * sine))


def find_periodic_error(
    utc_s: Array, xy_arcsec: Array, run: Array, known: PeriodicError | None = None
) -> tuple[PeriodicError | None, float, int]:
    """Look for a periodic error in discs.

    `utc_s`, `xy_arcsec`: times (n,) and centres (n, 2), in time order.
    `run`: number of the stretch of each disc (n,): between stretches the disc was moved.
    `known`: what was found last time: sought near its period first.
    Returns the worm, None where none stands out; the sum of the squares of what is left of both coordinates
    when slow
    Returns drift and worm are taken out, arcsec^2; and its degrees of freedom, of one coordinate.
    """
    keep, slow = _slow_basis(utc_s, run)
    if not len(keep):
        return None, 0.0, 0
    times, left = utc_s[keep], xy_arcsec[keep] - slow @ (slow.T @ xy_arcsec[keep])
    power = float((left**2).sum())
    freedom = len(keep) - slow.shape[1]
    if freedom < _LEAST_DISCS or times[-1] - times[0] < 1200 or power == 0.0:
        return None, power, max(freedom, 0)
    best = _best_frequency(times, left, slow, known)
    coefficients, explained = _fitted(times, left, slow, best, harmonics=2)
    spread = np.linalg.svd(coefficients[:2], compute_uv=False)
    least = _LEAST_SHARE + _LEAST_SHARE_FREE / freedom
    enough = explained > power * least * (1.0 if known is None else _ONCE_FOUND)
    if not enough or spread[0] < _LEAST_ARCSEC or spread[1] > _ROUND * spread[0]:
        return None, power, freedom
    worm = PeriodicError(1 / best, float(spread[0]), float(times[0]))
    return worm, max(power - explained, 0.0), max(freedom - COLUMNS, 1)


def _best_frequency(times: Array, left: Array, slow: Array, known: PeriodicError | None) -> float:
    """Return the frequency that explains most, sought coarsely, then finely."""
    span = float(times[-1] - times[0])
    interval = float(np.median(np.diff(times)))
    highest = min(1 / SHORTEST_S, 0.45 / interval)
    lowest = max(1 / LONGEST_S, 1.7 / span)
    if highest <= lowest:
        return highest
    if known is not None:
        lowest, highest = (share / known.period_s for share in (0.9, 1.1))
    tried = np.linspace(lowest, highest, int(np.clip((highest - lowest) * span * 5, 8, 300)))
    for _ in range(2):
        best = float(tried[int(_explained(times, left, slow, tried).argmax())])
        step = tried[1] - tried[0]
        tried = np.linspace(best - step, best + step, 11)
    return best


def _explained(times: Array, left: Array, slow: Array, frequencies: Array) -> Array:
    """Return how much of the squares each of many frequencies explains, (q,)."""
    phase = 2 * np.pi * (times - times[0])[:, None] * frequencies
    waves = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
    waves -= slow @ (slow.T @ waves)
    right = (waves.T @ left).reshape(2, len(frequencies), 2)
    c, s = waves[:, : len(frequencies)], waves[:, len(frequencies) :]
    cc, ss, cs = ((one * other).sum(axis=0) for one, other in ((c, c), (s, s), (c, s)))
    determinant = np.maximum(cc * ss - cs * cs, 1e-6 * len(times) ** 2)
    a, b = right[0], right[1]
    quadratic = ss * (a * a).sum(axis=1) - 2 * cs * (a * b).sum(axis=1) + cc * (b * b).sum(axis=1)
    return np.asarray(quadratic / determinant)


def _fitted(
    times: Array, left: Array, slow: Array, frequency: float, *, harmonics: int
) -> tuple[Array, float]:
    """Return coefficients (2 harmonics, 2) of a frequency, and how much of the squares it explains."""
    phase = 2 * np.pi * frequency * (times - times[0])
    waves = np.stack([f(k * phase) for k in range(1, harmonics + 1) for f in (np.cos, np.sin)], axis=1)
    waves = waves - slow @ (slow.T @ waves)
    right = waves.T @ left
    normal = waves.T @ waves + 1e-6 * len(times) * np.eye(2 * harmonics)
    coefficients = np.linalg.solve(normal, right)
    return np.asarray(coefficients), float((coefficients * right).sum())


def _slow_basis(utc_s: Array, run: Array) -> tuple[Array, Array]:
    """Return which discs are used, and an orthonormal basis of slow drift over them: cubic by the hour."""
    if len(utc_s) < 2:
        return np.zeros(0, dtype=int), np.zeros((0, 0))
    hour = np.zeros(len(utc_s), dtype=int)
    begin, number = utc_s[0], 0
    for i in range(1, len(utc_s)):
        if run[i] != run[i - 1] or utc_s[i] - utc_s[i - 1] > _GAP_S or utc_s[i] - begin > _RUN_S:
            begin, number = utc_s[i], number + 1
        hour[i] = number
    used: list[int] = []
    blocks: list[Array] = []
    for one in range(number + 1):
        mine = np.flatnonzero(hour == one)
        if len(mine) < 5:
            continue
        since = utc_s[mine] - utc_s[mine].mean()
        since = since / max(float(np.abs(since).max()), 1.0)
        blocks.append(np.linalg.qr(np.vander(since, 4 if len(mine) >= 12 else 2))[0])
        used += mine.tolist()
    basis = np.zeros((len(used), sum(block.shape[1] for block in blocks)))
    row = column = 0
    for block in blocks:
        basis[row : row + block.shape[0], column : column + block.shape[1]] = block
        row, column = row + block.shape[0], column + block.shape[1]
    return np.array(used, dtype=int), basis
