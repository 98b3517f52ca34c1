"""Where the sun ends inside its own limb: the moon's edge, or a cable's, is no part of the profile."""

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.order import median
from sentinel.chain.measure.rays import Rays, Samples

DARK = 0.5
"""Share of a ray's brightest light below which it has left the sun: no darkening goes inward so fast."""
FEW = 0.02
"""Share of the rays that may end in the dark by chance, in a spot."""
AROUND = 5
"""Neighbouring rays that are looked at together, lest noise be taken for the moon."""
MARGIN, MARGIN_PX = 2.5, 1.0
"""How far the moon's own edge is blurred, in blurs and beside that."""


def before_the_moon(rays: Rays, distance_px: Samples, sigma_px: float) -> NDArray[np.bool_]:
    """Say which samples along the rays, (n, m) from inside to outside, lie between limb and moon.

    The sun grows brighter inward; where a ray falls to half of what it was, something stands before it. Where
    the frame ends, nothing does.
    """
    light, inside = rays.light, rays.inside
    everywhere = np.ones(light.shape, bool)
    deepest = (light[:, 0] + light[:, 1] + light[:, 2]) / 3
    top = light.max(axis=1)
    typical = median(top)
    if np.count_nonzero((deepest < DARK * top) & inside[:, 0]) < FEW * len(light):
        return everywhere
    inward = _smooth(light)[:, ::-1]
    if not inside.all():
        inward /= np.maximum(_smooth(inside.astype(np.float32))[:, ::-1], 1e-6)
    brightest = np.maximum.accumulate(inward, axis=1)
    dark = (inward < DARK * brightest) & (brightest > DARK * typical) & inside[:, ::-1]
    met = dark.any(axis=1)
    if np.count_nonzero(met) < FEW * len(light):
        return everywhere
    first = np.argmax(dark, axis=1)
    at_px = distance_px[:, ::-1][np.arange(len(light)), first]
    nearest_px = np.where(met, at_px + MARGIN * sigma_px + MARGIN_PX, -np.inf)
    return np.asarray(distance_px > nearest_px[:, None])


def _smooth(light: Samples) -> Samples:
    """Mean of three samples along each ray and of a few neighbouring rays, which may go round."""
    wide = np.pad(light, ((0, 0), (1, 1)), mode="edge")
    along = wide[:, :-2] + wide[:, 1:-1] + wide[:, 2:]
    total = sum(np.roll(along, shift, axis=0) for shift in range(-(AROUND // 2), AROUND // 2 + 1))
    return np.asarray(total / (3 * AROUND), np.float32)
