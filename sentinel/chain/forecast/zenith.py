"""Which way is up in the picture, by how the air flattens the disc: the camera's roll, but for half a turn.

An oval looks the same from both ends, so the roll and the opposite one are as likely after it as before. But
held to a degree or two, neither can be turned a little to explain a track that it does not fit.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.bins import Arc
from sentinel.chain.forecast.fit import GaussianPrior
from sentinel.chain.forecast.geometry import Geometry, Points
from sentinel.chain.forecast.ovals import DISTORTION
from sentinel.core.records import Disc
from sentinel.sky.arrays import Array
from sentinel.sky.refraction import flattening
from sentinel.sky.sun import altaz_deg

Complex = NDArray[np.complex128]

# Ovals here are shares of the radius: half the difference of the half-axes, as complex numbers, twice the
# long axis' direction their argument.
_OWN, _OWN_PX = 1.5e-4, 0.05
"""An oval that sits in the picture, of lens and sensor; and of a trail that the eye takes for one."""
_UNEVEN_PX = 0.02
"""What one bin's oval is off however many discs it has: seeing, thin cloud."""
_AIR_SHARE = 0.03
"""No air is as even as reckoned, nor level to better than half of this in radians."""
_LEAST_AIR, _MOST_AIR = 0.75, 1.25
"""Between these shares of what is reckoned the air may flatten."""
_STEP_DEG = 1e-3
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class ZenithSeen:
    """The ovals of the discs that a fit stands on, (n,), and how far to trust them."""

    oval: Complex
    inverse: Complex
    """(n, n) of their covariance, what lens and sensor do in it; nought where no oval was told."""

    @classmethod
    def of(cls, arc: Arc, middle_px: Array, radius_px: float) -> "ZenithSeen | None":
        """Return what the bins tell, None where they tell nothing."""
        told = np.isfinite(arc.oval_sigma)
        if not told.any():
            return None
        off = (arc.xy_px[told] - middle_px) @ np.array([1, 1j]) / np.hypot(*middle_px)
        drawn = DISTORTION * off**2
        own = _OWN**2 + (_OWN_PX / radius_px) ** 2
        single = arc.oval_sigma[told] ** 2 + (_UNEVEN_PX / radius_px) ** 2
        covariance = np.diag(single) + own + np.outer(drawn, drawn.conj())
        inverse = np.zeros((len(arc), len(arc)), dtype=complex)
        inverse[np.ix_(told, told)] = np.linalg.inv(covariance)
        return cls(np.where(told, arc.oval, 0.0), inverse)

    def added_to(
        self, prior: GaussianPrior, geometry: Geometry, points: Points, direction: Array, upward: Array
    ) -> GaussianPrior:
        """Return what is known of some points once the ovals are known too.

        `direction`: of the sun, (n, 3), or (m, n, 3) where each mount has its own.
        `upward`: where its zenith lies on each mount before the camera's roll, (m, n, 2), of any length.
        """
        site = geometry.site
        flat = (1 - flattening(altaz_deg(direction)[0], site.pressure_hpa, site.temperature_c)) / 2
        up = upward @ np.array([1, 1j])
        air = -flat * (up / np.maximum(np.abs(up), _TINY)) ** 2
        heard = air.conj() @ self.inverse
        told, power = heard @ self.oval, np.maximum((heard * air).sum(axis=1).real, _TINY)
        share = np.clip(np.abs(told) / power, _LEAST_AIR, _MOST_AIR)
        total = (self.oval.conj() @ self.inverse @ self.oval).real
        misfit = total - 2 * share * np.abs(told) + share**2 * power
        count = 2 * np.count_nonzero(np.diag(self.inverse))
        told = told / (1 + _AIR_SHARE**2 * power) / np.maximum(misfit / count, 1.0)
        # Chi-squared is -2 Re(told exp(2i roll)): but for a constant 4 |told| sin^2 of how far it is off.
        roll_rad, root = -np.angle(told) / 2, 2 * np.sqrt(np.abs(told))[:, None]
        weight = np.abs(heard * air) + _TINY
        weight /= weight.sum(axis=1, keepdims=True)
        answers = np.zeros(prior.precision.shape[:2])
        answers[:, :2] = np.einsum("mn,mnk->mk", weight, _turned(geometry, points, direction))
        answers *= np.cos(points.roll_rad - roll_rad)[:, None]
        off = np.stack([-np.sin(roll_rad), np.cos(roll_rad), np.zeros(len(points))], axis=1)
        return prior.knowing(root * off, root * answers, 1.0)


def oval_of(disc: Disc) -> tuple[complex, float]:
    """Return a disc's oval and its sigma, over its radius; infinite where it does not tell it."""
    if not 0 < disc.oval_sigma_px < np.inf or not np.isfinite(disc.oval_cos2_px + disc.oval_sin2_px):
        return 0j, np.inf
    oval_px = complex(disc.oval_cos2_px, disc.oval_sin2_px)
    return oval_px / disc.radius_px, disc.oval_sigma_px / disc.radius_px


def _turned(geometry: Geometry, points: Points, direction: Array) -> Array:
    """Return by how much the zenith turns about the sun on m mounts, (m, n, 2) radians.

    For a degree of azimuth error, and of altitude error. The picture is held by the mount's pole: as that
    moves, all else turns the other way.
    """
    axis = geometry.axis(points)[:, None, :]
    pole = axis - (axis * direction).sum(axis=-1, keepdims=True) * direction
    aside = np.cross(direction, pole) / (pole**2).sum(axis=-1, keepdims=True)
    steps = [
        geometry.axis(replace(points, **{step: getattr(points, step) + _STEP_DEG}))[:, None, :] - axis
        for step in ("azimuth_deg", "altitude_deg")
    ]
    return np.stack([-(aside * step).sum(axis=-1) / _STEP_DEG for step in steps], axis=-1)
