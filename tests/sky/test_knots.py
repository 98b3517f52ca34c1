"""The interpolation between exact knots: any order of times, any shape, bounded memory."""

import numpy as np
import pytest

from sentinel.core.times import DAY_S
from sentinel.sky import knots
from sentinel.sky.arrays import Array
from sentinel.sky.knots import Knots


def wave(utc_s: Array) -> Array:
    angle = 2 * np.pi * utc_s / DAY_S
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


class Counting:
    def __init__(self) -> None:
        self.days: list[float] = []

    def __call__(self, utc_s: Array) -> Array:
        self.days.append(float(np.median(utc_s)) // DAY_S)
        return wave(utc_s)


def test_a_daily_rotation_is_interpolated_to_a_thousandth_of_an_arcsecond() -> None:
    times = np.random.default_rng(1).uniform(0, 30 * DAY_S, 5000)
    error = np.abs(Knots(wave)(times) - wave(times)).max()
    assert error < np.radians(0.001 / 3600)


def test_the_joint_between_days_is_as_good_as_the_middle() -> None:
    times = 5 * DAY_S + np.linspace(-1400, 1400, 281)
    error = np.abs(Knots(wave)(times) - wave(times)).max()
    assert error < np.radians(0.001 / 3600)


def test_order_and_shape_of_the_times_do_not_matter() -> None:
    knots_ = Knots(wave)
    times = np.random.default_rng(2).uniform(-2 * DAY_S, 3 * DAY_S, (4, 5))
    together = knots_(times)
    assert together.shape == (4, 5, 2)
    assert np.array_equal(knots_(times[::-1]), together[::-1])
    one_by_one = np.array([[knots_(time) for time in row] for row in times])
    assert np.allclose(one_by_one, together, rtol=0, atol=1e-12)
    assert knots_(np.empty(0)).shape == (0, 2)


def test_a_day_is_computed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(knots, "DAYS_KEPT", 3)
    exact = Counting()
    knots_ = Knots(exact)
    for time in np.linspace(0, 2.9 * DAY_S, 50):
        knots_(time)
    assert exact.days == [0, 1, 2]
    # A fourth day pushes the first out; asking for that again gives what it gave.
    before = knots_(100.0)
    knots_(3.5 * DAY_S)
    assert np.array_equal(knots_(100.0), before)
    assert exact.days == [0, 1, 2, 3, 0]


@pytest.mark.parametrize("time", [np.nan, np.inf])
def test_a_time_that_is_none_is_refused(time: float) -> None:
    with pytest.raises(ValueError, match=r"finite|NaN|infinity"):
        Knots(wave)(time)
    with pytest.raises(ValueError, match="finite"):
        Knots(wave)(np.array([0.0, time]))
