"""Frames without a sun, of known kinds: the measuring room must find nothing in them."""

from collections.abc import Callable
from math import cos, pi, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

from tests.measure.scenes import Array, encode_srgb, noise_field, through_jpeg

Grey = NDArray[np.uint8]
WIDTH, HEIGHT = 2400, 1600


def _grid() -> tuple[Array, Array]:
    yy, xx = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    return xx, yy


def finish(light: NDArray[Any], rng: np.random.Generator, noise: float = 0.006) -> Grey:
    """Linear light to a JPEG's grey."""
    stored = encode_srgb(light.astype(np.float32))
    stored = stored + noise * rng.standard_normal(stored.shape, dtype=np.float32)
    return through_jpeg(np.clip(np.round(stored * 255), 0, 255).astype(np.uint8))


def night(rng: np.random.Generator) -> Grey:
    light = np.full((HEIGHT, WIDTH), rng.uniform(0, 0.002), np.float32)
    if rng.uniform() < 0.5:
        for _ in range(40):  # hot pixels and stars
            light[rng.integers(HEIGHT), rng.integers(WIDTH)] = rng.uniform(0.1, 1)
        light = gaussian_filter(light, rng.uniform(0, 1.5))
    return finish(light, rng, rng.uniform(0.001, 0.05))


def overcast(rng: np.random.Generator) -> Grey:
    field = noise_field(rng, (HEIGHT, WIDTH), rng.uniform(100, 900))
    light = rng.uniform(0.02, 0.5) * np.exp(rng.uniform(0.02, 0.7) * field)
    return finish(light, rng, rng.uniform(0.003, 0.03))


def white_out(rng: np.random.Generator) -> Grey:
    xx, yy = _grid()
    light = 4.0 - rng.uniform(0, 4.5) * np.hypot(xx / WIDTH - 0.5, yy / HEIGHT - 0.5)
    return finish(light, rng)


def cloud_glow(rng: np.random.Generator) -> Grey:
    xx, yy = _grid()
    x, y, size = rng.uniform(0, WIDTH), rng.uniform(0, HEIGHT), rng.uniform(60, 600)
    r = np.hypot(xx - x, yy - y) / size
    glow = np.exp(-0.5 * r**2) if rng.uniform() < 0.5 else 1 / (1 + r**2) ** 1.5
    cloud = np.exp(0.5 * noise_field(rng, (HEIGHT, WIDTH), rng.uniform(100, 500)))
    return finish(rng.uniform(0.05, 3) * glow * cloud + rng.uniform(0, 0.05), rng)


def landscape(rng: np.random.Generator) -> Grey:
    xx, yy = _grid()
    sky = (
        rng.uniform(0.2, 1.2)
        * (1 - 0.5 * yy / HEIGHT)
        * np.exp(0.3 * noise_field(rng, (HEIGHT, WIDTH), rng.uniform(100, 400)))
    )
    light = sky
    for k in range(4):
        crest = HEIGHT * (0.4 + 0.13 * k) + 90 * noise_field(rng, (4, WIDTH), rng.uniform(60, 500))[0]
        texture = np.exp(0.5 * noise_field(rng, (HEIGHT, WIDTH), rng.uniform(4, 40)))
        light = np.where(yy > crest, rng.uniform(0.01, 0.3) * texture, light)
    for _ in range(rng.integers(0, 12)):  # huts with lit windows, boulders
        x, y, w, h = (
            rng.uniform(0, WIDTH),
            rng.uniform(600, HEIGHT),
            rng.uniform(10, 120),
            rng.uniform(10, 90),
        )
        box = (np.abs(xx - x) < w) & (np.abs(yy - y) < h)
        ball = np.hypot((xx - x) / w, (yy - y) / h) < 1
        light = np.where(box if rng.uniform() < 0.5 else ball, rng.uniform(0, 0.6), light)
    return finish(gaussian_filter(light, rng.uniform(0.7, 3)), rng)


def street_lamp(rng: np.random.Generator) -> Grey:
    xx, yy = _grid()
    light = np.full((HEIGHT, WIDTH), rng.uniform(0, 0.02), np.float32)
    for _ in range(rng.integers(1, 4)):
        x, y, size = rng.uniform(200, 2200), rng.uniform(200, 1400), rng.uniform(6, 70)
        r = np.hypot(xx - x, yy - y)
        peak = rng.uniform(2, 60)
        light += peak * np.exp(-0.5 * (r / size) ** 2) + 0.03 * peak / (1 + (r / (2 * size)) ** 2)
        light[int(y) :, int(x) - 4 : int(x) + 4] *= 0.3
    return finish(gaussian_filter(light, 1.2), rng)


def _polygon(  # noqa: PLR0917 - a shape's measures
    xx: Array, yy: Array, x: float, y: float, size: float, sides: int, turn: float
) -> NDArray[np.bool_]:
    if sides == 0:
        return np.asarray(np.hypot(xx - x, yy - y) < size)
    inside = np.ones(xx.shape, bool)
    for k in range(sides):
        a = turn + 2 * pi * k / sides
        inside &= (xx - x) * cos(a) + (yy - y) * sin(a) < size
    return inside


def lens_flare(rng: np.random.Generator) -> Grey:
    xx, yy = _grid()
    x, y = rng.uniform(-300, WIDTH + 300), rng.uniform(-300, HEIGHT + 300)
    r = np.hypot(xx - x, yy - y)
    light = rng.uniform(0.05, 1.5) / (1 + (r / rng.uniform(80, 500)) ** 2)
    a = np.arctan2(yy - y, xx - x)
    light *= 1 + 0.3 * np.cos(rng.integers(5, 9) * 2 * a)
    sides = int(rng.choice([0, 5, 6, 7, 8]))
    for k in range(rng.integers(3, 8)):
        t = rng.uniform(0.3, 2.2)
        gx, gy = x + t * (WIDTH / 2 - x), y + t * (HEIGHT / 2 - y)
        ghost = _polygon(xx, yy, gx, gy, rng.uniform(25, 300), sides, 0.3 + 0 * k)
        light = light + rng.uniform(0.01, 0.15) * gaussian_filter(ghost.astype(np.float32), rng.uniform(1, 8))
    return finish(light, rng)


def unlit_moon(rng: np.random.Generator) -> Grey:
    """The moon before the whole sun: a dark face, light only around it."""
    xx, yy = _grid()
    radius = rng.uniform(100, 500)
    r = np.hypot(xx - rng.uniform(600, 1800), yy - rng.uniform(500, 1100)) / radius
    corona = rng.uniform(0.02, 1.5) * np.maximum(r, 1.0) ** -rng.uniform(3, 8)
    face = rng.uniform(0, 0.01)
    light = np.where(r < 1, face, corona + rng.uniform(0, 0.1))
    return finish(gaussian_filter(light, rng.uniform(0.8, 3)), rng)


def noise_only(rng: np.random.Generator) -> Grey:
    level = rng.uniform(0, 0.6)
    return finish(np.full((HEIGHT, WIDTH), level, np.float32), rng, rng.uniform(0.03, 0.25))


def captions_only(rng: np.random.Generator) -> Grey:
    picture = Image.new("L", (WIDTH, HEIGHT), int(rng.integers(0, 40)))
    draw = ImageDraw.Draw(picture)
    for _ in range(4):
        draw.text(
            (rng.uniform(0, 1500), rng.uniform(0, 1500)), "2031-06-21 08:00:03 O0@8", fill=255,
            font_size=rng.uniform(30, 150),
        )  # fmt: skip
    return through_jpeg(np.asarray(picture))


NOTHINGS: dict[str, Callable[[np.random.Generator], Grey]] = {
    "night": night,
    "overcast": overcast,
    "white-out": white_out,
    "cloud glow": cloud_glow,
    "landscape": landscape,
    "street lamp": street_lamp,
    "lens flare": lens_flare,
    "moon's face unlit": unlit_moon,
    "noise": noise_only,
    "captions": captions_only,
}
