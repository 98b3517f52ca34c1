"""What the disc's light tells of the heights that the sun may have had."""

import numpy as np

from sentinel.sky.arrays import Array
from sentinel.sky.refraction import EXTINCTION_SIGMA_STOPS, EXTINCTION_STOPS, air_mass

DOWN_DEG = -1.5
"""With the sun so low no air shows the disc."""
DOWN_COSTS, DOWN_MOST = 4.0, 5
_STEADIEST, _LEFT_OF_CHANGE = 0.01, 3.0
"""Stops by which a sample may be off at the least, and in shares of how much its light changes from frame to
frame: what comes and goes within minutes is not over within a sample."""
_HAZE_S, _SMOKE_S = 4 * 3600.0, 3 * 3600.0
"""How long either stays."""
_SKIES = ((0.25, 0.01, 0.0), (0.30, 0.03, 0.0), (0.15, 0.09, 0.0), (0.15, 0.03, 0.6))
"""How likely a sky is beforehand, by how many stops for each air mass haze comes and goes in it, and by how
many stops smoke changes the light, however high the sun."""
_HELD, _DRIFTS, _ANYHOW = 0.04, 0.06, ((0.03, 1.0, 3600.0), (0.02, 2.5, 1800.0))
"""How likely it is that the camera holds the level by an exposure it does not tell, that smoke or frost
decides, and that cloud does as it likes, by so many stops for so long: then the light tells nothing of the
sun's height."""


class Light:
    """What samples of the disc's light say of heights the sun may have had.

    At times (n,): `stops`, and by how many they change from frame to frame.
    """

    def __init__(self, utc_s: Array, stops: Array, change: Array) -> None:
        self._lag = np.abs(utc_s[:, None] - utc_s[None, :])
        self._stops = stops - stops.mean()
        smooth = np.sqrt(3.0) * self._lag / _SMOKE_S
        self._smoke = (1 + smooth) * np.exp(-smooth)
        # Of the level itself nothing is known.
        self._steady = 100.0 + np.diag(_STEADIEST**2 + (_LEFT_OF_CHANGE * change) ** 2)
        nothing = [
            np.log(_HELD) + self._log_density(self._stops, self._steady),
            np.log(_DRIFTS) + self._log_density(self._stops, self._steady + self._smoke),
        ]
        for share, size, stays_s in _ANYHOW:
            veil = size**2 * np.exp(-self._lag / stays_s)
            nothing.append(np.log(share) + self._log_density(self._stops, self._steady + veil))
        self._untold = float(np.logaddexp.reduce(nothing))

    def log_evidence(self, altitude_deg: Array) -> Array:
        """Return the log of how likely the light is, (k,), the sun being so high, (k, n)."""
        down = (altitude_deg < DOWN_DEG).sum(axis=1)
        air = air_mass(np.maximum(altitude_deg, 0.0))
        off = air - air.mean(axis=1, keepdims=True)
        unit = air[:, :, None] * air[:, None, :] * np.exp(-self._lag / _HAZE_S)
        covariance = self._steady + EXTINCTION_SIGMA_STOPS**2 * off[:, :, None] * off[:, None, :]
        left = self._stops + EXTINCTION_STOPS * off
        told = [
            np.log(share) + self._log_density(left, covariance + haze**2 * unit + smoke**2 * self._smoke)
            for share, haze, smoke in _SKIES
        ]
        untold = np.full(len(down), self._untold)
        return np.asarray(np.logaddexp.reduce([*told, untold]) - DOWN_COSTS * np.minimum(down, DOWN_MOST))

    @staticmethod
    def _log_density(left: Array, covariance: Array) -> Array:
        """Return that of what is left, (..., n), under covariances (..., n, n)."""
        root = np.linalg.cholesky(covariance)
        power = (left * np.linalg.solve(covariance, left[..., None])[..., 0]).sum(axis=-1)
        return np.asarray(-0.5 * power - np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1))
