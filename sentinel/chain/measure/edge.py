"""The brightness of a blurred, limb-darkened disc across its limb.

The limb is a step followed by the square-root rise of limb darkening; focus and seeing convolve both.
Comparing pixels with this profile, rather than with a bare step, is what keeps the radius where the
sun's limb is when the focus changes.
"""

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Samples = NDArray[np.float32]

# Neckel and Labs (1994), Solar Physics 153, 91: P5(mu) at 550 nm, interpolated between 541.76 and 559.95 nm.
NECKEL_LABS_550 = (0.26444, 1.30550, -1.43070, 1.67101, -1.12352, 0.31327)

SHAPES = 3
"""Columns of a profile: the law itself and two ways in which a real disc departs from it."""

_PIVOT = (1.44, 0.34)
"""The two variations over the law at mu = 0.25, three hundredths of the radius inside the limb."""
_STEPS_PER_SIGMA = 12
_NODES_PER_SIGMA = 5


def darkening(mu: Array) -> Array:
    """Return the law and its two variations at the cosines `mu`, stacked on a new last axis.

    The columns are P5(mu) over P5(1); 1 - mu, which makes the whole darkening weaker or stronger (wavelength,
    tone curve); and (1 - mu)^6, which changes the last hundredths before the limb only. Of both variations as
    much of the law is taken off as leaves the light close to the limb unchanged: brightness stays brightness.
    """
    value = np.zeros_like(mu)
    for coefficient in reversed(NECKEL_LABS_550):
        value = value * mu + coefficient
    fall = 1.0 - mu
    law = value / sum(NECKEL_LABS_550)
    return np.stack([law, fall - _PIVOT[0] * law, fall**6 - _PIVOT[1] * law], axis=-1)


@dataclass(frozen=True, slots=True)
class Profile:
    """Blurred profiles tabulated against the distance from the limb (negative inside)."""

    radius_px: float
    sigma_px: float
    distance_px: Array
    """(n,), evenly spaced, ascending."""
    value: Array
    """(n, SHAPES)."""
    slope: Array
    """(n, SHAPES): derivative to the distance, per px."""
    per_log_sigma: Array
    """(n, SHAPES): derivative to the logarithm of the blur."""

    def at(self, distance_px: Samples, sigma_px: float, fall: float, rim: float) -> Samples:
        """Return value, its slope, its change with log blur, with fall and with rim, stacked first.

        The value is that of the nearest entry carried on along its slope, which leaves an error of 1e-4.
        """
        mix = np.array([1.0, fall, rim])
        value, slope, blurred = self.value @ mix, self.slope @ mix, self.per_log_sigma @ mix
        value = value + blurred * log(sigma_px / self.sigma_px)
        rows = np.stack([value, slope, blurred, self.value[:, 1], self.value[:, 2]]).astype(np.float32)
        first, step = self.distance_px[0], self.distance_px[1] - self.distance_px[0]
        place = (distance_px - np.float32(first)) * np.float32(1.0 / step)
        nearest = np.clip(np.rint(place), 0, rows.shape[1] - 1)
        found = rows.take(nearest.astype(np.intp), axis=1)
        found[0] += (place - nearest) * np.float32(step) * found[1]
        return np.asarray(found)


def profile(radius_px: float, sigma_px: float, inner_px: float, outer_px: float) -> Profile:
    """Tabulate the profile of a disc of `radius_px` blurred by a round Gaussian of `sigma_px`.

    Notes
    -----
    Far from the disc's centre the two-dimensional convolution is one-dimensional with the weight
    sqrt(rho / r). Substituting rho = R - s^2 takes the square root out of the integrand, so that the plain
    sum over s converges quickly.

    """
    step = sigma_px / _STEPS_PER_SIGMA
    distance = np.arange(-min(inner_px, radius_px - 1.0), outer_px + 2 * step, step)
    depth = min(-float(distance[0]) + 5.0 * sigma_px, radius_px)
    count = int(np.clip(_NODES_PER_SIGMA * depth / sigma_px, 48, 400))
    s = (np.arange(count) + 0.5) * (np.sqrt(depth) / count)
    rho = radius_px - s**2
    mu = s * np.sqrt(2.0 * radius_px - s**2) / radius_px
    z = ((distance[:, None] + s**2) / sigma_px).astype(np.float32)
    # Cut off where nothing is left: numbers too small to be written in full take a hundred times as long.
    kernel = np.exp(np.float32(-0.5) * np.minimum(z * z, np.float32(60.0))) * np.float32(
        1.0 / (np.sqrt(2.0 * np.pi) * sigma_px)
    )
    light = (darkening(mu) * (2.0 * s * np.sqrt(rho) * s[0] * 2.0)[:, None]).astype(np.float32)
    around = 1.0 / np.sqrt(np.maximum(radius_px + distance, 1.0))[:, None]
    steep = kernel * z
    return Profile(
        radius_px=radius_px,
        sigma_px=sigma_px,
        distance_px=distance,
        value=kernel @ light * around,
        slope=steep @ light * (around / -sigma_px),
        per_log_sigma=(steep * z - kernel) @ light * around,
    )
