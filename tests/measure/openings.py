"""Bright round things of any size that are no sun: holes in cloud, gaps in leaves, windows, lamps in mist."""

from collections.abc import Callable
from dataclasses import replace
from math import pi

import cv2
import numpy as np

from tests.measure.kinds import Make, plain
from tests.measure.second import Plane, Rng, View

WIDTH, HEIGHT = 900, 600
Polar = tuple[Plane, Plane]
"""Distance from the middle, in radii, and direction."""


def field(rng: Rng, shape: tuple[int, int], scale_px: float) -> Plane:
    """Smooth noise of mean 0 and standard deviation 1, of four octaves."""
    total = np.zeros(shape, np.float32)
    for octave in range(4):
        cells = [max(4, int(side / scale_px * 2**octave) + 4) for side in shape]
        knots = rng.standard_normal(cells).astype(np.float32)
        total += np.float32(0.6**octave) * cv2.resize(knots, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray((total - total.mean()) / total.std(), np.float32)


def _opening(drawn: Callable[[Polar, float, Rng], Plane]) -> Make:
    """Something in a small frame: `drawn` gets every place from its middle, and its radius in pixels."""

    def make(rng: Rng) -> View:
        radius = float(rng.uniform(30, 90))
        x, y = rng.uniform(150, WIDTH - 150), rng.uniform(150, HEIGHT - 150)

        def add(light: Plane, rng: Rng) -> Plane:
            ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
            dx, dy = (xs - np.float32(x)) / np.float32(radius), (ys - np.float32(y)) / np.float32(radius)
            return drawn((np.hypot(dx, dy), np.arctan2(dy, dx)), radius, rng)

        empty = plain(rng, width=WIDTH, height=HEIGHT, light=1.0, x=-5000.0, y=-5000.0)
        return replace(empty, extra=add)

    return make


def _inside(r: Plane, radius: float, blur_px: float) -> Plane:
    return np.asarray(1 / (1 + np.exp(np.clip((r - 1) * radius / blur_px, -30, 30))), np.float32)


def _cloud_hole(at: Polar, radius: float, rng: Rng) -> Plane:
    """A thin place in thick cloud with the bright sky behind: round, sharp here and soft there."""
    r, _ = at
    bent = r + 0.06 * field(rng, r.shape, radius)
    thin = _inside(bent, radius, float(rng.uniform(1.0, 6.0)))
    bright = float(rng.uniform(0.05, 0.5)) * np.exp(0.4 * field(rng, r.shape, 1.5 * radius))
    return np.asarray((0.05 + 0.95 * thin) * bright, np.float32)


def _leaves(at: Polar, radius: float, rng: Rng) -> Plane:
    """A gap between leaves, whose lobes make its edge."""
    r, angle = at
    lobes = sum(
        float(rng.uniform(0.01, 0.06)) * np.cos(k * angle + float(rng.uniform(0, 2 * pi)))
        for k in range(2, 11)
    )
    gap = _inside(r + lobes, radius, float(rng.uniform(1.0, 3.0)))
    small = (field(rng, r.shape, 0.3 * radius) > 2.2) * np.float32(0.3)
    return np.asarray(float(rng.uniform(0.2, 0.9)) * np.maximum(gap, small) + 0.002, np.float32)


def _window(at: Polar, radius: float, rng: Rng) -> Plane:
    """A round window or a porthole, lit evenly or from one side, with its bars."""
    r, angle = at
    turn = float(rng.uniform(0, 2 * pi))
    lit = 1 + float(rng.uniform(0, 0.4)) * r * np.cos(angle - turn)
    half = float(rng.uniform(0.03, 0.08))
    bars = np.minimum(np.abs(r * np.cos(angle - turn)), np.abs(r * np.sin(angle - turn))) < half
    return np.asarray(float(rng.uniform(0.2, 0.8)) * lit * _inside(r, radius, 1.0) * (1 - bars), np.float32)


def _moonlit(at: Polar, radius: float, rng: Rng) -> Plane:
    """Cloud lit by the moon behind it: a corona with a steep rim, in patches."""
    r, _ = at
    corona = _inside(r, radius, radius * float(rng.uniform(0.03, 0.2))) + 0.3 / (1 + r**2)
    patches = np.exp(-np.exp(0.8 * field(rng, r.shape, radius)))
    return np.asarray(float(rng.uniform(0.05, 0.6)) * corona * patches, np.float32)


def _misty_lamp(at: Polar, radius: float, rng: Rng) -> Plane:
    """A lamp's globe in mist."""
    r, _ = at
    globe = _inside(r, radius, float(rng.uniform(1.0, 4.0))) * (1 - 0.2 * np.minimum(r, 1) ** 2)
    return np.asarray(float(rng.uniform(0.2, 3.0)) * (globe + float(rng.uniform(0.1, 0.5)) / (1 + r**2)))


def _bright_holder(at: Polar, radius: float, rng: Rng) -> Plane:
    """Bright cloud through a round holder, seen from behind."""
    r, _ = at
    cloud = np.exp(0.4 * field(rng, r.shape, 3 * radius))
    return np.asarray(
        float(rng.uniform(0.05, 0.5)) * cloud * _inside(r, radius, float(rng.uniform(1, 5))), np.float32
    )


OPENINGS: dict[str, Make] = {
    "hole in cloud": _opening(_cloud_hole),
    "gap in leaves": _opening(_leaves),
    "round window": _opening(_window),
    "moonlit cloud": _opening(_moonlit),
    "lamp in mist": _opening(_misty_lamp),
    "small bright holder": _opening(_bright_holder),
}
