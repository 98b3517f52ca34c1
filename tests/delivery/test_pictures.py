"""The small picture of an alert, from what the journal has of its frame."""

from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from sentinel.chain.intake.decode import Picture
from sentinel.chain.notify.picture import AHEAD, LIMB
from sentinel.core.foreseen import Place
from sentinel.service.delivery.pictures import _grey, draw_scene
from sentinel.service.journal.rows import PictureScene
from sentinel.sky import Sun
from tests.forecasts import foreseen
from tests.notify.test_picture import NOON, airless, brightest, frame, has, rendered

LOST = frame(found=False)
SUN = Sun(airless().site)


def drawn(scene: PictureScene, *, target: bool = False) -> bytes:
    return draw_scene(rendered(LOST), scene, airless(), SUN, most_bytes=60_000, upright=False, target=target)


def test_a_lost_disc_is_drawn_where_the_forecast_expects_it_and_nowhere_without_one() -> None:
    place = Place(
        at_utc=NOON, to_px=(400.0, 600.0), right_widths=-2.2, up_widths=-0.6, gap_edge="bottom",
        gap_widths=2.0, tolerance_widths=0.5,
    )  # fmt: skip
    told = foreseen(time_utc=NOON, expected_px=(700.0, 500.0), expected_sigma_px=2.0, best_place=place)
    scene = PictureScene(frame=LOST, way=(), forecast=told)
    assert has(drawn(PictureScene(frame=LOST, way=(), forecast=None)), LIMB) == 0
    assert has(drawn(scene), LIMB) > 30
    assert has(drawn(scene, target=True), AHEAD) > has(drawn(scene), AHEAD)


def test_a_small_frame_is_drawn_from_all_of_its_pixels_and_a_large_one_from_fewer() -> None:
    header: Any = None
    for size, step in (((900, 1300), 1), ((4000, 6000), 3)):
        values = (np.arange(size[0] * size[1], dtype=np.uint32) % 251).reshape(size).astype(np.uint8)
        grey = _grey(Picture(values=values, full_scale=255.0, transfer="srgb", header=header))
        assert (grey == values[::step, ::step]).all()


def test_it_is_upright_where_that_is_asked_for_and_else_as_the_camera_stores_it() -> None:
    """At 70 degrees the zenith is some 20 degrees aside in the evening, the camera level with the equator."""
    evening = frame(NOON + timedelta(hours=6), 1300.0, 500.0)
    scene = PictureScene(frame=evening, way=(), forecast=None)
    places = [
        brightest(draw_scene(rendered(evening), scene, airless(), SUN, most_bytes=60_000, upright=upright))
        for upright in (True, False)
    ]
    assert places[1] == pytest.approx((1300 / 1500, 500 / 1000), abs=0.03)
    assert abs(places[0][1] - places[1][1]) > 0.05
