"""The drive's periodic error: to and fro along the equator with a period of minutes, found in the last discs.

Once its period is known it is taken out of the track and is no longer noise. It shows along which line of the
picture the drive turns, too, and so tells the roll long before the drift does. Both are read from the single
discs: in means over minutes little of it is left.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sentinel.sky.arrays import Array

SHORTEST_S, LONGEST_S = 140.0, 1000.0
_HARMONICS = 2
_WAVES = 2 * _HARMONICS
"""The period and half of it, cosine and sine of each."""
_WAVE_VARIANCE = np.repeat([20.0, 6.0], 2) ** 2
"""How large they are, before any disc is seen, arcsec^2."""
_LEAST_DISCS, _LEAST_SPAN_S = 15, 1200.0
_LEAST_STRETCH = 8
"""Fewer discs tell nothing of a wave, slow drift apart."""
_RIDGE = 1e-6
_UNTOLD = np.zeros((_WAVES, _WAVES)), np.zeros((_WAVES, 2))
_LEAST_ARCSEC = 3.0
_LEAST_SHARE, _LEAST_SHARE_FREE = 0.12, 10.0
"""A wave must explain this share of what slow drift leaves, and so much over the degrees of freedom: the best
of many frequencies explains some of any noise."""
_ONCE_FOUND = 0.75
"""A known one only this part of it: who comes and goes upsets the fit."""
_SCATTER_ARCSEC, _SCATTER_FREEDOM = 4.0, 2.0
"""What wind and seeing do across the drive's line, before any disc is seen; it counts as so many discs."""
_LIKENESS, _LIKENESS_DISCS, _MOST_ALIKE = 1.5, 20.0, 4.0
"""So many neighbours err as one, before any disc is seen; it counts as so many discs; and at most."""
_LAGS = 2
_RUN_S = 3600.0
_GAP_S = 900.0
_ROUND = 0.45


@dataclass(frozen=True, slots=True)
class PeriodicError:
    """A periodic error of known period, and what the discs of the present stretch tell of its waves.

    Between stretches somebody moved the disc, perhaps with the drive: another phase, perhaps another roll.
    """

    period_s: float
    amplitude_arcsec: float
    seen_from_s: float
    """Begin of those discs; before, the phase is not known well enough."""
    normal: Array
    """(waves, waves) of the least squares, slow drift taken out"""
    right: Array
    """(waves, 2) its right-hand side, arcsec"""
    across_variance: float
    """What one of many discs counts for across the drive's line, arcsec^2: along it gears err as well."""

    def taken_out(
        self, utc_s: Array, count: Array, interval_s: float, variance: float
    ) -> tuple[Array, Array]:
        """Return what it does to the means of bins of discs evenly spaced, (n, 2) arcsec, and what it leaves.

        That is the covariance (n, n) of either coordinate; `variance` is that of one disc.
        """
        known = utc_s >= self.seen_from_s - 1.0
        turn = 2 * np.pi / self.period_s
        blunt = np.stack([_mean_wave(k * turn * interval_s, count) for k in range(1, _HARMONICS + 1)], axis=1)
        waves = _waves(turn * (utc_s - self.seen_from_s)) * np.repeat(blunt * known[:, None], 2, axis=1)
        covariance = self._covariance(variance)
        left = np.where(known, 0.0, (self.amplitude_arcsec * blunt[:, 0]) ** 2 / 2)
        moved = waves @ covariance @ self.right / variance
        return moved, waves @ covariance @ waves.T + np.diag(left)

    def roll_form(self) -> Array:
        """Return how badly it lies along the drive's line, (3, 3): chi-squared in (cos roll, sin roll, 1)."""
        # Unrolled, along the line is cos x - sin y.
        along = self.right * [1.0, -1.0] / self.across_variance
        explained = along.T @ self._covariance(self.across_variance) @ along
        form = np.zeros((3, 3))
        form[:2, :2] = np.trace(explained) * np.eye(2) - explained
        return form

    def _covariance(self, variance: float) -> Array:
        return np.asarray(np.linalg.inv(self.normal / variance + np.diag(1 / _WAVE_VARIANCE)))


def _waves(phase: Array) -> Array:
    """Return cosine and sine of phases (n,) and of their multiples, (n, waves)."""
    return np.stack([f(k * phase) for k in range(1, _HARMONICS + 1) for f in (np.cos, np.sin)], axis=1)


def _mean_wave(step_rad: float, count: Array) -> Array:
    """Return the height of the mean of `count` samples of a wave, a step of phase apart."""
    sine = np.sin(step_rad / 2)
    if abs(sine) < 1e-9:
        return np.ones_like(count)
    return np.asarray(np.sin(count * step_rad / 2) / (count * sine))


@dataclass(frozen=True, slots=True, eq=False)
class _Undisturbed:
    """Discs between which nobody moved the camera, what is left of them without slow drift."""

    since_s: Array
    """(n,) since the first of them"""
    left: Array
    """(n, 2) arcsec"""
    slow: Array
    """(n, q) orthonormal: slow drift, cubic by the hour"""

    def __len__(self) -> int:
        return len(self.since_s)

    def explained(self, frequencies: Array) -> Array:
        """Return how much of the squares each of many frequencies explains, (q,)."""
        phase = 2 * np.pi * self.since_s[:, None] * frequencies
        waves = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
        waves -= self.slow @ (self.slow.T @ waves)
        right = (waves.T @ self.left).reshape(2, len(frequencies), 2)
        c, s = waves[:, : len(frequencies)], waves[:, len(frequencies) :]
        cc, ss, cs = ((one * other).sum(axis=0) for one, other in ((c, c), (s, s), (c, s)))
        determinant = np.maximum(cc * ss - cs * cs, 1e-6 * len(self) ** 2)
        a, b = right[0], right[1]
        quadratic = ss * (a * a).sum(axis=1) - 2 * cs * (a * b).sum(axis=1) + cc * (b * b).sum(axis=1)
        return np.asarray(quadratic / determinant)

    def least_squares(self, frequency: float) -> tuple[Array, Array]:
        """Return normal matrix (waves, waves) and right-hand side (waves, 2) of the waves of a frequency."""
        waves = _waves(2 * np.pi * frequency * self.since_s)
        waves = waves - self.slow @ (self.slow.T @ waves)
        return waves.T @ waves, waves.T @ self.left

    def across(self, frequency: float, waves: Array) -> Array:
        """Return what is left (n,) across the line of waves (waves, 2) of a frequency, these taken out."""
        shapes = _waves(2 * np.pi * frequency * self.since_s)
        shapes = shapes - self.slow @ (self.slow.T @ shapes)
        return np.asarray((self.left - shapes @ waves) @ np.linalg.svd(waves)[2][1])


def find_periodic_error(
    utc_s: Array, xy_arcsec: Array, run: Array, known: PeriodicError | None = None
) -> tuple[PeriodicError | None, float, int]:
    """Look for a periodic error in discs.

    `utc_s`, `xy_arcsec`: times (n,) and centres (n, 2), in time order.
    `run`: number of the stretch of each disc (n,): between stretches the disc was moved, or the drive stood,
        so that the wave goes on in another phase.
    `known`: what was found last time: sought near its period first.
    Returns the worm, None where none stands out; the sum of the squares of what is left of both coordinates
    when slow drift and worm are taken out, arcsec^2; and its degrees of freedom, of one coordinate.
    """
    whole = [np.flatnonzero(run == number) for number in np.unique(run)]
    stretches = [_stretch(utc_s[mine], xy_arcsec[mine]) for mine in whole if len(mine) >= _LEAST_STRETCH]
    power = sum(float((one.left**2).sum()) for one in stretches)
    freedom = sum(len(one) - one.slow.shape[1] for one in stretches)
    longest = max(stretches, key=lambda one: float(one.since_s[-1]), default=None)
    if longest is None or freedom < _LEAST_DISCS or longest.since_s[-1] < _LEAST_SPAN_S or power == 0.0:
        return None, power, max(freedom, 0)
    best = _best_frequency(stretches, longest.since_s, known)
    told = {one: one.least_squares(best) for one in stretches}
    waves = {one: _solved(*normal) for one, normal in told.items()}
    explained = sum(float((waves[one] * right).sum()) for one, (_, right) in told.items())
    spread = np.linalg.svd(waves[longest][:2], compute_uv=False)
    least = _LEAST_SHARE + (_LEAST_SHARE_FREE + _WAVES * (len(stretches) - 1)) / freedom
    enough = explained > power * least * (1.0 if known is None else _ONCE_FOUND)
    if not enough or spread[0] < _LEAST_ARCSEC or spread[1] > _ROUND * spread[0]:
        return None, power, freedom
    last = told[stretches[-1]] if len(whole[-1]) >= _LEAST_STRETCH else _UNTOLD
    variance = _across_variance(stretches, [one.across(best, waves[one]) for one in stretches])
    worm = PeriodicError(1 / best, float(spread[0]), float(utc_s[whole[-1][0]]), *last, variance)
    return worm, max(power - explained, 0.0), max(freedom - _WAVES * len(stretches), 1)


def _across_variance(stretches: Sequence[_Undisturbed], left: Sequence[Array]) -> float:
    """Return what one of many discs counts for, arcsec^2, by what is left (n,) of each stretch.

    A mean of many is as uncertain as their scatter says, and as alike as neighbours err.
    """
    freedom = sum(max(len(one) - one.slow.shape[1] - _WAVES, 0) for one in stretches)
    squares: float = sum(float(one @ one) for one in left)
    scatter = squares + _SCATTER_ARCSEC**2 * _SCATTER_FREEDOM
    products = sum(float(one[k:] @ one[:-k]) for one in left for k in range(1, _LAGS + 1))
    count = sum(len(one) for one in left)
    alike: float = 1 + 2 * products / max(squares, 1e-9)
    alike = (alike * count + _LIKENESS * _LIKENESS_DISCS) / (count + _LIKENESS_DISCS)
    each: float = scatter / (freedom + _SCATTER_FREEDOM)
    return each * min(max(alike, 1.0), _MOST_ALIKE)


def _solved(normal: Array, right: Array) -> Array:
    """Return the waves (waves, 2) of some least squares."""
    return np.linalg.solve(normal + _RIDGE * np.trace(normal) * np.eye(len(normal)), right)


def _best_frequency(stretches: Sequence[_Undisturbed], since_s: Array, known: PeriodicError | None) -> float:
    """Return the frequency that explains most, sought coarsely, then finely; (n,) times of the longest."""
    span, interval = float(since_s[-1]), float(np.median(np.diff(since_s)))
    highest = min(1 / SHORTEST_S, 0.45 / interval)
    lowest = max(1 / LONGEST_S, 1.7 / span)
    if highest <= lowest:
        return highest
    if known is not None:
        lowest, highest = (share / known.period_s for share in (0.9, 1.1))
    tried = np.linspace(lowest, highest, int(np.clip((highest - lowest) * span * 5, 8, 300)))
    for _ in range(2):
        best = float(tried[int(np.sum([one.explained(tried) for one in stretches], axis=0).argmax())])
        step = tried[1] - tried[0]
        tried = np.linspace(best - step, best + step, 11)
    return best


def _stretch(utc_s: Array, xy_arcsec: Array) -> _Undisturbed:
    """Return one stretch; in pieces of an hour at most, and without long gaps, its drift is slow."""
    hour = np.zeros(len(utc_s), dtype=int)
    begin, number = utc_s[0], 0
    for i in range(1, len(utc_s)):
        if utc_s[i] - utc_s[i - 1] > _GAP_S or utc_s[i] - begin > _RUN_S:
            begin, number = utc_s[i], number + 1
        hour[i] = number
    blocks: list[Array] = []
    for one in range(number + 1):
        mine = hour == one
        since = utc_s[mine] - utc_s[mine].mean()
        since = since / max(float(np.abs(since).max()), 1.0)
        # Of a piece that hardly begins nothing is left.
        degrees = 4 if len(since) >= 12 else min(2, len(since))
        basis = np.zeros((len(utc_s), degrees))
        basis[mine] = np.linalg.qr(np.vander(since, degrees))[0]
        blocks.append(basis)
    slow = np.concatenate(blocks, axis=1)
    return _Undisturbed(utc_s - utc_s[0], xy_arcsec - slow @ (slow.T @ xy_arcsec), slow)
