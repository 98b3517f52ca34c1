"""Frames moved, turned and scaled: against suns drawn by formula, and against a general library."""

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from sentinel.jobs.steady import Crop, centred

SHAPE = (600, 900)
RADIUS_PX = 120.0
CROP = Crop.of_radii(400, 1.25, RADIUS_PX)
PLACES = ((450.0, 300.0), (437.13, 281.77), (612.5, 255.49), (250.98, 330.02))


def sun(centre: tuple[float, float], *, scale: float = 1.0, spot_deg: float | None = None) -> NDArray[Any]:
    """A soft-edged disc of levels up to 200, drawn by formula; a dark spot at 0.6 radii, by its angle."""
    y, x = np.mgrid[: int(SHAPE[0] / scale), : int(SHAPE[1] / scale)]
    x, y = (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5
    away = np.hypot(x - centre[0], y - centre[1])
    light = 200 / (1 + np.exp((away - RADIUS_PX) / 1.5))
    if spot_deg is not None:
        turn = np.radians(spot_deg)
        spot = centre[0] + 0.6 * RADIUS_PX * np.sin(turn), centre[1] - 0.6 * RADIUS_PX * np.cos(turn)
        light -= 120 * np.exp(-0.5 * ((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / 6**2)
    return np.asarray(light)


def centroid(light: NDArray[Any]) -> tuple[float, float]:
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    return float((light * x).sum() / light.sum()), float((light * y).sum() / light.sum())


def spot_place(light: NDArray[Any], without: NDArray[Any]) -> tuple[float, float]:
    return centroid(np.clip(without - light, 0, None))


@pytest.mark.parametrize("centre", PLACES)
@pytest.mark.parametrize("up_deg", [0.0, 17.3, -90.0, 178.0])
def test_the_disc_comes_to_the_middle_to_a_hundredth_of_a_pixel(
    centre: tuple[float, float], up_deg: float
) -> None:
    shown = centred(sun(centre), centre, up_deg, CROP)
    assert shown.shape == (400, 400)
    assert centroid(shown) == pytest.approx((CROP.middle_px, CROP.middle_px), abs=0.01)


@pytest.mark.parametrize("up_deg", [0.0, 25.0, -130.0])
def test_what_pointed_the_way_of_up_is_above_the_middle(up_deg: float) -> None:
    centre = PLACES[1]
    plain = centred(sun(centre), centre, up_deg, CROP)
    x, y = spot_place(centred(sun(centre, spot_deg=up_deg), centre, up_deg, CROP), plain)
    assert x == pytest.approx(CROP.middle_px, abs=0.02)
    assert y == pytest.approx(CROP.middle_px - 0.6 * RADIUS_PX / CROP.frame_px, abs=0.02)


def test_a_crop_knows_where_a_place_in_the_frame_falls() -> None:
    centre, up_deg, turn = PLACES[2], 41.0, np.radians(100.0)
    plain = centred(sun(centre), centre, up_deg, CROP)
    found = spot_place(centred(sun(centre, spot_deg=100.0), centre, up_deg, CROP), plain)
    place = centre[0] + 0.6 * RADIUS_PX * np.sin(turn), centre[1] - 0.6 * RADIUS_PX * np.cos(turn)
    assert CROP.at(centre, up_deg, place) == pytest.approx(found, abs=0.02)


def test_a_frame_decoded_smaller_gives_the_same_place() -> None:
    """Each of its pixels is the mean of a square: their centres lie between the frame's."""
    centre = PLACES[3]
    crop = Crop.of_radii(200, 1.25, RADIUS_PX)
    small = sun(centre).reshape(SHAPE[0] // 2, 2, SHAPE[1] // 2, 2).mean(axis=(1, 3))
    assert centroid(centred(small, centre, 33.0, crop, step=2)) == pytest.approx((99.5, 99.5), abs=0.01)


def test_many_pixels_to_one_are_averaged_not_picked() -> None:
    """A pattern of single pixels must come out as its mean, wherever the disc stands."""
    frame = np.indices(SHAPE).sum(axis=0) % 2 * 200.0
    for centre in PLACES:
        shown = centred(frame, centre, 0.0, Crop(100, 2.6))
        assert shown == pytest.approx(100, abs=1)
    crop = Crop.of_radii(60, 1.5, RADIUS_PX)
    assert crop.frame_px > 5
    assert centroid(centred(sun(PLACES[1]), PLACES[1], 70.0, crop)) == pytest.approx((29.5, 29.5), abs=0.01)


@pytest.mark.parametrize("order", [1, 3])
def test_a_general_library_moves_the_pixels_to_the_same_places(order: int) -> None:
    rng = np.random.default_rng(5)
    noise = rng.uniform(0, 255, (*SHAPE, 3)).astype(np.float32)
    frame: NDArray[Any] = cv2.GaussianBlur(noise, (0, 0), 4)
    centre, up_deg = PLACES[1], 63.0
    ours = centred(frame, centre, up_deg, CROP, order=order)
    # Turned counter-clockwise as seen by the angle of up.
    matrix = cv2.getRotationMatrix2D(centre, up_deg, 1 / CROP.frame_px)
    matrix = np.asarray(matrix) + np.array(
        [[0, 0, CROP.middle_px - centre[0]], [0, 0, CROP.middle_px - centre[1]]]
    )
    theirs = cv2.warpAffine(frame, matrix, (400, 400), flags=cv2.INTER_CUBIC)
    assert abs(ours - theirs)[50:-50, 50:-50].max() < 0.6


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float64])
def test_levels_of_any_kind_stay_what_they_are_and_the_frame_is_not_touched(kind: type) -> None:
    frame: NDArray[Any] = sun(PLACES[0]).astype(kind)
    before = frame.copy()
    shown = centred(frame, PLACES[0], 12.0, CROP)
    assert shown.max() == pytest.approx(frame.max(), abs=1)
    assert (frame == before).all()


def test_what_lies_outside_the_frame_is_filled() -> None:
    frame = np.full((*SHAPE, 3), 90, np.uint8)
    shown = centred(frame, (0.0, 300.0), 0.0, CROP, outside=7.0)
    assert shown[200, 20] == pytest.approx([7, 7, 7])
    assert shown[200, 380] == pytest.approx([90, 90, 90])
    assert (centred(frame, (5000.0, -900.0), 30.0, CROP, outside=7.0) == 7).all()
