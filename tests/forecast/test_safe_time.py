"""The time by which 1 % have left, by whatever may be wrong with place or clock: the earliest."""

from types import SimpleNamespace
from typing import Any

import numpy as np

from sentinel.chain.forecast.exits import Frame, first_exits
from sentinel.chain.forecast.summary import _safe_s
from sentinel.chain.forecast.sun_path import SunUp
from sentinel.sky.arrays import Array, Bools

FRAME = Frame(600, 400, margin_px=0.0)
OFFSETS_S: Array = 60.0 * np.arange(11, dtype=np.float64)
RADIUS_PX = 50.0
LONG: Bools = np.ones(11, dtype=bool)


def sun_up(up: Bools) -> SunUp:
    return SunUp(OFFSETS_S, up, np.zeros(11))


def track(px_min: float) -> tuple[Array, Array]:
    """Return 5 draws that all go to the right from the middle, x and y (n, draws)."""
    x_px = 300.0 + px_min * OFFSETS_S[:, None] / 60 + np.zeros(5)
    return x_px, np.full(x_px.shape, 200.0)


def safe_s(
    *,
    possible: tuple[float, ...] = (),
    possible_up: Bools | None = None,
    up: Bools = LONG,
    departed: bool = False,
) -> float:
    """Return the safe time of a disc that goes 30 px a minute, 249.5 px from the edge."""
    day = sun_up(up)
    other_day = day if possible_up is None else sun_up(possible_up)
    room_px = FRAME.room_px(*track(30.0), RADIUS_PX)
    inputs: Any = SimpleNamespace(
        possible_day=other_day, possible_px=[track(one) for one in possible], frame=FRAME,
        departure=SimpleNamespace() if departed else None,
    )  # fmt: skip
    view: Any = SimpleNamespace(sun_ahead=SimpleNamespace(day=day), radius_px=np.full(11, RADIUS_PX))
    return _safe_s(inputs, view, room_px, first_exits(room_px, day), None)


def test_it_is_the_disc_s_own_where_nothing_else_is_possible() -> None:
    assert safe_s() == 249.5 / 30 * 60


def test_a_sun_that_may_stand_elsewhere_and_leaves_sooner_makes_it_earlier() -> None:
    assert safe_s(possible=(60.0,)) == 249.5
    assert safe_s(possible=(10.0, 60.0, 20.0)) == safe_s(possible=(60.0,))


def test_one_that_leaves_later_makes_it_no_later() -> None:
    assert safe_s(possible=(10.0,)) == safe_s()


def test_a_sun_that_may_be_up_where_the_settings_have_night_leaves_all_the_same() -> None:
    night = OFFSETS_S < 240
    assert safe_s(up=night) == np.inf
    assert safe_s(up=night, possible_up=LONG) == safe_s()


def test_a_mount_that_has_let_the_sun_go_is_not_asked_where_else_it_may_stand() -> None:
    assert safe_s(possible=(60.0,), departed=True) == safe_s()
