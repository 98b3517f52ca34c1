"""Normal equations of rays across the limb, their own numbers eliminated."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.limb import SHAPE_TERMS
from sentinel.chain.measure.model import BLUR, EDGE, GLOBAL, LOCAL, RAY_BLUR
from sentinel.chain.measure.rays import Samples

Array = NDArray[np.float64]


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

    def own_step(self, shape: Array, shared_step: Array) -> Array:
        """Return the change (n, LOCAL) of the rays' own numbers that goes with a shared step."""
        seen = self._seen(shape, shared_step)
        return np.asarray(self.own_best - np.matmul(self.own_follow, seen[..., None])[..., 0])

    def summed(self, shape: Array, weight: Array) -> tuple[Array, Array]:
        """Return the normal equations of everything shared, and what each ray adds to their right side."""
        edge = shape * (weight * self.rest[:, EDGE, EDGE])[:, None]
        total = np.empty((GLOBAL, GLOBAL))
        total[:SHAPE_TERMS, :SHAPE_TERMS] = edge.T @ shape
        total[:SHAPE_TERMS, BLUR:] = shape.T @ (weight[:, None] * self.rest[:, EDGE, RAY_BLUR:])
        total[BLUR:, :SHAPE_TERMS] = total[:SHAPE_TERMS, BLUR:].T
        total[BLUR:, BLUR:] = (weight[:, None, None] * self.rest[:, RAY_BLUR:, RAY_BLUR:]).sum(0)
        return total, _score(shape, weight, self.right)

    def score_after(self, shape: Array, weight: Array, shared_step: Array) -> Array:
        """Return what each ray still adds to the right side when a shared step has been taken.

        Rays share a step unequally, however short it is: before it, their scatter is not that of noise.
        """
        moved = np.matmul(self.rest, self._seen(shape, shared_step)[..., None])[..., 0]
        return _score(shape, weight, self.right - moved)

    def _seen(self, shape: Array, shared_step: Array) -> Array:
        """Return a shared step as each ray sees it, (n, SEEN)."""
        seen = np.empty(self.right.shape)
        seen[:, EDGE] = shape @ shared_step[:SHAPE_TERMS]
        seen[:, RAY_BLUR:] = shared_step[BLUR:]
        return seen


def _score(shape: Array, weight: Array, right: Array) -> Array:
    """Spread what rays say, (n, SEEN), over everything shared."""
    score = np.empty((len(shape), GLOBAL))
    score[:, :SHAPE_TERMS] = shape * (weight * right[:, EDGE])[:, None]
    score[:, BLUR:] = weight[:, None] * right[:, RAY_BLUR:]
    return score


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
