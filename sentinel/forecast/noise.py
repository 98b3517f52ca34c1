"""What moves the disc and is no geometry: slow flexure, as correlated noise whose size the track tells.

Two kinds stand side by side, rough (Ornstein-Uhlenbeck) and smooth (Matern 3/2), each in several sizes and
time scales. A fit weighs all of them by how well they explain the track, and draws from the mixture: so a
quiet mount gets narrow intervals, a restless one wide ones, and what an hour cannot yet tell stays open.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sentinel.sky.arrays import Array

WANDER = 7.2e-11
"""Of a firm axis: in a day it makes 9 arcsec/h of drift that today's axis would not make."""


@dataclass(frozen=True, slots=True)
class Flexure:
    """One hypothesis: 1-sigma in arcsec, time scale, and its weight before anything is seen."""

    kind: Literal["rough", "smooth"]
    sigma_arcsec: float
    scale_s: float
    prior: float
    wander: float
    """Power of the axis's own slow wander, arcsec^2 / s^3."""

    def covariance(self, lag_s: Array) -> Array:
        """Return the covariance at time lags, arcsec squared."""
        u = np.abs(lag_s) / self.scale_s
        if self.kind == "rough":
            return np.asarray(self.sigma_arcsec**2 * np.exp(-u))
        u = u * np.sqrt(3.0)
        return np.asarray(self.sigma_arcsec**2 * (1 + u) * np.exp(-u))

    def slope_covariance(self, lag_s: Array) -> Array:
        """Return the covariance of the rate of change now with the value `lag_s` ago; 0 where rough."""
        if self.kind == "rough":
            return np.zeros_like(lag_s)
        rate = np.sqrt(3.0) / self.scale_s
        return np.asarray(-(self.sigma_arcsec**2) * rate**2 * lag_s * np.exp(-rate * np.abs(lag_s)))

    def state_covariance(self) -> Array:
        """Return the covariance (2, 2) of value and rate of change at any one time."""
        slope = 3.0 / self.scale_s**2 if self.kind == "smooth" else 0.0
        return self.sigma_arcsec**2 * np.diag([1.0, slope])

    def step(self, step_s: float) -> tuple[Array, Array]:
        """Return how value and slope go on: (2, 2) transition, and the root (2, 2) of what is added."""
        if self.kind == "rough":
            keep = np.exp(-step_s / self.scale_s)
            return np.array([[keep, 0.0], [0.0, 0.0]]), np.array(
                [[self.sigma_arcsec * np.sqrt(1 - keep**2), 0.0], [0.0, 0.0]]
            )
        rate = np.sqrt(3.0) / self.scale_s
        decay = np.exp(-rate * step_s)
        go = decay * np.array([[1 + rate * step_s, step_s], [-(rate**2) * step_s, 1 - rate * step_s]])
        still = self.sigma_arcsec**2 * np.diag([1.0, rate**2])
        added = still - go @ still @ go.T
        # In units of the slope's own size the matrix is well scaled for a root.
        unit = np.diag([1.0, 1 / rate])
        root = np.linalg.cholesky(unit @ added @ unit + 1e-9 * self.sigma_arcsec**2 * np.eye(2))
        return go, np.linalg.inv(unit) @ root


_SIGMAS = ((3.0, 0.08), (6.0, 0.20), (11.0, 0.32), (18.0, 0.27), (30.0, 0.13))
_SCALES: tuple[tuple[Literal["rough", "smooth"], float, float], ...] = (
    ("rough", 1.0, 0.25),
    ("rough", 4.0, 0.35),
    ("smooth", 1.2, 0.20),
    ("smooth", 3.0, 0.20),
)
# Tripods sink and balance shifts: now and then the axis wanders five and twenty times as fast.
_LOOSE = ((25.0, 0.04), (400.0, 0.01))
FLEXURES: tuple[Flexure, ...] = tuple(
    Flexure(kind, sigma, hours * 3600, weight * share * (1 - sum(odds for _, odds in _LOOSE)), WANDER)
    for sigma, weight in _SIGMAS
    for kind, hours, share in _SCALES
) + tuple(Flexure("rough", 11.0, 4 * 3600.0, odds, WANDER * times) for times, odds in _LOOSE)
RESTLESS = max(
    range(len(FLEXURES)),
    key=lambda i: (FLEXURES[i].kind == "rough", FLEXURES[i].sigma_arcsec, -FLEXURES[i].scale_s),
)
"""The kind under which a track tells least."""
