"""Still more kinds for the second renderer: what cameras do to their pictures, and what crosses the sun."""

from dataclasses import replace
from math import cos, pi, sin

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.measure.kinds import ORANGE, RED, Kind, Make, plain
from tests.measure.second import Plane, Rng, View, bright_rim

Codes = NDArray[np.uint8]


def _grid(light: Plane) -> tuple[Plane, Plane]:
    ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
    return xs, ys


def _soft_step(at: Plane, width: float) -> Plane:
    return np.asarray(1 / (1 + np.exp(np.clip(at / np.float32(width), -30, 30))), np.float32)


def sharpened(rng: Rng) -> View:
    """The camera's own sharpening: a bright seam within the limb and a dark one without."""
    amount, sigma = float(rng.uniform(0.5, 2.0)), float(rng.uniform(1.0, 2.5))

    def sharpen(codes: Codes, _: Rng) -> Codes:
        soft = cv2.GaussianBlur(codes, (0, 0), sigma).astype(np.float32)
        return np.asarray(np.clip(codes + amount * (codes - soft), 0, 255), np.uint8)

    return replace(plain(rng), kept=sharpen)


def smoothed(rng: Rng) -> View:
    """The camera's noise reduction, which keeps edges and nothing finer."""

    def smooth(codes: Codes, _: Rng) -> Codes:
        return np.asarray(cv2.bilateralFilter(np.ascontiguousarray(codes), 7, 30, 3), np.uint8)

    return replace(plain(rng, noise=float(rng.uniform(0.01, 0.03))), kept=smooth)


def zoomed(rng: Rng) -> View:
    """Digital zoom: half the pixels are made up."""
    shrink = float(rng.uniform(0.35, 0.6))

    def zoom(codes: Codes, _: Rng) -> Codes:
        ny, nx = codes.shape[:2]
        small = cv2.resize(codes, (round(nx * shrink), round(ny * shrink)), interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.resize(small, (nx, ny), interpolation=cv2.INTER_CUBIC), np.uint8)

    return replace(plain(rng), kept=zoom)


def hot_pixels(rng: Rng) -> View:
    count = int(rng.integers(300, 4000))

    def heat(codes: Codes, rng: Rng) -> Codes:
        ny, nx = codes.shape[:2]
        codes = codes.copy()
        at = rng.integers(0, ny, count), rng.integers(0, nx, count), rng.integers(0, 3, count)
        codes[at] = rng.integers(120, 256, count)
        return codes

    return replace(plain(rng), kept=heat)


def stamped(rng: Rng) -> View:
    """The time burnt in across the limb."""
    view = plain(rng)
    turn, size = rng.uniform(0, 2 * pi), float(rng.uniform(0.8, 3.0))
    at = int(view.x + view.radius * cos(turn)) - int(90 * size), int(view.y + view.radius * sin(turn))
    ink = [(255, 255, 255), (255, 160, 0), (0, 0, 0)][rng.integers(3)]

    def stamp(codes: Codes, _: Rng) -> Codes:
        codes = np.ascontiguousarray(codes)
        cv2.putText(
            codes, "2031-06-21 08:00:03", at, cv2.FONT_HERSHEY_SIMPLEX, size, ink, int(2 * size), cv2.LINE_AA
        )
        return codes

    return replace(view, kept=stamp)


def coarse_jpeg(rng: Rng) -> View:
    return plain(rng, quality=30, filter_rgb=[(1.0, 1.0, 1.0), ORANGE, RED][rng.integers(3)])


def rolling_shutter(rng: Rng) -> View:
    """Rows read one after the other from a picture that trembles."""
    view = plain(rng)
    slope, height = float(rng.uniform(-0.004, 0.004)), float(rng.uniform(0.2, 1.0))
    period, phase = float(rng.uniform(20, 200)), float(rng.uniform(0, 2 * pi))

    def skew(light: Plane, _: Rng) -> Plane:
        xs, ys = _grid(light)
        shift = slope * (ys - view.y) + height * np.sin(2 * pi * ys / period + phase)
        return np.asarray(cv2.remap(light, xs - shift.astype(np.float32), ys, cv2.INTER_CUBIC), np.float32)

    return replace(view, extra=skew)


def half_fogged(rng: Rng) -> View:
    """Dew over part of the filter: there the picture is soft, and its light is spread."""
    view = plain(rng, light=float(rng.uniform(0.35, 0.7)))
    turn, away, wide = rng.uniform(0, 2 * pi), rng.uniform(-0.6, 0.6), float(rng.uniform(20, 150))
    blur, share = float(rng.uniform(6, 25)), float(rng.uniform(0.3, 0.9))

    def fog(light: Plane, _: Rng) -> Plane:
        xs, ys = _grid(light)
        across = (xs - view.x) * np.float32(cos(turn)) + (ys - view.y) * np.float32(sin(turn))
        fogged = np.float32(share) * _soft_step(across - np.float32(away * view.radius), wide)
        return np.asarray(light * (1 - fogged) + fogged * cv2.GaussianBlur(light, (0, 0), blur), np.float32)

    return replace(view, extra=fog)


def crossed(rng: Rng) -> View:
    """A bird or an aeroplane across the limb: a body and two wings, moved a little during the exposure."""
    view = plain(rng)
    turn, size = rng.uniform(0, 2 * pi), float(rng.uniform(15, 90))
    x, y = view.x + view.radius * cos(turn), view.y + view.radius * sin(turn)
    lies, opens, soft = rng.uniform(0, pi), float(rng.uniform(0.2, 1.3)), float(rng.uniform(0.8, 4))

    def cross(light: Plane, _: Rng) -> Plane:
        shade = np.zeros(light.shape, np.float32)
        cv2.ellipse(
            shade, (int(x), int(y)), (int(size), int(0.2 * size) + 1), np.degrees(lies), 0, 360, 1.0, -1
        )
        for side in (-1, 1):
            wing = lies + side * opens
            tip = int(x + side * 1.2 * size * cos(wing)), int(y + side * 1.2 * size * sin(wing))
            cv2.line(shade, (int(x), int(y)), tip, 1.0, int(0.15 * size) + 1)
        return np.asarray(light * (1 - cv2.GaussianBlur(shade, (0, 0), soft)), np.float32)

    return replace(view, extra=cross)


def two_filters(rng: Rng) -> View:
    """Light thrown to and fro between stacked filters: the sun again, fainter, a little beside itself."""
    view = plain(rng)
    turn, away = rng.uniform(0, 2 * pi), float(rng.uniform(3, 80))
    shift = np.array([[1, 0, away * cos(turn)], [0, 1, away * sin(turn)]], np.float32)
    share = float(np.exp(rng.uniform(np.log(0.005), np.log(0.12))))

    def reflect(light: Plane, _: Rng) -> Plane:
        again = cv2.warpAffine(light, shift, light.shape[::-1])
        return np.asarray(light + np.float32(share) * again, np.float32)

    return replace(view, extra=reflect)


def holder(rng: Rng) -> View:
    """A hazy sky through a round holder, a faint disc about the middle of the frame, and the sun in it."""
    view = plain(rng, radius=float(rng.uniform(120, 300)), haze=float(rng.uniform(0.02, 0.3)))
    radius, soft = float(rng.uniform(480, 700)), float(rng.uniform(2, 40))
    reach = max(radius - view.radius - 60, 10.0)
    turn, away = rng.uniform(0, 2 * pi), reach * rng.uniform(0, 1)
    x, y = view.width / 2 + away * cos(turn), view.height / 2 + 0.5 * away * sin(turn)

    def stop(light: Plane, _: Rng) -> Plane:
        xs, ys = _grid(light)
        r = np.hypot(xs - view.width / 2, ys - view.height / 2)
        return np.asarray(light * _soft_step(r - np.float32(radius), soft), np.float32)

    return replace(view, x=float(x), y=float(y), extra=stop)


def prominences(rng: Rng) -> View:
    """In the light of one line: a bright rim, filaments, and clouds of gas beyond the limb."""
    view = plain(rng, law=bright_rim(float(rng.uniform(0, 0.4))), filter_rgb=RED)

    def grow(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        for _ in range(rng.integers(3, 12)):
            turn, size = rng.uniform(0, 2 * pi), view.radius * rng.uniform(0.01, 0.05)
            r = view.radius + size * rng.uniform(0.2, 1.5)
            at = np.hypot(xs - view.x - r * cos(turn), ys - view.y - r * sin(turn)) / np.float32(size)
            light = light + np.float32(rng.uniform(0.05, 0.3)) / (1 + at**4)
        return np.asarray(light, np.float32)

    return replace(view, extra=grow)


CAMERA_KINDS = (
    Kind("sharpened", sharpened, 0.1),
    Kind("noise reduced", smoothed, 0.1),
    Kind("digital zoom", zoomed, 0.1),
    Kind("hot pixels", hot_pixels, 0.1),
    Kind("time burnt in", stamped, 0.1),
    Kind("JPEG of quality 30", coarse_jpeg, 0.2),
    Kind("rolling shutter", rolling_shutter, 0.5),
    Kind("half fogged", half_fogged, 0.5),
    Kind("bird or aeroplane", crossed, 0.1),
    Kind("two filters", two_filters, 0.3),
    Kind("filter's holder", holder, 0.2),
    Kind("prominences", prominences, 0.2),
)


def moon_at_a_phase(rng: Rng) -> View:
    """The moon by night: as bright at its limb as within, darkening to the line where its day ends."""
    view = plain(rng, light=float(rng.uniform(0.3, 0.8)), filter_rgb=(1.0, 1.0, 1.0))
    phase, turn = float(rng.uniform(0.35, 2.4)), float(rng.uniform(0, 2 * pi))
    width, height = view.width, view.height

    def shine(_: Plane, rng: Rng) -> Plane:
        ys, xs = np.mgrid[0 : 2 * height, 0 : 2 * width].astype(np.float32)
        xs, ys = (xs - 0.5) / 2 - np.float32(view.x), (ys - 0.5) / 2 - np.float32(view.y)
        along = (xs * cos(turn) + ys * sin(turn)) / view.radius
        depth = np.sqrt(np.clip(1 - (xs**2 + ys**2) / view.radius**2, 0, None))
        # Lommel and Seeliger's law: light by the cosines towards sun and eye.
        lit = np.clip(along * sin(phase) + depth * cos(phase), 0, None)
        light = 2 * lit / np.maximum(lit + depth, 1e-6)
        spots = rng.standard_normal((14, 20)).astype(np.float32)
        seas = cv2.resize(spots, (2 * width, 2 * height), interpolation=cv2.INTER_CUBIC)
        light = light * (1 - 0.35 * _soft_step(seas - 0.3, 0.2)) * (depth > 0)
        small = light.astype(np.float32).reshape(height, 2, width, 2).mean((1, 3))
        return np.asarray(cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.8, 2))), np.float32)

    return replace(view, extra=shine)


def bright_holder(rng: Rng) -> View:
    """Bright cloud through a round holder, and no sun."""
    radius, soft = float(rng.uniform(450, 590)), float(rng.uniform(3, 60))

    def stop(light: Plane, rng: Rng) -> Plane:
        xs, ys = _grid(light)
        knots = rng.standard_normal((6, 8)).astype(np.float32)
        cloud = np.exp(0.4 * cv2.resize(knots, light.shape[::-1], interpolation=cv2.INTER_CUBIC))
        r = np.hypot(xs - light.shape[1] / 2, ys - light.shape[0] / 2)
        return np.asarray(
            rng.uniform(0.05, 0.5) * cloud * _soft_step(r - np.float32(radius), soft), np.float32
        )

    return replace(plain(rng, light=1.0, x=-5000.0, y=-5000.0), extra=stop)


CAMERA_NO_SUNS: dict[str, Make] = {"moon at a phase": moon_at_a_phase}
UNTOLD_NO_SUNS: dict[str, Make] = {"bright holder": bright_holder}
"""What nothing in a single frame tells from a sun behind cloud, where the lens is not known."""
