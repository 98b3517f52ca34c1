"""More kinds for the second renderer: what stands before, beside and upon the sun."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, pi, sin

import cv2
import numpy as np

from tests.measure.kinds import BLUE, ORANGE, RED, Kind, Make, plain
from tests.measure.second import Plane, Rng, View, bright_rim


def _grid(light: Plane) -> tuple[Plane, Plane]:
    ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
    return xs, ys


def _lines(light: Plane, rng: Rng, at: tuple[float, float], count: int, thickest: float) -> Plane:
    """Opaque lines past a place, soft by what the lens leaves of so near a thing."""
    xs, ys = _grid(light)
    for _ in range(count):
        turn, away, half = rng.uniform(0, pi), rng.uniform(-200, 200), rng.uniform(0.5, thickest)
        across = (
            (xs - at[0]) * np.float32(cos(turn)) + (ys - at[1]) * np.float32(sin(turn)) - np.float32(away)
        )
        soft = np.float32(rng.uniform(0.8, 3.0))
        passed = 1 / (1 + np.exp(np.clip((half - np.abs(across)) / soft, -30, 30)))
        light = np.asarray(light * passed, np.float32)
    return light


def hard_jpeg(rng: Rng) -> View:
    return plain(rng, quality=60, filter_rgb=[ORANGE, RED, BLUE][rng.integers(3)])


def vignetted(rng: Rng) -> View:
    """Light falls off towards the corners, and a power line crosses."""
    view = plain(rng)

    def shade(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        r = np.hypot(xs - view.width / 2, ys - view.height / 2) / np.float32(1100)
        fall = 1 / (1 + np.float32(rng.uniform(0.3, 1.0)) * r * r) ** 2
        return _lines(np.asarray(light * fall, np.float32), rng, (view.x, view.y), 1, 4.0)

    return replace(view, extra=shade)


def spotted(rng: Rng) -> View:
    """A large group of spots, one at the limb, and a bright facula beside it."""
    view = plain(rng)

    def mark(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        for _ in range(rng.integers(5, 14)):
            r, a = view.radius * rng.uniform(0, 0.99), rng.uniform(0, 2 * pi)
            size = view.radius * rng.uniform(0.01, 0.07)
            at = np.hypot(xs - view.x - r * cos(a), ys - view.y - r * sin(a)) / np.float32(size)
            deep = rng.uniform(0.3, 0.9) if rng.uniform() < 0.7 else -rng.uniform(0.1, 0.4)
            light = light * (1 - np.float32(deep) / (1 + at**6))
        return light

    return replace(view, extra=mark)


def rim_and_tone(rng: Rng) -> View:
    return plain(
        rng,
        law=bright_rim(float(rng.uniform(0.1, 0.6))),
        tone=float(rng.uniform(1.8, 3)),
        light=float(rng.uniform(0.4, 0.6)),
    )


def lifted_filter(rng: Rng) -> View:
    """White light from one side of the frame, where the filter's rim has lifted."""
    view = plain(rng, light=float(rng.uniform(0.3, 0.6)))

    def shine(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        turn = rng.uniform(0, 2 * pi)
        along = (xs - 900) * np.float32(cos(turn)) + (ys - 600) * np.float32(sin(turn))
        far = np.float32(rng.uniform(500, 1000))
        shone = rng.uniform(0.5, 3) * np.exp((along - far) / np.float32(rng.uniform(60, 250)))
        return np.asarray(light + shone, np.float32)

    return replace(view, extra=shine)


def hooded(rng: Rng) -> View:
    """A bright sky, cut by the round edge of a lens hood."""
    view = plain(rng, light=float(rng.uniform(0.4, 0.8)), radius=float(rng.uniform(120, 260)))
    wide = float(rng.uniform(650, 950))
    turn, away = rng.uniform(0, 2 * pi), rng.uniform(0, 0.6 * (wide - view.radius))
    view = replace(view, x=float(900 + 0.9 * away * cos(turn)), y=float(600 + 0.5 * away * sin(turn)))

    def cut(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        soft = np.float32(rng.uniform(2, 40))
        edge = np.clip((np.hypot(xs - 900, ys - 600) - np.float32(wide)) / soft, -30, 30)
        return np.asarray((light + rng.uniform(0.02, 0.15)) / (1 + np.exp(edge)), np.float32)

    return replace(view, extra=cut)


def raindrops(rng: Rng) -> View:
    """Drops on the filter, far out of focus: round patches in which the picture is shifted and soft."""
    view = plain(rng)

    def wet(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        for _ in range(rng.integers(3, 10)):
            a, r = rng.uniform(0, 2 * pi), view.radius * rng.uniform(0, 1.3)
            size = rng.uniform(20, 90)
            at = np.hypot(xs - view.x - r * cos(a), ys - view.y - r * sin(a)) / np.float32(size)
            share = np.float32(rng.uniform(0.2, 0.6)) / (1 + at**8)
            moved = np.roll(light, tuple(rng.integers(-25, 26, 2)), (0, 1))
            soft = cv2.GaussianBlur(moved, (0, 0), float(rng.uniform(4, 15)))
            light = light * (1 - share) + share * soft
        return np.asarray(light, np.float32)

    return replace(view, extra=wet)


def branches(rng: Rng) -> View:
    view = plain(rng)
    return replace(
        view, extra=lambda light, rng: _lines(light, rng, (view.x, view.y), int(rng.integers(3, 9)), 9.0)
    )


def twilight(rng: Rng) -> View:
    """A sky that grows brighter to one side, and is nearly half as bright as the sun there."""
    view = plain(rng, light=float(rng.uniform(0.3, 0.6)))

    def glow(light: Plane, rng: Rng) -> Plane:
        _, ys = _grid(light)
        return np.asarray(light + rng.uniform(0.05, 0.4) * (ys / 1200) ** rng.uniform(1, 3), np.float32)

    return replace(view, extra=glow)


MORE_KINDS = (
    Kind("JPEG of quality 60", hard_jpeg, 0.1),
    Kind("vignetted, a line", vignetted, 0.1),
    Kind("spots and faculae", spotted, 0.1),
    Kind("rim and hard tone", rim_and_tone, 0.1),
    Kind("lifted filter", lifted_filter, 0.3),
    Kind("hood's edge", hooded, 0.3),
    Kind("raindrops", raindrops, 0.5),
    Kind("branches", branches, 0.2),
    Kind("twilight", twilight, 0.2),
)


def _dark(rng: Rng, extra: Callable[[Plane, Rng], Plane]) -> View:
    return replace(plain(rng, light=1.0, x=-5000.0, y=-5000.0), extra=extra)


def globe_lamp(rng: Rng) -> View:
    """A street lamp's globe, burnt out, with a wide halo and its post."""

    def add(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        x, y, size = rng.uniform(300, 1500), rng.uniform(200, 800), rng.uniform(20, 120)
        r = np.hypot(xs - x, ys - y) / np.float32(size)
        light = light + np.float32(rng.uniform(2, 20)) / (1 + np.exp(np.clip((r - 1) * 12, -30, 30)))
        light = light + np.float32(rng.uniform(0.5, 2)) / (1 + r * r)
        light[int(y + size) :, int(x) - 6 : int(x) + 6] *= 0.1
        return np.asarray(cv2.GaussianBlur(light, (0, 0), float(rng.uniform(1, 3))), np.float32)

    return _dark(rng, add)


def bokeh(rng: Rng) -> View:
    """Lights far out of focus, ringed as a mirror lens draws them, some burnt out."""

    def add(light: Plane, rng: Rng) -> Plane:
        size = rng.uniform(25, 110)
        for _ in range(rng.integers(4, 14)):
            stamp = np.zeros_like(light)
            at = (int(rng.uniform(0, light.shape[1])), int(rng.uniform(0, light.shape[0])))
            cv2.circle(stamp, at, int(size), 1.0, -1, cv2.LINE_AA)
            if size > 50:
                cv2.circle(stamp, at, int(0.4 * size), 0.0, -1, cv2.LINE_AA)
            light = light + np.float32(rng.uniform(0.1, 1.5)) * cv2.GaussianBlur(stamp, (0, 0), 2.0)
        return light

    return _dark(rng, add)


MORE_NO_SUNS: dict[str, Make] = {"globe lamp": globe_lamp, "bokeh": bokeh}
