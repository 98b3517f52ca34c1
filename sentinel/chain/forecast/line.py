"""A straight line through the last discs: used only where the mount model cannot be."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sentinel.chain.forecast.ensemble import DRAWS
from sentinel.sky.arrays import Array

_ROUNDS = 4
_LEAST_SIGMA_PX = 0.3


@dataclass(frozen=True, slots=True)
class Line:
    """Position at `at_utc_s` and velocity, each (2,), with a joint covariance (2, 2) that serves x and y."""

    at_utc_s: float
    position_px: Array
    velocity_px_s: Array
    covariance: Array
    scatter_px: float

    def at(self, utc_s: float) -> Array:
        """Return the centre (2,) at a time."""
        return np.asarray(self.position_px + self.velocity_px_s * (utc_s - self.at_utc_s))

    def draws_px(self, utc_s: Array, normals: Array) -> Array:
        """Return tracks (2, n, draws) from standard normals (2, 2, draws)."""
        root = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(2))
        start, speed = np.einsum("ij,jkd->ikd", root, normals)
        since = (utc_s - self.at_utc_s)[None, :, None]
        centre = self.position_px[:, None, None] + start[:, None, :]
        tracks: Array = centre + (self.velocity_px_s[:, None] + speed)[:, None, :] * since
        return tracks


@lru_cache(maxsize=1)
def line_normals() -> Array:
    """Return the chances behind the draws of a line, (2, 2, draws), the same every time."""
    return np.random.default_rng(20_260_621).standard_normal((2, 2, DRAWS))


def fit_line(utc_s: Array, xy_px: Array, sigma_px: Array, slow_px_s: float) -> Line:
    """Fit a line to discs, outliers played down (Cauchy weights).

    `utc_s`, `xy_px`, `sigma_px`: times (n,), centres (n, 2) and their 1-sigma (n,), at least one.
    `slow_px_s`: 1-sigma of a velocity before anything is seen of it: keeps the answer finite with one disc.
    """
    at = float(utc_s[-1])
    since = utc_s - at
    weights = np.ones(len(utc_s))
    floor = np.maximum(sigma_px, _LEAST_SIGMA_PX)
    scatter = float(np.median(floor))
    for _ in range(_ROUNDS):
        w = weights / floor**2
        design = np.stack([np.ones_like(since), since], axis=1)
        normal = design.T @ (w[:, None] * design)
        normal[1, 1] += 1 / slow_px_s**2
        solution = np.linalg.solve(normal, design.T @ (w[:, None] * xy_px))
        off = xy_px - design @ solution
        ratio = np.hypot(off[:, 0], off[:, 1]) / floor
        inflate = max(1.0, 1.2 * float(np.median(ratio)))
        weights = 1 / (1 + (ratio / (3 * inflate)) ** 2)
        scatter = inflate * float(np.median(floor))
    covariance = np.linalg.inv(normal) * inflate**2
    # Neighbouring discs err together (worm, flexure): as if only every fifth were news.
    covariance[1, 1] *= 5.0
    covariance[0, 1] = covariance[1, 0] = 0.0
    return Line(at, solution[0], solution[1], covariance, scatter)
