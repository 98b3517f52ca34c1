"""Kinds that another way of drawing brought up: low suns, suns that jump, what stands by plain ones."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, pi, sin

import cv2
import numpy as np

from tests.measure.kinds import ORANGE, Kind, plain
from tests.measure.openings import field
from tests.measure.second import Plane, Rng, View, linear_law

WIDTH, HEIGHT = 900, 600
WHITE = (1.0, 1.0, 1.0)


def _small(rng: Rng, **changes: object) -> View:
    given = {"width": WIDTH, "height": HEIGHT, "radius": float(rng.uniform(90, 200))} | changes
    return plain(rng, **given)


def _with(view: View, extra: Callable[[Plane, Rng], Plane]) -> View:
    return replace(view, extra=lambda light, rng: np.asarray(extra(light, rng), np.float32))


def _rows(light: Plane) -> tuple[Plane, Plane]:
    ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
    return xs, ys


def _shifted(light: Plane, dx: float, dy: float) -> Plane:
    way = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    return np.asarray(cv2.warpAffine(light, way, light.shape[::-1], flags=cv2.INTER_CUBIC))


def lit_hill(rng: Rng) -> View:
    """A rough hill in the sun's own colour of light cuts the disc, under a sky that is not black."""
    view = _small(rng, sky=float(rng.uniform(0.0, 0.15)))
    crest = view.y + view.radius * rng.uniform(-0.4, 0.7)

    def hide(light: Plane, rng: Rng) -> Plane:
        _, ys = _rows(light)
        rough = field(rng, (8, WIDTH), float(rng.uniform(40, 200)))[0] * rng.uniform(0.02, 0.12) * view.radius
        before = 1 / (1 + np.exp(np.clip((crest + rough - ys) / np.float32(1.2), -30, 30)))
        slope = float(rng.uniform(0, 0.15)) * np.abs(field(rng, light.shape, 60.0))
        return np.asarray(light * (1 - before) + slope * before)

    return _with(view, hide)


def flattened_by_a_fifth(rng: Rng) -> View:
    return _small(rng, squeezed=float(rng.uniform(0.15, 0.2)), squeezed_along=pi / 2, filter_rgb=ORANGE)


def sea_horizon(rng: Rng) -> View:
    """A flattened sun on the sea: what warm air over the water mirrors of it, and the water."""
    view = flattened_by_a_fifth(rng)
    horizon = np.float32(view.y + view.radius * rng.uniform(0.5, 0.75))
    foot = np.float32(view.radius * rng.uniform(0.03, 0.1))

    def mirror(light: Plane, _: Rng) -> Plane:
        xs, ys = _rows(light)
        seen = cv2.remap(light, xs, np.where(ys > horizon, 2 * horizon - ys, ys), cv2.INTER_LINEAR)
        water = np.clip((ys - horizon - foot) / 1.5, 0, 1)
        return np.asarray(seen * (1 - water) + 0.02 * water)

    return _with(view, mirror)


def jumped(rng: Rng) -> View:
    """The camera was knocked while the shutter was open; the place is the mean of where the sun was."""
    view = _small(rng)
    share, far, turn = rng.uniform(0.35, 0.65), rng.uniform(2, 5), rng.uniform(0, 2 * pi)

    def twice(light: Plane, _: Rng) -> Plane:
        dx, dy = far * cos(turn), far * sin(turn)
        first = _shifted(light, -(1 - share) * dx, -(1 - share) * dy)
        return share * first + (1 - share) * _shifted(light, share * dx, share * dy)

    return _with(view, twice)


def small_clouds(rng: Rng) -> View:
    """Broken clouds much smaller than the disc."""
    view = _small(rng, light=float(rng.uniform(0.5, 0.8)), filter_rgb=WHITE)

    def veil(light: Plane, rng: Rng) -> Plane:
        thick = rng.uniform(0.4, 1.2) * np.exp(rng.uniform(0.4, 0.8) * field(rng, light.shape, 60.0))
        return np.asarray(light * np.exp(-thick))

    return _with(view, veil)


def lit_snow(rng: Rng) -> View:
    """Flakes before the lens, lit, far out of focus; the sun is dimmer than it should be."""
    view = _small(rng, light=0.25, filter_rgb=WHITE, law=linear_law(0.35))

    def fall(light: Plane, rng: Rng) -> Plane:
        lit = np.zeros_like(light)
        for _ in range(rng.integers(10, 40)):
            at = (int(rng.integers(WIDTH)), int(rng.integers(HEIGHT)))
            cv2.circle(lit, at, int(rng.integers(5, 35)), float(rng.uniform(0.03, 0.3)), -1)
        return light + cv2.GaussianBlur(lit, (0, 0), 1.5)

    return _with(view, fall)


def mast(rng: Rng) -> View:
    """A near mast, soft and thick, before a dim disc that is little darkened."""
    view = _small(rng, light=0.25, filter_rgb=WHITE, law=linear_law(0.35))
    half, away, soft = rng.uniform(0.05, 0.15), rng.uniform(-0.5, 0.5), rng.uniform(2.0, 8.0)

    def stand(light: Plane, _: Rng) -> Plane:
        xs, _rest = _rows(light)
        across = np.abs((xs - view.x) - away * view.radius) - half * view.radius
        return np.asarray(light / (1 + np.exp(np.clip(-across / soft, -30, 30))))

    return _with(view, stand)


def tiny(rng: Rng) -> View:
    return _small(
        rng, radius=float(rng.uniform(10, 14)), spreads=((1.0, float(rng.uniform(1.3, 1.7))),), sky=0.001
    )


def far_out_of_focus(rng: Rng) -> View:
    """Every point a disc of a quarter of the sun's radius."""
    view = _small(rng, radius=float(rng.uniform(100, 160)))
    aperture = np.zeros((91, 91), np.float32)
    cv2.circle(aperture, (45, 45), round(0.24 * view.radius), 1.0, -1, cv2.LINE_AA)
    aperture /= aperture.sum()
    return _with(view, lambda light, _: np.asarray(cv2.filter2D(light, -1, aperture)))


LOW_KINDS = (
    Kind("lit hill", lit_hill, 0.3),
    Kind("flat by a fifth", flattened_by_a_fifth, 0.15),
    Kind("sea horizon", sea_horizon, 1.0),
    Kind("jumped", jumped, 1.0),
    Kind("small clouds", small_clouds, 1.0),
    Kind("lit snow", lit_snow, 0.1),
    Kind("mast", mast, 0.2),
    Kind("tiny", tiny, 0.1, 1.0),
    Kind("far out of focus", far_out_of_focus),
)
