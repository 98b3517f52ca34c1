"""What `measure` promises beside accuracy: pure, sceptical of priors, at home with every kind of number."""

from dataclasses import replace
from math import hypot

import numpy as np
import pytest

from sentinel.chain.measure import flags, measure
from sentinel.core.records import Disc
from tests.measure.scenes import Scene, develop, frame_of, render_linear

SCENE = Scene(width=900, height=640, x=430.37, y=301.81, radius=180.0)


def of(scene: Scene) -> Disc:
    return measure(frame_of(scene), transfer="srgb", full_scale=255.0)


def off(disc: Disc, scene: Scene = SCENE) -> float:
    return hypot(disc.x_px - scene.x, disc.y_px - scene.y)


def test_the_frame_is_not_changed_and_the_same_frame_gives_the_same_disc() -> None:
    values = frame_of(SCENE)
    before = values.copy()
    values.setflags(write=False)
    first = measure(values, transfer="srgb", full_scale=255.0)
    # As text: a number that is not known is like no other.
    assert repr(first) == repr(measure(values, transfer="srgb", full_scale=255.0))
    assert np.array_equal(values, before)


def test_sixteen_bits_and_floats_are_linear_light_as_well_as_srgb_is() -> None:
    light = render_linear(SCENE)
    deep = np.round(light * 65535).astype(np.uint16)
    for values, full in ((deep, 65535.0), (light, 1.0), (light * 4095, 4095.0), (light.astype(float), 1.0)):
        disc = measure(values, transfer="linear", full_scale=full)
        assert off(disc) < 0.01
        assert disc.radius_px == pytest.approx(SCENE.radius, abs=0.05)
        assert disc.brightness == pytest.approx(float(np.median(light[light > 0.1])), rel=0.02)


def test_blank_pixels_are_dark_and_said_so() -> None:
    light = render_linear(SCENE)
    light[light < 1e-4] = np.nan
    disc = measure(light, transfer="linear", full_scale=1.0)
    assert off(disc) < 0.02
    assert flags.BLANK_PIXELS in disc.flags


def test_an_image_that_is_not_contiguous_is_measured_like_any_other() -> None:
    values = frame_of(SCENE)
    colour = np.repeat(values[:, :, None], 3, axis=2)
    strided = measure(colour[:, :, 1], transfer="srgb", full_scale=255.0)
    assert repr(strided) == repr(measure(values, transfer="srgb", full_scale=255.0))
    flipped = measure(values[:, ::-1], transfer="srgb", full_scale=255.0)
    assert flipped.x_px == pytest.approx(values.shape[1] - 1 - SCENE.x, abs=0.02)


@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (7, 3), (40, 40)])
@pytest.mark.parametrize("level", [0, 128, 255])
def test_the_smallest_frames_hold_no_disc_and_do_no_harm(shape: tuple[int, int], level: int) -> None:
    assert not measure(np.full(shape, level, np.uint8), transfer="srgb", full_scale=255.0).found


def test_every_flag_that_is_set_stands_in_the_registry() -> None:
    scenes = [
        SCENE,
        replace(SCENE, x=20.0),
        replace(SCENE, ridge=0.2),
        replace(SCENE, flattening=0.05),
        replace(SCENE, level=3.0),
        replace(SCENE, blur=5.0),
        replace(SCENE, level=0.0),
    ]
    seen = {flag for scene in scenes for flag in of(scene).flags}
    assert seen <= set(flags.MEANING)
    assert {
        flags.CLIPPED,
        flags.COVERED,
        flags.FLATTENED,
        flags.OVEREXPOSED,
        flags.SOFT,
        flags.NO_LIGHT,
    } <= seen


def test_every_meaning_is_one_line() -> None:
    assert all(meaning and "\n" not in meaning for meaning in flags.MEANING.values())


@pytest.mark.parametrize("blur", [1.0, 2.0, 4.0])
def test_focus_moves_the_edge_width_and_not_the_radius(blur: float) -> None:
    disc = of(replace(SCENE, blur=blur, quality=None))
    # A pixel is a box of its own, whose variance of 1/12 adds to that of the blur.
    assert disc.edge_width_px == pytest.approx(2.5631 * np.sqrt(blur**2 + 1 / 12), rel=0.02)
    assert disc.radius_px == pytest.approx(SCENE.radius, abs=0.1)


def test_saturation_is_counted_in_the_disc() -> None:
    light = np.minimum(render_linear(replace(SCENE, level=1.15)), 1.0)
    disc = measure(develop(replace(SCENE, noise=0.0), light), transfer="srgb", full_scale=255.0)
    truth = float((light >= 0.999).sum() / (light > 0.05).sum())
    assert disc.saturated_fraction == pytest.approx(truth, abs=0.03)


def test_the_moon_takes_light_from_the_disc_but_not_its_place() -> None:
    scene = replace(SCENE, moon=0.5)
    disc = of(scene)
    assert off(disc, scene) < 0.1
    assert flags.COVERED in disc.flags
