"""Kinds of suns, and of things that are none, that the second renderer draws."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import cos, pi, sin

import cv2
import numpy as np

from tests.measure.second import (
    Ghost,
    Plane,
    Rng,
    View,
    bright_rim,
    linear_law,
    power_law,
)

Make = Callable[[Rng], View]
ORANGE, RED, BLUE = (1.0, 0.5, 0.12), (1.0, 0.06, 0.02), (0.15, 0.4, 1.0)


@dataclass(frozen=True)
class Kind:
    """One kind of sun."""

    name: str
    make: Make
    centre_px: float = 0.3
    """How far off the centre may be."""
    radius_px: float = 4.0


def plain(rng: Rng, **changes: object) -> View:
    """A clear frame, the disc anywhere wholly in it."""
    view = View(
        radius=float(rng.uniform(180, 420)),
        law=linear_law(float(rng.uniform(0.5, 0.75))),
        light=float(rng.uniform(0.35, 0.8)),
        spreads=((1.0, float(rng.uniform(0.8, 1.8))),),
        noise=float(rng.uniform(0.002, 0.008)),
        sky=float(rng.choice([0.0, 0.001, 0.008])),
        filter_rgb=[(1.0, 1.0, 1.0), ORANGE, (1.0, 0.85, 0.6)][rng.integers(3)],
        quality=int(rng.integers(80, 96)),
        seed=int(rng.integers(1 << 30)),
    )
    view = replace(view, **changes)  # type: ignore[arg-type]
    if "x" in changes:
        return view
    room_x, room_y = (min(view.radius + 12, side / 2 - 1) for side in (view.width, view.height))
    return replace(
        view,
        x=float(rng.uniform(room_x, view.width - room_x)),
        y=float(rng.uniform(room_y, view.height - room_y)),
    )


def tone(low: float, high: float) -> Make:
    return lambda rng: plain(rng, tone=float(rng.uniform(low, high)), light=float(rng.uniform(0.5, 0.9)))


def law(*laws: Callable[[Rng], Callable[[Plane], Plane]]) -> Make:
    return lambda rng: plain(rng, law=laws[rng.integers(len(laws))](rng))


def banded(rng: Rng) -> View:
    return plain(rng, steps=int(rng.choice([8, 12, 16, 32])), quality=95)


def seeing(low: float, high: float, radius: float) -> Make:
    return lambda rng: plain(
        rng, radius=radius, seeing=float(rng.uniform(low, high)), seeing_scale=float(rng.uniform(8, 60))
    )


def dew(rng: Rng) -> View:
    core = float(rng.uniform(0.55, 0.9))
    return plain(
        rng,
        spreads=((core, float(rng.uniform(1.5, 4))), (1 - core, float(rng.uniform(20, 150)))),
        light=float(rng.uniform(0.3, 0.7)),
    )


def overexposed(rng: Rng) -> View:
    times = float(np.exp(rng.uniform(0, np.log(50))))
    # Of full scale: more than that leaves nothing of the limb.
    glow = float(rng.uniform(0.05, 0.7)) / times
    return plain(rng, light=times, glow=glow, glow_radii=float(rng.uniform(0.4, 4)))


def hazy(rng: Rng) -> View:
    return plain(rng, haze=float(rng.uniform(0.05, 0.5)), light=float(rng.uniform(0.3, 0.65)))


def glowing(rng: Rng) -> View:
    return plain(
        rng,
        glow=float(rng.uniform(0.05, 0.7)),
        glow_radii=float(rng.uniform(0.4, 4)),
        light=float(rng.uniform(0.3, 0.58)),
    )


def clipped_channel(rng: Rng) -> View:
    colours = [ORANGE, RED, BLUE][rng.integers(3)]
    return plain(rng, light=float(rng.uniform(1.2, 4)), filter_rgb=colours)


def low_ceiling(rng: Rng) -> View:
    return plain(rng, light=float(rng.uniform(1.2, 6)), ceiling=int(rng.integers(225, 252)))


def eclipsed(rng: Rng, apart: float, ratio: float) -> View:
    """The moon `apart` from the sun's middle, in radii of the sun."""
    view = plain(rng)
    turn = rng.uniform(0, 2 * pi)
    x, y = view.x + apart * view.radius * cos(turn), view.y + apart * view.radius * sin(turn)
    return replace(view, moon=(float(x), float(y), ratio * view.radius))


def crescent(rng: Rng) -> View:
    return eclipsed(rng, float(rng.uniform(0.12, 0.6)), float(rng.uniform(0.97, 1.05)))


def annular(rng: Rng) -> View:
    ratio = float(rng.uniform(0.9, 0.97))
    return eclipsed(rng, float(rng.uniform(0, 0.9 * (1 - ratio))), ratio)


def arc(low: float, high: float) -> Make:
    """A disc of which only so much of the limb is in the frame."""

    def make(rng: Rng) -> View:
        view = plain(rng, radius=float(rng.uniform(300, 450)))
        half = pi * float(rng.uniform(low, high))
        away = view.radius * cos(half)
        side = rng.integers(4)
        along = float(rng.uniform(0.35, 0.65))
        places = (
            (-away - 0.5, along * view.height),
            (view.width - 0.5 + away, along * view.height),
            (along * view.width, -away - 0.5),
            (along * view.width, view.height - 0.5 + away),
        )
        x, y = places[side]
        return replace(view, x=x, y=y)

    return make


def trailed(rng: Rng) -> View:
    length, turn = float(rng.uniform(3, 14)), float(rng.uniform(0, pi))
    return plain(rng, trail=(length * cos(turn), length * sin(turn)))


def defocused(rng: Rng) -> View:
    return plain(rng, ring_blur=float(rng.uniform(4, 14)))


def ghosted(rng: Rng) -> View:
    view = plain(rng, radius=float(rng.uniform(150, 330)))
    away = float(rng.uniform(0.3, 1.0))
    # Reflections lie on the line through the picture's middle.
    x = view.width / 2 + away * (view.width / 2 - view.x) + float(rng.uniform(-20, 20))
    y = view.height / 2 + away * (view.height / 2 - view.y) + float(rng.uniform(-20, 20))
    ghost = Ghost(
        x=x,
        y=y,
        radius=view.radius * float(rng.choice([1.0, rng.uniform(0.5, 1.4)])),
        share=float(np.exp(rng.uniform(np.log(0.027), np.log(0.34)))),
        blur=float(rng.uniform(0.8, 4)),
        law=view.law,
    )
    times = float(rng.choice([0.6, 1.5, 6.0]))
    return replace(view, ghosts=(ghost,), light=times, filter_rgb=(1.0, 1.0, 1.0))


def small(rng: Rng) -> View:
    return plain(rng, radius=float(rng.uniform(14, 60)), spreads=((1.0, float(rng.uniform(0.6, 1.1))),))


def faint(rng: Rng) -> View:
    return plain(rng, light=float(rng.uniform(0.02, 0.08)), filter_rgb=(1.0, 1.0, 1.0))


KINDS = (
    Kind("clear", plain, 0.05, 1.0),
    Kind("tone 0.5 to 0.8", tone(0.5, 0.8), 0.1),
    Kind("tone 1.3 to 2", tone(1.3, 2.0), 0.1),
    Kind("tone 2.1 to 3", tone(2.1, 3.0), 0.1),
    Kind("law, u 0 to 0.3", law(lambda rng: linear_law(float(rng.uniform(0, 0.3)))), 0.1),
    Kind(
        "law, u 0.9 to 1",
        law(
            lambda rng: linear_law(float(rng.uniform(0.9, 1))),
            lambda rng: power_law(float(rng.uniform(0.5, 1))),
        ),
        0.1,
    ),
    Kind("bright rim", law(lambda rng: bright_rim(float(rng.uniform(0.1, 0.6)))), 0.1),
    Kind("banded", banded, 0.2),
    Kind("seeing 0.5 to 1.1", seeing(0.5, 1.1, 467.0)),
    Kind("seeing 1.1 to 1.7", seeing(1.1, 1.7, 467.0), 0.4),
    Kind("dew", dew),
    Kind("glow", glowing),
    Kind("haze", hazy),
    Kind("overexposed, glow", overexposed),
    Kind("clipped channel", clipped_channel),
    Kind("low ceiling", low_ceiling),
    Kind("crescent", crescent, 0.5),
    Kind("annular", annular, 0.1),
    Kind("arc, 10 to 15 %", arc(0.10, 0.15), 2.5, 6.0),
    Kind("arc, 5 to 10 %", arc(0.05, 0.10), 8.0, 16.0),
    Kind("trailed", trailed),
    Kind("defocused", defocused),
    Kind("ghost", ghosted),
    Kind("small", small, 0.1, 1.0),
    Kind("faint", faint, 0.2),
)


# Things that are no sun. ----------------------------------------------------------------------------------


def _dark(rng: Rng, **changes: object) -> View:
    return plain(rng, light=1.0, x=-5000.0, y=-5000.0, **changes)


def _with(view: View, extra: Callable[[Plane, Rng], Plane]) -> View:
    return replace(view, extra=extra)


def lamp(rng: Rng) -> View:
    """A light with a halo: no edge."""

    def add(light: Plane, rng: Rng) -> Plane:
        ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
        for _ in range(rng.integers(1, 4)):
            r = np.hypot(xs - rng.uniform(100, 1700), ys - rng.uniform(100, 1100))
            size = rng.uniform(4, 40)
            light = light + np.float32(rng.uniform(1, 30)) / (1 + (r / np.float32(size)) ** 2) ** np.float32(
                rng.uniform(1.2, 2.5)
            )
        return light

    return _with(_dark(rng), add)


def planet(rng: Rng) -> View:
    """A tiny disc."""
    return replace(
        plain(rng, radius=float(rng.uniform(2, 5))),
        law=linear_law(0.9),
        spreads=((1.0, float(rng.uniform(1, 3))),),
    )


def page(rng: Rng) -> View:
    """A printed page: paper with letters and drawn rings."""

    def draw(light: Plane, rng: Rng) -> Plane:
        sheet = np.full(light.shape, 255, np.uint8)
        for row in range(60, light.shape[0] - 40, int(rng.uniform(40, 90))):
            text = "".join(chr(rng.integers(97, 123)) if rng.uniform() < 0.85 else " " for _ in range(70))
            cv2.putText(sheet, text, (50, row), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 5, 2, cv2.LINE_AA)
        for _ in range(3):
            at = (int(rng.uniform(300, 1500)), int(rng.uniform(300, 900)))
            cv2.circle(sheet, at, int(rng.uniform(40, 260)), 15, int(rng.uniform(2, 9)), cv2.LINE_AA)
        soft = cv2.GaussianBlur(sheet.astype(np.float32), (0, 0), float(rng.uniform(0.6, 1.5)))
        return np.asarray(soft * np.float32(rng.uniform(0.3, 0.9) / 255), np.float32)

    return _with(_dark(rng), draw)


def flare(rng: Rng) -> View:
    """The sun beside the frame: polygons of the stop on a line, streaks."""

    def add(light: Plane, rng: Rng) -> Plane:
        h, w = light.shape
        sx, sy = float(rng.uniform(-600, -100)), float(rng.uniform(0, h))
        ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
        light = light + np.float32(rng.uniform(0.05, 0.6)) / (1 + np.hypot(xs - sx, ys - sy) / 300) ** 2
        for _ in range(rng.integers(2, 6)):
            t, size = rng.uniform(0.4, 2), rng.uniform(30, 160)
            n, turn = int(rng.choice([5, 6, 7, 8])), rng.uniform(0, 1)
            corners = np.array(
                [
                    (
                        sx + t * (w / 2 - sx) + size * cos(turn + 2 * pi * k / n),
                        sy + t * (h / 2 - sy) + size * sin(turn + 2 * pi * k / n),
                    )
                    for k in range(n)
                ]
            )
            stamp = np.zeros_like(light)
            cv2.fillPoly(stamp, [np.rint(corners).astype(np.int32)], 1.0)
            light += np.float32(rng.uniform(0.01, 0.12)) * cv2.GaussianBlur(
                stamp, (0, 0), float(rng.uniform(1, 5))
            )
        return light

    return _with(_dark(rng), add)


def static(rng: Rng) -> View:
    return _dark(rng, noise=float(rng.uniform(0.03, 0.25)), sky=float(rng.uniform(0, 0.5)))


def glare_only(rng: Rng) -> View:
    """The sun so overexposed that nothing of its limb is left: light fading outward."""
    return plain(
        rng,
        light=float(rng.uniform(20, 200)),
        glow=float(rng.uniform(0.1, 0.7)),
        glow_radii=float(rng.uniform(0.4, 4)),
    )


def out_of_focus_lights(rng: Rng) -> View:
    """Street lights far out of focus: even discs of several, each of the lens' opening."""

    def add(light: Plane, rng: Rng) -> Plane:
        size = rng.uniform(15, 60)
        for _ in range(rng.integers(3, 9)):
            stamp = np.zeros_like(light)
            at = (int(rng.uniform(0, light.shape[1])), int(rng.uniform(0, light.shape[0])))
            cv2.circle(stamp, at, int(size), 1.0, -1, cv2.LINE_AA)
            light = light + np.float32(rng.uniform(0.05, 0.28)) * cv2.GaussianBlur(stamp, (0, 0), 1.5)
        return light

    return _with(_dark(rng), add)


def foliage(rng: Rng) -> View:
    """Light through leaves: blobs of every size."""

    def grow(light: Plane, rng: Rng) -> Plane:
        total = np.zeros_like(light)
        for size in (4, 12, 40):
            knots = rng.standard_normal([int(n / size) + 4 for n in light.shape]).astype(np.float32)
            total += cv2.resize(knots, light.shape[::-1], interpolation=cv2.INTER_CUBIC)
        return np.clip(0.2 * np.exp(total), 0, 2).astype(np.float32)

    return _with(_dark(rng), grow)


NO_SUNS: dict[str, Make] = {
    "lamp": lamp,
    "planet": planet,
    "page": page,
    "flare": flare,
    "noise": static,
    "glare only": glare_only,
    "lights out of focus": out_of_focus_lights,
    "foliage": foliage,
}
