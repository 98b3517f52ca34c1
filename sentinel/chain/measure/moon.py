"""Where the sun ends inside its own limb: the moon's edge, or a cable's, is no part of the profile."""

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.levels import Levels
from sentinel.chain.measure.model import LimbState, across, distance_px
from sentinel.chain.measure.order import median
from sentinel.chain.measure.rays import Rays, Samples

Array = NDArray[np.float64]

DARK = 0.5
"""Share of a ray's brightest light below which it has left the sun: no darkening goes inward so fast."""
FEW = 0.02
"""Share of the rays that may end in the dark by chance, in a spot."""
DEEPEST = 3
"""Samples at a ray's inner end that tell whether it is dark there."""
FARTHER, FARTHER_PX = 3.5, 3.0
"""How far beyond that end one looks, in blurs and beside that: its margin, and a little of its dark."""
AROUND = 5
"""Neighbouring rays that are looked at together, lest noise be taken for the moon."""
MARGIN, MARGIN_PX = 2.5, 1.0
"""How far the moon's own edge is blurred, in blurs and beside that."""


def before_the_moon(levels: Levels, state: LimbState, rays: Rays, along_px: Array) -> NDArray[np.bool_]:
    """Say which samples along the rays, (n, m) from inside to outside, lie between limb and moon.

    The moon's edge darkens the rays' inner ends before they reach it: they are looked along a little farther.
    """
    step = along_px[1] - along_px[0]
    farther_px = min(FARTHER * state.sigma_px + FARTHER_PX, 0.9 * state.limb.mean_px + along_px[0])
    deep_px = np.concatenate([along_px[0] - step * np.arange(farther_px // step, 0, -1), along_px])
    deepest = across(levels, state, rays.angle, deep_px[:DEEPEST])
    dark = (deepest.light.mean(1) < DARK * rays.light.max(1)) & deepest.inside.all(1)
    if dark.size < AROUND or np.count_nonzero(dark) < FEW * dark.size:
        return np.ones(rays.light.shape, bool)
    return _before_the_dark(across(levels, state, rays.angle, deep_px), state)[:, -along_px.size :]


def _before_the_dark(rays: Rays, state: LimbState) -> NDArray[np.bool_]:
    """Say which samples lie outside the place where a ray has left the sun.

    The sun grows brighter inward; where a ray falls to half of what it was, something stands before it. Where
    the frame ends, nothing does.
    """
    light, inside = rays.light, rays.inside
    inward = _smooth(light)[:, ::-1]
    if not inside.all():
        inward /= np.maximum(_smooth(inside.astype(np.float32))[:, ::-1], 1e-6)
    brightest = np.maximum.accumulate(inward, axis=1)
    typical = median(light.max(axis=1))
    dark = (inward < DARK * brightest) & (brightest > DARK * typical) & inside[:, ::-1]
    met = dark.any(axis=1)
    if np.count_nonzero(met) < FEW * len(light):
        return np.ones(light.shape, bool)
    first = np.argmax(dark, axis=1)
    distance = distance_px(rays, state.limb)
    at_px = distance[:, ::-1][np.arange(len(light)), first]
    nearest_px = np.where(met, at_px + MARGIN * state.sigma_px + MARGIN_PX, -np.inf)
    return np.asarray(distance > nearest_px[:, None])


def _smooth(light: Samples) -> Samples:
    """Mean of three samples along each ray and of a few neighbouring rays, which may go round."""
    wide = np.pad(light, ((0, 0), (1, 1)), mode="edge")
    along = wide[:, :-2] + wide[:, 1:-1] + wide[:, 2:]
    total = sum(np.roll(along, shift, axis=0) for shift in range(-(AROUND // 2), AROUND // 2 + 1))
    return np.asarray(total / (3 * AROUND), np.float32)
