"""Discs that are not alone: lamps, reflections that lie across each other; and half a filter that is gone."""

from dataclasses import replace
from math import hypot

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from sentinel.chain.measure import ExpectedDisc, flags
from tests.measure.second import Ghost, Plane, Rng, View, linear_law
from tests.measure.test_kinds import of, off

NIGHT = View(width=900, height=600, x=-5000.0, y=-5000.0, light=1.0)


def _lamps(rng: Rng) -> View:
    """Three to five burnt-out globes of like sizes, each in its own halo."""
    size = float(np.exp(rng.uniform(np.log(18), np.log(55))))

    def add(light: Plane, rng: Rng) -> Plane:
        ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
        for _ in range(rng.integers(3, 6)):
            radius = np.float32(size * rng.uniform(0.7, 1.4))
            r = np.hypot(xs - rng.uniform(80, 820), ys - rng.uniform(80, 520)).astype(np.float32)
            edge = np.float32(1.0 + rng.uniform(0.02, 0.08) * radius)
            globe = np.float32(rng.uniform(1, 4)) / (1 + np.exp(np.clip((r - radius) / edge * 1.7, -30, 30)))
            halo = np.float32(rng.uniform(0.12, 0.4)) * np.exp(-np.maximum(r - radius, 0) / radius)
            light = light + globe + halo
        return light

    return replace(NIGHT, seed=int(rng.integers(1 << 30)), extra=add)


def test_of_several_lamps_that_run_over_none_is_the_sun() -> None:
    assert [i for i in range(8) if of(_lamps(np.random.default_rng([21, i]))).found] == []


def _ghost(x: float, y: float, radius: float, share: float) -> Ghost:
    return Ghost(x=x, y=y, radius=radius, share=share, blur=2.9, law=linear_law(0.0))


TWO_ACROSS = replace(
    NIGHT,
    x=179.2,
    y=170.7,
    radius=65.2,
    light=0.8,
    ghosts=(_ghost(667.4, 419.5, 88.1, 0.3), _ghost(719.0, 453.2, 66.0, 0.25)),
)
THREE_ACROSS = replace(
    NIGHT,
    x=378.7,
    y=183.9,
    radius=79.4,
    light=0.8,
    ghosts=(
        _ghost(491.0, 390.1, 79.4, 0.25),
        _ghost(490.4, 362.5, 109.6, 0.3),
        _ghost(562.8, 447.6, 79.4, 0.2),
    ),
)


@pytest.mark.parametrize("view", [TWO_ACROSS, THREE_ACROSS])
@pytest.mark.parametrize("known", [False, True])
def test_reflections_across_each_other_hide_no_smaller_sun(view: View, known: bool) -> None:
    disc = of(view, ExpectedDisc(radius_px=view.radius, share=0.06) if known else None)
    assert off(disc, view) < 0.1
    assert known or flags.SECOND_DISC in disc.flags


def _half_a_filter(rng: Rng) -> View:
    radius, turn = float(rng.uniform(70, 150)), float(rng.uniform(0, 2 * np.pi))
    x, y = float(rng.uniform(170, 730)), float(rng.uniform(170, 430))
    gone = float(rng.uniform(3, 40))

    def add(light: Plane, _: Rng) -> Plane:
        ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
        across = ((xs - x) * np.cos(turn) + (ys - y) * np.sin(turn)) / radius
        return np.asarray(light * (1 + gone * np.clip(0.5 + across / 2, 0, 1)), np.float32)

    return replace(
        NIGHT, x=x, y=y, radius=radius, light=0.5, glow=0.02, extra=add, seed=int(rng.integers(1 << 30))
    )


def test_where_half_a_filter_is_gone_the_doubt_reaches_as_far_as_the_foot_of_the_limb_was_moved() -> None:
    for i in range(6):
        view = _half_a_filter(np.random.default_rng([22, i]))
        disc = of(view)
        assert disc.found, i
        assert hypot(disc.x_px - view.x, disc.y_px - view.y) < 4 * disc.centre_sigma_px, i


def _over_the_sea(rng: Rng) -> View:
    """An overexposed sun in its glow over water that glitters: glints are wide, flat, and burnt out."""
    radius, x, y = float(rng.uniform(45, 80)), float(rng.uniform(200, 700)), float(rng.uniform(100, 200))
    shore = y + 1.5 * radius

    def add(light: Plane, rng: Rng) -> Plane:
        ys, xs = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
        flat = rng.standard_normal((light.shape[0] // 2, light.shape[1] // 15)).astype(np.float32)
        waves = cv2.resize(flat, light.shape[::-1], interpolation=cv2.INTER_LINEAR)
        path = np.exp(-0.5 * ((xs - x) / (radius + 0.5 * (ys - shore))) ** 2)
        return np.asarray(np.where(ys > shore, 0.01 + (waves > 1.2) * path, light), np.float32)

    return replace(
        NIGHT, x=x, y=y, radius=radius, light=3.0, glow=0.08, extra=add, seed=int(rng.integers(1 << 30))
    )


def test_glitter_is_no_lamp_beside_an_overexposed_sun() -> None:
    for i in range(5):
        view = _over_the_sea(np.random.default_rng([23, i]))
        assert off(of(view), view) < 1.0, i


def test_hot_pixels_outshine_no_sun() -> None:
    view = replace(NIGHT, x=431.2, y=287.6, radius=80.0, light=0.5, seed=24)

    def heat(codes: NDArray[np.uint8], rng: Rng) -> NDArray[np.uint8]:
        codes = codes.copy()
        codes[rng.integers(0, view.height, 6000), rng.integers(0, view.width, 6000)] = 255
        return codes

    disc = of(replace(view, kept=heat))
    assert off(disc, view) < 0.2
    assert flags.LIKE_A_LAMP not in disc.flags
