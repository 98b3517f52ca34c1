"""The measuring room against rendered frames of every kind it answers for."""

from math import hypot

import numpy as np
import pytest

from sentinel.chain.measure import measure
from tests.measure.nothings import NOTHINGS
from tests.measure.rows import ROWS, TONES, Row
from tests.measure.scenes import Scene, frame_of

OPAQUE = {"ridge", "ridge, half", "cable", "eclipse 40 %", "eclipse 85 %"}
"""Rows in which something opaque covers the limb, so that the truth of the coverage is known."""


def check(row: Row, scene: Scene) -> float:
    """Measure a scene, hold it against the row's limits, and return its error over its sigma."""
    disc = measure(frame_of(scene), transfer="srgb", full_scale=255.0)
    assert disc.found, disc
    error = hypot(disc.x_px - scene.x, disc.y_px - scene.y)
    assert error < row.centre_px
    assert disc.radius_px == pytest.approx(scene.radius, abs=row.radius_px)
    assert disc.limb_in_frame == pytest.approx(scene.limb_in_frame, abs=0.01)
    assert disc.limb_coverage <= disc.limb_in_frame
    if row.name in OPAQUE:
        assert disc.limb_coverage == pytest.approx(scene.limb_visible, abs=0.05)
    return error / disc.centre_sigma_px


@pytest.mark.parametrize("row", [*ROWS, *TONES], ids=lambda row: row.name)
def test_a_frame_of_each_kind_is_measured_within_its_limits(row: Row) -> None:
    check(row, row.make(np.random.default_rng(20)))


@pytest.mark.slow
@pytest.mark.parametrize("row", [*ROWS, *TONES], ids=lambda row: row.name)
def test_more_frames_of_each_kind(row: Row) -> None:
    for seed in range(3):
        check(row, row.make(np.random.default_rng([40, seed])))


@pytest.mark.slow
def test_the_uncertainty_of_the_centre_is_honest_over_all_kinds() -> None:
    ratios = [check(row, row.make(np.random.default_rng([60, i]))) for i in range(4) for row in ROWS]
    rms = float(np.sqrt(np.mean(np.square(ratios))))
    # The distance from the truth, and each coordinate's share of it, must both lie between 0.7 and 1.5 sigma.
    assert 0.7 < rms / np.sqrt(2) < rms < 1.5


@pytest.mark.slow
def test_a_full_size_frame_is_as_good_as_a_small_one() -> None:
    for x, y in ((500.3, 480.6), (5511.9, 3500.2), (2900.5, 2100.4)):
        check(ROWS[0], Scene(width=6000, height=4000, x=x, y=y, spots=8, dust=8))


@pytest.mark.parametrize("kind", NOTHINGS)
def test_nothing_is_found_where_there_is_no_sun(kind: str) -> None:
    disc = measure(NOTHINGS[kind](np.random.default_rng(3)), transfer="srgb", full_scale=255.0)
    assert not disc.found
    assert np.isnan(disc.x_px)
    assert disc.limb_in_frame == disc.limb_coverage == 0.0
    assert 0.0 <= disc.brightness <= 1.0
    assert disc.flags


@pytest.mark.slow
@pytest.mark.parametrize("kind", NOTHINGS)
def test_nothing_is_found_in_more_of_the_same(kind: str) -> None:
    found = [
        seed
        for seed in range(6)
        if measure(NOTHINGS[kind](np.random.default_rng([5, seed])), transfer="srgb", full_scale=255.0).found
    ]
    assert found == []


ONCE_LOST = [
    ("patchy cloud", (40, 1)),
    ("patchy cloud", (1, 14)),
    ("patchy cloud", (5, 10)),
    ("patchy cloud", (1, 7)),
    ("caption", (1, 10)),
]
ONCE_FOUND = [
    ("white-out", (77, 29)), ("cloud glow", (77, 22)), ("cloud glow", (77, 39)), ("landscape", (77, 4)),
    ("landscape", (78, 23)), ("landscape", (78, 24)), ("landscape", (78, 25)), ("landscape", (78, 33)),
    ("lens flare", (77, 34)), ("lens flare", (78, 3)), ("lens flare", (78, 36)),
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("name", "seed"), ONCE_LOST)
def test_discs_that_clutter_once_hid(name: str, seed: tuple[int, int]) -> None:
    row = next(row for row in ROWS if row.name == name)
    check(row, row.make(np.random.default_rng(seed)))


@pytest.mark.parametrize(("name", "seed"), [("ridge", (201, 10)), ("eclipse 85 %", (201, 21))])
def test_stretches_of_limb_that_agree_by_chance_make_nothing_sure(name: str, seed: tuple[int, int]) -> None:
    # These were off by 5.9 and 4.2 sigma.
    row = next(row for row in ROWS if row.name == name)
    assert check(row, row.make(np.random.default_rng(seed))) < 3


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "seed"), ONCE_FOUND)
def test_what_was_once_taken_for_the_sun(kind: str, seed: tuple[int, int]) -> None:
    assert not measure(NOTHINGS[kind](np.random.default_rng(seed)), transfer="srgb", full_scale=255.0).found


@pytest.mark.slow
def test_a_circle_too_small_for_its_own_blur_is_no_accident() -> None:
    # One of these frames once sent the consensus a band narrower than its own step.
    for seed in range(40):
        measure(
            NOTHINGS["moon's face unlit"](np.random.default_rng([78, seed])),
            transfer="srgb",
            full_scale=255.0,
        )
