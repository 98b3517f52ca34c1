"""What moves the disc and is no geometry: slow flexure, as correlated noise whose size the track tells.

Two kinds stand side by side, rough (Ornstein-Uhlenbeck) and smooth (Matern 3/2), each in several sizes and
time scales. A fit weighs all of them by how well they explain the track, and draws from the mixture: so a
quiet mount gets narrow intervals, a restless one wide ones, and what an hour cannot yet tell stays open.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sentinel.core.times import DAY_S
from sentinel.sky.arrays import Array

WANDER = 7.2e-11
"""Of a firm axis: in a day it makes 9 arcsec/h of drift that today's axis would not make."""

WANDERS = 400.0
"""So many times as fast an axis, or a drive, is no longer firm."""


@dataclass(frozen=True, slots=True)
class Flexure:
    """One hypothesis: 1-sigma in arcsec, time scale, and its weight before anything is seen."""

    kind: Literal["rough", "smooth"]
    sigma_arcsec: float
    scale_s: float
    prior: float
    wander: float
    """Power of the axis's own slow wander, arcsec^2 / s^3."""

    @property
    def wanders(self) -> bool:
        """Whether under it the drift is still becoming another, as of a drive that slows with the cold."""
        return self.wander >= WANDERS * WANDER

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
# Tripods sink and balance shifts: now and then the axis wanders five, twenty, seventy times as fast.
_LOOSE = ((25.0, 0.04), (400.0, 0.01), (5000.0, 0.003))
FLEXURES: tuple[Flexure, ...] = tuple(
    Flexure(kind, sigma, hours * 3600, weight * share * (1 - sum(odds for _, odds in _LOOSE)), WANDER)
    for sigma, weight in _SIGMAS
    for kind, hours, share in _SCALES
) + tuple(Flexure("rough", 11.0, 4 * 3600.0, odds, WANDER * times) for times, odds in _LOOSE)


@dataclass(frozen=True, slots=True)
class Change:
    """One hypothesis: at a moment the drift became another, as when a drive changes its rate."""

    utc_s: float
    slope_arcsec_s: float
    """1-sigma of how much it changed, in either coordinate."""
    log_prior: float
    """Log of how likely that is beforehand, over that nothing changed."""

    @property
    def wander(self) -> float:
        """Power of what the new drift goes on changing by, arcsec^2 / s^3."""
        return (TURNS_AN_HOUR * self.slope_arcsec_s) ** 2 / 3600.0

    def column(self, utc_s: Array) -> Array:
        """Return how the track before the change differs from today's, for a unit change of slope, (n,)."""
        return np.asarray(np.maximum(self.utc_s - utc_s, 0.0))

    def covariance(self, utc_s: Array) -> Array:
        """Return the covariance (n, n) that not knowing its size adds to the track, arcsec squared."""
        column = self.column(utc_s)
        return np.asarray(self.slope_arcsec_s**2 * column[:, None] * column[None, :])


TURNS_AN_HOUR = 0.26
"""What has changed goes on: in an hour the sky turns the way of a leg that sinks by a quarter of a radian."""
CHANGES_A_DAY = 1.0
"""Of drives, legs and balance together."""
_SLOPES: tuple[tuple[float, float], ...] = ((0.02, 0.4), (0.1, 0.35), (0.5, 0.25))
_AGES_S: Array = 480.0 * np.power(1.25, np.arange(18.0))


def possible_changes(now_s: float, first_s: float) -> tuple[Change, ...]:
    """Return the changes to reckon with: at any time in the last hours.

    `now_s`, `first_s`: the last disc's time, and the first one's: there is nothing to tell a change by before
        it.
    """
    ages = _AGES_S[now_s - first_s - _AGES_S[0] > _AGES_S]
    odds = ages * (np.sqrt(1.25) - 1 / np.sqrt(1.25)) / DAY_S * CHANGES_A_DAY
    return tuple(
        Change(now_s - float(age), slope, float(np.log(chance * share)))
        for age, chance in zip(ages, odds, strict=True)
        for slope, share in _SLOPES
    )


def wander_covariance(ages_s: Array) -> Array:
    """Return the covariance (n, n) of how the past track differs from what today's axis would have drawn.

    An integrated random walk of unit power, anchored at now in value and slope: this is what forgets old arc.
    """
    a = np.maximum(ages_s, 0.0)
    less, more = np.minimum(a[:, None], a[None, :]), np.maximum(a[:, None], a[None, :])
    return np.asarray(less**2 * (3 * more - less) / 6)


RESTLESS = max(
    range(len(FLEXURES)),
    key=lambda i: (FLEXURES[i].kind == "rough", FLEXURES[i].sigma_arcsec, -FLEXURES[i].scale_s),
)
"""The kind under which a track tells least."""

USUAL_FLEXURES: tuple[int, ...] = tuple(
    i
    for i, one in enumerate(FLEXURES)
    if (one.kind, one.scale_s) == ("rough", 4 * 3600.0)
    and one.sigma_arcsec in {6.0, 18.0}
    and one.wander == WANDER
)
"""A quiet and a lively one: on these a change of the drift is weighed."""
