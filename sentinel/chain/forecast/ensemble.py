"""Many equally likely mounts, drawn from the fit, and the tracks they will draw in the frame."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.fit import Solved
from sentinel.chain.forecast.geometry import (
    COMMON,
    ONE_PART,
    RAMP,
    RATE_UNIT,
    Geometry,
    Indices,
    Points,
    SlowChange,
    rolled,
)
from sentinel.chain.forecast.noise import FLEXURES, Change
from sentinel.chain.forecast.sun_path import OFFSETS_S
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S
from sentinel.sky.arrays import Array, Bools

DRAWS = 400
SURELY_CHANGED_SHARE = 0.98
SURE_AFTER_S = 1800.0
_MOST_UNKNOWNS = 64
_HALF = DRAWS // 2
_TAIL = 8.0
_GOLDEN = 0.618_034
"""Multiples of it, the whole turns dropped, lie evenly."""


@lru_cache(maxsize=1)
def _chances() -> tuple[Array, Array, Indices]:
    """Return the standard normals behind every draw: of unknowns and state, of the path, and an order.

    The same for each renewal, so that answers do not flicker. Each draw has its mirror image: means are
    exact.
    """
    rng = np.random.default_rng(20_260_621)
    half = rng.standard_normal((_MOST_UNKNOWNS + 6, _HALF))
    path = rng.standard_normal((256, 4, _HALF))
    # Nature's tails are longer than a Gaussian's: Student's t, every draw with its own measure.
    measure = np.sqrt(_TAIL / rng.chisquare(_TAIL, _HALF))
    half, path = half * measure, path * measure
    order = rng.permutation(_HALF)
    return (
        np.concatenate([half, -half], axis=1),
        np.concatenate([path, -path], axis=2),
        np.concatenate([order, order]),
    )


def evenly(draws: int) -> Array:
    """Return a number from 0 to 1 for each draw, lying evenly whichever of them are taken, (draws,)."""
    return np.asarray(np.arange(draws) * _GOLDEN % 1, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Ensemble:
    """d draws of the unknowns, the roll, and the flexure's state now."""

    geometry: Geometry
    points: Points
    point: Indices
    """(d,) which of the points each draw is linearised about."""
    unknowns: Array
    """(d, `COMMON` + 2) relative to its point: axis, rate, air, what goes on, pose of the present stretch."""
    roll_rad: Array
    kind: Indices
    """(d,) number of the kind of noise, as `fit.Whitener` counts them."""
    state: Array
    """(2, 2, d): value and slope of the flexure now, along and across, arcsec and arcsec/s."""
    changes: tuple[Change, ...] = ()
    """Those that the kinds count."""
    fitted_s: float = 0.0
    """The time for which axis and tipping hold."""
    later_s: Array | None = None
    """(m,) the sun is where it stands so much later; None: where it stands."""

    def __len__(self) -> int:
        return len(self.roll_rad)

    def azimuth_deg(self) -> Array:
        """Return the axis's azimuth errors, (d,)."""
        return np.asarray(self.points.azimuth_deg[self.point] + self.unknowns[:, 0])

    def altitude_deg(self) -> Array:
        """Return the axis's altitude errors, (d,)."""
        return np.asarray(self.points.altitude_deg[self.point] + self.unknowns[:, 1])

    def rate_ratio(self) -> Array:
        """Return the mount's rates now over the mean solar rate, (d,)."""
        gained = self.unknowns[:, RAMP] * self.points.gained(self.fitted_s)[self.point]
        deviation = (self.points.rate[self.point] + self.unknowns[:, 2] + gained) * RATE_UNIT
        return np.asarray((1 + deviation) * self.points.base_arcsec_s[self.point] / MEAN_SOLAR_RATE_ARCSEC_S)

    def changed_s(self, least_share: float) -> float | None:
        """Return when the drift became what it is, POSIX seconds; None: it always was in too many draws."""
        changes = self.kind // len(FLEXURES)
        if (changes > 0).mean() <= least_share:
            return None
        return float(np.median([self.changes[k - 1].utc_s for k in changes[changes > 0]]))

    def has_surely_changed(self, until_s: float) -> bool:
        """Whether the drift is another for sure, and for so long that the track before is let go."""
        changed_s = self.changed_s(SURELY_CHANGED_SHARE)
        return changed_s is not None and changed_s <= until_s - SURE_AFTER_S

    def of_mounts(self, change: SlowChange) -> Bools:
        """Return which draws are of mounts of which so much goes on changing, (d,)."""
        return np.asarray(self.points.slow_change[self.point] == change)

    def air_of_another_rising(self) -> Array:
        """Return how much more than the formula says the air lifts a sun that rises, in sigmas, (d,).

        It is another air than the one that the track was drawn through.
        """
        return np.asarray(_chances()[0][_MOST_UNKNOWNS - 1])

    def tracks_arcsec(self, now_s: float, offsets_s: Array) -> tuple[Array, Array]:
        """Return x and y (n, d) in the picture, arcsec from the lens axis, at times after now, or before it.

        Of the past only geometry is told: flexure stands as it does now.
        """
        used = np.unique(self.point)
        points = self.points.taken(used)
        later_s = 0.0 if self.later_s is None else self.later_s[used, None]
        aims = self.geometry.aims(now_s + offsets_s, self.fitted_s, later_s)
        base, slopes = self.geometry.linear(aims, ONE_PART, points)
        tangent = self._flexing(offsets_s)
        by_point = np.empty_like(tangent)
        begin, places = 0, np.empty(len(self), dtype=np.intp)
        for i, which in enumerate(used):
            mine = np.flatnonzero(self.point == which)
            end = begin + len(mine)
            places[mine] = np.arange(begin, end)
            answers = np.concatenate([slopes[i, :, :, :COMMON], slopes[i, :, :, -2:]], axis=2)
            # One flat product: a stack of thin ones is slow.
            moved = answers.reshape(-1, COMMON + 2) @ self.unknowns[mine].T
            np.add(moved.reshape(len(offsets_s), 2, -1), base[i, :, :, None], out=by_point[:, :, begin:end])
            begin = end
        tangent += by_point.take(places, axis=2)
        return rolled(tangent[:, 0], tangent[:, 1], self.roll_rad)

    def _flexing(self, offsets_s: Array) -> Array:
        """Return (n, 2, d): the flexure going on from its state now, and the axis wandering off."""
        kinds, which = np.unique(self.kind % len(FLEXURES), return_inverse=True)
        continuations = [_continuation(int(kind)) for kind in kinds]
        path = continuations[0][1].astype(np.float64)
        for i, (_, added) in enumerate(continuations[1:], 1):
            np.copyto(path, added, where=which == i)
        keep = np.stack([weights for weights, _ in continuations], axis=2).take(which, axis=2)  # (n, 2, d)
        path += keep[:, :1] * self.state[0]
        path += keep[:, 1:] * self.state[1]
        path = _between(path, np.maximum(offsets_s, 0.0))
        wander = np.array([FLEXURES[kind].wander for kind in kinds])[which]
        goes_on = np.array([0.0, *(change.wander for change in self.changes)])
        wander = wander + goes_on[self.kind // len(FLEXURES)]
        if not wander.any():
            return path
        reach = np.sqrt(np.maximum(offsets_s, 0.0) ** 3 / 3)
        path += reach[:, None, None] * (np.sqrt(wander) * _chances()[0][-2:])[None]
        return path


def _between(path: Array, offsets_s: Array) -> Array:
    """Return a path given at `OFFSETS_S` at other times too: it is slow, a straight line will do."""
    if np.array_equal(offsets_s, OFFSETS_S):
        return path
    after = np.minimum(np.searchsorted(OFFSETS_S, offsets_s), len(OFFSETS_S) - 1)
    result = path[after]
    for i in np.flatnonzero(OFFSETS_S[after] != offsets_s):
        before = after[i] - 1
        share = (offsets_s[i] - OFFSETS_S[before]) / (OFFSETS_S[after[i]] - OFFSETS_S[before])
        result[i] = path[before] + share * (path[after[i]] - path[before])
    return np.asarray(result)


@lru_cache(maxsize=len(FLEXURES))
def _continuation(kind: int) -> tuple[Array, NDArray[np.float32]]:
    """Return how a flexure goes on over `OFFSETS_S`.

    Weights (n, 2) of value and slope now, and what chance adds (n, 2, d).
    """
    normals = _chances()[1]
    steps = np.diff(OFFSETS_S, prepend=0.0)
    weights, value, slope = np.eye(2), np.zeros((2, DRAWS)), np.zeros((2, DRAWS))
    keep = np.empty((len(steps), 2))
    added = np.empty((len(steps), 2, DRAWS), dtype=np.float32)
    for i, step in enumerate(steps):
        go, root = FLEXURES[kind].step(float(step))
        kick = normals[i]
        weights = go @ weights
        value, slope = (
            go[0, 0] * value + go[0, 1] * slope + root[0, 0] * kick[:2],
            go[1, 0] * value + go[1, 1] * slope + root[1, 0] * kick[:2] + root[1, 1] * kick[2:],
        )
        keep[i], added[i] = weights[0], value
    return keep, added


def draw(  # noqa: PLR0917 - what there is, in the order it comes
    geometry: Geometry,
    points: Points,
    solved: Solved,
    rolls: Array,
    log_weights: Array,
    changes: tuple[Change, ...] = (),
    *,
    now_s: float = 0.0,
    later_s: Array | None = None,
) -> Ensemble:
    """Return draws from the mixture over kinds of flexure, points and rolls, (c, m, g) with log weights."""
    # Mounts and rolls first: a share that is spread over all kinds of flexure is not to be a matter of luck.
    weights = np.exp(log_weights - log_weights.max()).transpose(1, 2, 0)
    ladder = np.cumsum(weights.ravel())
    unit, _, order = _chances()
    # An even ladder through the mixture, its rungs dealt out so that mirror images share one.
    picked = np.searchsorted(ladder, (order + 0.5) / _HALF * ladder[-1])
    m, g, c = np.unravel_index(np.minimum(picked, weights.size - 1), weights.shape)
    roll = rolls[c, m, g]
    p = solved.terms.shape[-1]
    delta = solved.means(c, m, roll, unit[:p].T)
    state = _state(solved, c, m, roll, delta)
    unknowns = np.concatenate([delta[:, :COMMON], delta[:, -2:]], axis=1)
    return Ensemble(geometry, points, m, unknowns, roll, solved.kinds[c], state, changes, now_s, later_s)


def _state(solved: Solved, c: Indices, m: Indices, roll_rad: Array, delta: Array) -> Array:
    """Return value and slope of the flexure now, (2, 2, d), given the other unknowns of each draw."""
    weights = solved.state[c, m]  # (d, 2, 4 + 2 p)
    cosine, sine = np.cos(roll_rad)[:, None], np.sin(roll_rad)[:, None]
    x, y = weights[:, :, 0], weights[:, :, 1]
    own = weights[:, :, 2:].reshape(len(roll_rad), 2, -1, 2)
    left = np.stack([cosine * x - sine * y, sine * x + cosine * y], axis=2) - own[:, :, 0]
    left = left - np.einsum("dspc,dp->dsc", own[:, :, 1:], delta)
    kick = _chances()[0][_MOST_UNKNOWNS : _MOST_UNKNOWNS + 4].reshape(2, 2, -1)
    added = np.einsum("dst,tcd->scd", solved.state_root[c], kick)
    return np.asarray(left.transpose(1, 2, 0) + added)
