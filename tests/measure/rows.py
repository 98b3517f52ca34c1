"""The kinds of frames the measuring room answers for, each with how true its numbers must be."""

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, pi, sin

import numpy as np

from tests.measure.scenes import NECKEL_LABS_444, NECKEL_LABS_580, Scene

LAWS = (NECKEL_LABS_580, NECKEL_LABS_444, (0.4, 0.6), (0.3, 0.93, -0.23))

Make = Callable[[np.random.Generator], Scene]


@dataclass(frozen=True)
class Row:
    """One kind of frame."""

    name: str
    centre_px: float
    radius_px: float
    make: Make


def base(rng: np.random.Generator, **changes: object) -> Scene:
    """A clear frame with the disc anywhere wholly in it."""
    width, height = 2400, 1600
    settings: dict[str, object] = {
        "width": width,
        "height": height,
        "radius": 470.0,
        "law": LAWS[rng.integers(len(LAWS))],
        "blur": rng.uniform(0.8, 1.8),
        "level": rng.uniform(0.4, 0.8),
        "sky": float(rng.choice([0.0, 0.0005, 0.01])),
        "noise": rng.uniform(0.002, 0.008),
        "seed": int(rng.integers(1 << 30)),
    } | changes
    radius = float(settings["radius"])  # type: ignore[arg-type]
    room = radius + 6
    if "x" not in settings:
        settings |= {"x": rng.uniform(room, width - room), "y": rng.uniform(room, height - room)}
    return Scene(**settings)  # type: ignore[arg-type]


def blurred(sigma: float) -> Make:
    return lambda rng: base(rng, blur=sigma)


def cut(share: float) -> Make:
    """The disc cut by an edge or a corner so that `share` of the limb is left."""

    def make(rng: np.random.Generator) -> Scene:
        corner = rng.uniform() < 0.5
        s = base(rng, x=1200.0, y=800.0)
        if corner:
            way = rng.uniform(0.25, 0.75) * pi / 2
            start = (0.0, 0.0)
        else:
            way = 0.0
            start = (0.0, rng.uniform(500, 1100))
        low, high = -s.radius, s.radius + 200
        for _ in range(40):
            middle = (low + high) / 2
            s.x, s.y = start[0] + middle * cos(way), start[1] + middle * sin(way)
            low, high = (middle, high) if s.limb_in_frame < share else (low, middle)
        if rng.uniform() < 0.5:
            s.x = s.width - 1 - s.x
        if rng.uniform() < 0.5:
            s.y = s.height - 1 - s.y
        return s

    return make


def ridge(rng: np.random.Generator) -> Scene:
    return base(
        rng, ridge=rng.uniform(0.0, 0.8), ridge_angle=rng.uniform(0, 2 * pi), ridge_level=rng.uniform(0, 0.02)
    )


def half_ridge(rng: np.random.Generator) -> Scene:
    return base(rng, ridge=0.0, ridge_angle=rng.uniform(0, 2 * pi), ridge_level=rng.uniform(0, 0.02))


def cable(rng: np.random.Generator) -> Scene:
    return base(
        rng, cable=rng.uniform(-0.9, 0.9), cable_width=rng.uniform(10, 470),
        ridge_angle=rng.uniform(0, 2 * pi), ridge_level=rng.uniform(0, 0.02),
    )  # fmt: skip


def eclipse(magnitude: float) -> Make:
    return lambda rng: base(
        rng, moon=magnitude, moon_angle=rng.uniform(0, 2 * pi), moon_ratio=rng.uniform(0.95, 1.06)
    )


def low_sun(rng: np.random.Generator) -> Scene:
    return base(rng, flattening=0.06, tilt=rng.uniform(0, 2 * pi), egg=float(rng.choice([0.0, 0.9])))


def sized(radius: float) -> Make:
    def make(rng: np.random.Generator) -> Scene:
        if radius > 780:
            return base(rng, radius=radius, x=rng.uniform(1100, 1300), y=rng.uniform(750, 850))
        return base(rng, radius=radius)

    return make


ROWS = (
    Row("clear", 0.02, 0.3, lambda rng: base(rng, spots=10, dust=10)),
    Row("blur 3", 0.05, 0.5, blurred(3)),
    Row("blur 6", 0.1, 0.5, blurred(6)),
    Row("blur 10", 0.2, 1.0, blurred(10)),
    Row("noise", 0.1, 0.5, lambda rng: base(rng, noise=0.05)),
    Row("dim", 0.1, 0.5, lambda rng: base(rng, level=0.06)),
    Row("dim and noisy", 0.1, 0.5, lambda rng: base(rng, level=0.06, noise=0.05)),
    Row("half in frame", 0.1, 0.5, cut(0.5)),
    Row("30 % in frame", 0.3, 1.0, cut(0.3)),
    Row("15 % in frame", 1.0, 3.0, cut(0.15)),
    Row(
        "thin cloud", 0.2, 1.0, lambda rng: base(rng, cloud=0.8, cloud_scale=rng.uniform(80, 500), glow=0.03)
    ),
    Row(
        "patchy cloud",
        0.5,
        2.0,
        lambda rng: base(rng, cloud=3.5, cloud_scale=rng.uniform(80, 500), glow=0.05),
    ),
    Row("ridge", 0.3, 1.0, ridge),
    Row("ridge, half", 0.3, 1.0, half_ridge),
    Row("cable", 0.3, 1.0, cable),
    Row("eclipse 40 %", 0.2, 1.0, eclipse(0.4)),
    Row("eclipse 85 %", 0.6, 2.0, eclipse(0.85)),
    Row("low sun", 0.15, 1.0, low_sun),
    Row("six times over", 0.3, 4.0, lambda rng: base(rng, level=6 * rng.uniform(0.5, 0.8))),
    Row("radius 30", 0.1, 1.0, sized(30.0)),
    Row("radius 100", 0.1, 1.0, sized(100.0)),
    Row("radius 0.6", 0.5, 1.0, sized(960.0)),
    Row("caption", 0.1, 0.5, lambda rng: base(rng, caption=True)),
)
"""Limits by the table the room is held to, for a disc of 470 px."""

TONES = (
    Row("gamma 1.2", 0.1, 1.0, lambda rng: base(rng, gamma=1.2, blur=rng.uniform(1, 6))),
    Row("gamma 0.85", 0.1, 1.0, lambda rng: base(rng, gamma=0.85, blur=rng.uniform(1, 6))),
    Row("contrast", 0.1, 1.0, lambda rng: base(rng, contrast=0.5, blur=rng.uniform(1, 6))),
    Row("uniform disc", 0.1, 1.0, lambda rng: base(rng, law=(1.0,), blur=rng.uniform(1, 6))),
)
"""What the frame's maker did to the light and the transfer curve does not know."""
