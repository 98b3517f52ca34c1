"""Normal equations of rays across the limb, their own numbers eliminated."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.model import GLOBAL, LOCAL
from sentinel.chain.measure.rays import Samples

Array = NDArray[np.float64]

BLOCKS = 24
"""Stretches of the limb between which the scatter is taken."""


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal equations of every ray, its own numbers projected out of those that the limb decides."""

    own_best: Array
    """(n, LOCAL): change of the rays' own numbers if nothing shared changes."""
    own_follow: Array
    """(n, LOCAL, SEEN): how they follow a change of what is shared."""
    rest: Array
    """(n, SEEN, SEEN)"""
    right: Array
    """(n, SEEN)"""
    left_over: Array
    """(n,): sum of the squared residuals that remain."""

    def own_step(self, seen_by: Array, shared_step: Array) -> Array:
        """Return the change (n, LOCAL) of the rays' own numbers that goes with a shared step."""
        seen = (seen_by @ shared_step)[..., None]
        return np.asarray(self.own_best - np.matmul(self.own_follow, seen)[..., 0])

    def summed(self, seen_by: Array, weight: Array) -> Array:
        """Return the normal matrix (GLOBAL, GLOBAL) of everything shared."""
        weighted = (seen_by * weight[:, None, None]).reshape(-1, GLOBAL)
        return np.asarray(weighted.T @ np.matmul(self.rest, seen_by).reshape(-1, GLOBAL))

    def score(self, seen_by: Array, weight: Array, shared_step: Array | None = None) -> Array:
        """Return what each ray adds to the right side, (n, GLOBAL); still adds when a step has been taken.

        Rays share a step unequally, however short it is: before it, their scatter is not that of noise.
        """
        right = self.right
        if shared_step is not None:
            right = right - np.matmul(self.rest, (seen_by @ shared_step)[..., None])[..., 0]
        return np.asarray(np.matmul((right * weight[:, None])[:, None], seen_by)[:, 0])


def normal_equations(every: Samples, ridge: Array, excess: Array) -> Normal:
    """Form every ray's normal equations; `ridge` holds its own numbers, which stand `excess` off."""
    square = np.matmul(every, every.transpose(0, 2, 1)).astype(float)
    plain, across = square[:, :LOCAL, :LOCAL], square[:, :LOCAL, LOCAL:]
    own = plain.copy()
    own[:, range(LOCAL), range(LOCAL)] += ridge
    towards = across[..., -1].copy()
    across[..., -1] -= ridge * excess
    follow = np.linalg.solve(own, across)
    left = square[:, LOCAL:, LOCAL:] - np.matmul(across.transpose(0, 2, 1), follow)
    best = follow[..., -1]
    # What is left of the residual itself; what holds the own numbers is no part of it.
    left_over = square[:, -1, -1] + (best * (np.matmul(plain, best[..., None])[..., 0] - 2 * towards)).sum(1)
    return Normal(best, follow[..., :-1], left[:, :-1, :-1], left[:, :-1, -1], np.maximum(left_over, 0.0))


def covariance_of(score: Array, inverse: NDArray[np.floating[Any]], fitted: float) -> Array:
    """Covariance from the scatter of the scores of neighbouring rays taken together.

    `fitted` terms of the shape, those that no prior holds, have taken their share of the scatter: a stretch
    of the limb has one place, whatever else the limb shares.
    """
    blocks = min(BLOCKS, len(score))
    sums = np.add.reduceat(score, np.arange(blocks) * len(score) // blocks)
    # What they have in common is what the priors hold against them.
    sums -= sums.mean(0)
    left = blocks - min(fitted, blocks / 2)
    return np.asarray(inverse @ (sums.T @ sums) @ inverse * (blocks / left))
