"""The outline of the disc: a circle, flattened by refraction to an ellipse, at the horizon to an egg."""

from dataclasses import dataclass
from math import atan2, cos, hypot, sin

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SHAPE_TERMS = 7
"""x, y, mean radius, cos 2, sin 2, cos 3, sin 3."""
RADIUS, OVAL = 2, slice(3, 5)
"""Of these."""


@dataclass(frozen=True, slots=True)
class Limb:
    """The limb as a distance from a centre in every direction, px."""

    x_px: float
    y_px: float
    mean_px: float
    """Mean of the long and the short half-axis."""
    oval: tuple[float, float] = (0.0, 0.0)
    """Half the difference of the half-axes, as cosine and sine of twice the long axis' direction."""
    egg: tuple[float, float] = (0.0, 0.0)
    """Terms in cosine and sine of three times the direction."""

    @property
    def half_axes_px(self) -> tuple[float, float]:
        """Long and short half-axis."""
        stretch = hypot(*self.oval)
        return self.mean_px + stretch, self.mean_px - stretch

    @property
    def steepest(self) -> float:
        """Largest change of the distance with the direction, per radian, in radii."""
        return (2.2 * hypot(*self.oval) + 3.0 * hypot(*self.egg)) / self.mean_px

    @property
    def long_axis_rad(self) -> float:
        """Direction of the long axis."""
        return 0.5 * atan2(self.oval[1], self.oval[0])

    def at(self, angle: Array) -> Array:
        """Return the distance of the limb from (`x_px`, `y_px`) in the directions `angle`."""
        # The ellipse about its centre, with the squares of sine and cosine written as cos 2.
        long_px, short_px = self.half_axes_px
        swing = self.oval[0] * np.cos(2 * angle) + self.oval[1] * np.sin(2 * angle)
        root = np.sqrt((long_px**2 + short_px**2) / 2 - 2 * self.mean_px * swing)
        egg = self.egg[0] * np.cos(3 * angle) + self.egg[1] * np.sin(3 * angle)
        return np.asarray(long_px * short_px / root + egg)

    def shrunk(self, step: int) -> "Limb":
        """Return the limb in a copy of the frame whose pixels are `step` of its own wide."""
        return Limb(
            (self.x_px + 0.5) / step - 0.5,
            (self.y_px + 0.5) / step - 0.5,
            self.mean_px / step,
            (self.oval[0] / step, self.oval[1] / step),
        )

    def share_in(self, shape: tuple[int, int]) -> float:
        """Return the fraction of the circumference inside a frame of `shape`, (ny, nx)."""
        ny, nx = shape
        far = self.half_axes_px[0] + hypot(*self.egg)
        if far <= self.x_px <= nx - 1 - far and far <= self.y_px <= ny - 1 - far:
            return 1.0
        x, y = self.outline()
        inside = (x > -0.5) & (x < nx - 0.5) & (y > -0.5) & (y < ny - 0.5)
        length = np.hypot(np.gradient(x), np.gradient(y))[1:-1]
        return float((inside[1:-1] * length).sum() / length.sum())

    def moved(self, step: Array) -> "Limb":
        """Return the limb with `step` (SHAPE_TERMS) added to its parameters."""
        x, y, mean, c2, s2, c3, s3 = (float(v) for v in step)
        return Limb(
            self.x_px + x,
            self.y_px + y,
            self.mean_px + mean,
            (self.oval[0] + c2, self.oval[1] + s2),
            (self.egg[0] + c3, self.egg[1] + s3),
        )

    def middle(self) -> tuple[float, float]:
        """Return the middle between the opposite limbs.

        Refraction squeezes the lower half more: a limb point at the angle t from the long axis is displaced
        by -k cos^2 t sin t = -k/4 (sin t + sin 3t) against the ellipse about the middle. The first part is a
        shift of the fitted centre, known from the second.
        """
        axis = self.long_axis_rad
        third = self.egg[1] * cos(3 * axis) - self.egg[0] * sin(3 * axis)
        if hypot(*self.oval) < 2.0 * abs(third):
            return self.x_px, self.y_px
        return self.x_px + third * sin(axis), self.y_px - third * cos(axis)

    def outline(self, count: int = 1000) -> tuple[Array, Array]:
        """Return `count` points of the limb, evenly spaced in direction."""
        angle = np.arange(count) * (2.0 * np.pi / count)
        radius = self.at(np.asarray(angle))
        return self.x_px + radius * np.cos(angle), self.y_px + radius * np.sin(angle)


def shape_columns(angle: Array) -> Array:
    """Return the derivatives of the limb's distance to its parameters, (..., SHAPE_TERMS)."""
    columns = np.empty((*angle.shape, SHAPE_TERMS))
    columns[..., 2] = 1.0
    for times, at in ((1, 0), (2, 3), (3, 5)):
        columns[..., at], columns[..., at + 1] = np.cos(times * angle), np.sin(times * angle)
    return columns
