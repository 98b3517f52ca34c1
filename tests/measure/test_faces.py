"""Round bright things with a face of their own, of which nothing is known: moon, dial, ball, bubble, ring."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from sentinel.chain.measure import flags
from tests.measure.second import Plane, Rng, View, bright_rim, linear_law
from tests.measure.test_kinds import of, off

EMPTY = View(width=500, height=400, x=-5000.0, y=-5000.0, light=1.0)
BEYOND = 0.03
"""Light beside it."""
Drawn = Callable[[tuple[Plane, Plane, Plane], Rng], Plane]
"""Light at the places (x, y, z) of a half sphere whose limb is the disc's."""


def _seen(drawn: Drawn, seed: int) -> View:
    rng = np.random.default_rng([31, seed])
    radius, x, y = (float(rng.uniform(*span)) for span in ((50, 130), (180, 320), (160, 240)))

    def add(light: Plane, rng: Rng) -> Plane:
        ys, xs = np.mgrid[0 : 2 * light.shape[0], 0 : 2 * light.shape[1]].astype(np.float32)
        dx, dy = ((xs - 0.5) / 2 - x) / radius, ((ys - 0.5) / 2 - y) / radius
        inside = dx * dx + dy * dy < 1
        z = np.sqrt(np.maximum(1 - dx * dx - dy * dy, 0))
        fine = np.where(inside, drawn((dx, dy, z), rng), BEYOND).astype(np.float32)
        small = cv2.resize(fine, light.shape[::-1], interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.7, 1.4))), np.float32)

    return replace(EMPTY, extra=add, seed=seed)


def _moon(at: tuple[Plane, Plane, Plane], rng: Rng) -> Plane:
    """Full: as bright at the limb as within (Lommel and Seeliger's law without a phase), with its seas."""
    knots = rng.standard_normal((9, 11)).astype(np.float32)
    seas = cv2.resize(knots, at[0].shape[::-1], interpolation=cv2.INTER_CUBIC) > 0.3
    soft = cv2.GaussianBlur(seas.astype(np.float32), (0, 0), 10)
    return np.asarray(rng.uniform(0.3, 0.8) * (1 - 0.45 * soft), np.float32)


def _dial(at: tuple[Plane, Plane, Plane], rng: Rng) -> Plane:
    x, y, _ = at
    ink = np.zeros(x.shape, bool)
    for turn in np.arange(12) * np.pi / 6:
        along, across = x * np.cos(turn) + y * np.sin(turn), np.abs(y * np.cos(turn) - x * np.sin(turn))
        ink |= (across < 0.03) & (along > 0.7) & (along < 0.9)
    for length, width in ((0.5, 0.05), (0.8, 0.03)):
        turn = rng.uniform(0, 2 * np.pi)
        along, across = x * np.cos(turn) + y * np.sin(turn), np.abs(y * np.cos(turn) - x * np.sin(turn))
        ink |= (across < width) & (along > -0.1) & (along < length)
    return np.asarray(np.where(ink, 0.03, rng.uniform(0.4, 0.8)), np.float32)


def _ball(at: tuple[Plane, Plane, Plane], rng: Rng) -> Plane:
    """Lit from the side (Lambert's law), the rest by its surroundings."""
    x, y, z = at
    turn, height = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 0.8)
    to_light = x * np.cos(turn) * np.cos(height) + y * np.sin(turn) * np.cos(height) + z * np.sin(height)
    return np.asarray(rng.uniform(0.5, 0.8) * np.maximum(to_light, 0) + 0.08, np.float32)


def _bubble(at: tuple[Plane, Plane, Plane], rng: Rng) -> Plane:
    depth = (1 - np.hypot(at[0], at[1])) / rng.uniform(0.05, 0.12)
    return np.asarray(BEYOND + rng.uniform(0.3, 0.6) * np.exp(-np.maximum(depth, 0)), np.float32)


def _rimmed(at: tuple[Plane, Plane, Plane], rng: Rng) -> Plane:
    """A sign without writing: a darker ring about a bright face."""
    ring = np.hypot(at[0], at[1]) > rng.uniform(0.78, 0.86)
    return np.asarray(np.where(ring, 0.12, rng.uniform(0.5, 0.8)), np.float32)


@pytest.mark.parametrize("drawn", [_moon, _dial, _ball, _bubble])
def test_what_has_a_face_of_its_own_is_no_sun(drawn: Drawn) -> None:
    assert [seed for seed in range(4) if of(_seen(drawn, seed)).found] == []


def test_a_ring_about_an_even_face_is_no_darkening() -> None:
    discs = [of(_seen(_rimmed, seed)) for seed in range(4)]
    assert [disc for disc in discs if disc.found and flags.LIKE_A_LAMP not in disc.flags] == []


def _behind_haze(rng: Rng, view: View) -> View:
    """A bank of haze before the sun: the light changes across it, as it does across a ball."""
    turn, steep = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 1.0)

    def dim(light: Plane, _: Rng) -> Plane:
        ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
        across = ((xs - view.x) * np.cos(turn) + (ys - view.y) * np.sin(turn)) / view.radius
        return np.asarray(light * np.exp(-steep * across), np.float32)

    return replace(view, extra=dim)


def test_suns_that_share_a_mark_with_them_are_found() -> None:
    sun = replace(EMPTY, x=243.3, y=204.6, radius=110.0, light=0.6)
    rng = np.random.default_rng(32)
    flat, seamed = (replace(sun, law=law) for law in (linear_law(0.05), bright_rim(0.4)))
    rings = [replace(sun, noise=n, moon=(244.1, 203.9, r)) for r in (88.0, 99.0, 106.0) for n in (0.0, 0.01)]
    hard = replace(sun, law=linear_law(0.7), tone=2.0)
    hazy = [_behind_haze(rng, sun) for _ in range(4)]
    for view in (flat, seamed, hard, *rings, *hazy):
        assert off(of(view), view) < 0.1


def _hydrogen(at: tuple[Plane, Plane, Plane], rng: Rng) -> Plane:
    """Hardly darker by the limb, mottled by its network and plages, with filaments (from memory)."""
    x, y, z = at
    light = 1 - 0.15 * (1 - z)
    for scale, contrast in ((6.0, 0.08), (30.0, 0.06)):
        grain = cv2.GaussianBlur(rng.standard_normal(x.shape).astype(np.float32), (0, 0), scale)
        light *= 1 + contrast * grain / grain.std()
    for _ in range(8):
        turn, fx, fy = rng.uniform(0, np.pi), *rng.uniform(-0.6, 0.6, 2)
        along = (x - fx) * np.cos(turn) + (y - fy) * np.sin(turn)
        across = (y - fy) * np.cos(turn) - (x - fx) * np.sin(turn)
        light *= 1 - 0.35 * np.exp(-((along / 0.15) ** 2) - (across / 0.02) ** 2)
    return np.asarray(0.6 * light, np.float32)


def test_a_sun_in_the_light_of_hydrogen_is_found() -> None:
    """A strong, even limb is believed whatever lies within: the moon's seas are darker, and broader."""
    assert [seed for seed in range(4) if not of(_seen(_hydrogen, seed)).found] == []
