"""Clocks that jump, wake up in the past, or stand in a camera."""

import random
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from sentinel.service.watch.timing import CameraOffset, WatchClock

T0 = datetime(2027, 6, 21, 1, tzinfo=UTC)


class Handed:
    """A clock whose two hands are set by hand."""

    def __init__(self) -> None:
        self.utc, self.s = T0, 100.0

    def now_utc(self) -> datetime:
        return self.utc

    def monotonic_s(self) -> float:
        return self.s

    def go(self, seconds: float, *, utc_s: float | None = None) -> None:
        self.s += seconds
        self.utc += timedelta(seconds=seconds if utc_s is None else utc_s)


def test_only_a_jump_is_a_step() -> None:
    clock = Handed()
    watch = WatchClock(clock)
    for _ in range(1000):
        clock.go(1.0, utc_s=1.0005)  # slewed as fast as clocks are
        assert watch.stepped_s() == 0.0
    clock.go(1.0, utc_s=-3599.0)
    assert watch.stepped_s() == pytest.approx(-3600.0)
    clock.go(1.0)
    assert watch.stepped_s() == pytest.approx(-3600.0)
    watch.follow()
    assert watch.stepped_s() == 0.0


def test_a_lifted_clock_goes_on_from_the_journals_end_until_it_hears_the_time() -> None:
    clock = Handed()
    lifted = WatchClock(clock)
    lifted.lift_to(T0 + timedelta(days=3))
    clock.go(60.0)
    assert lifted.now_utc() == T0 + timedelta(days=3, seconds=60)
    assert lifted.stepped_s() == 0.0
    clock.go(1.0, utc_s=3.5 * 86_400)
    assert lifted.stepped_s() == pytest.approx(3.5 * 86_400 - 1)
    before = T0 + timedelta(days=3, seconds=61)
    assert lifted.follow() == pytest.approx((clock.now_utc() - before).total_seconds())
    assert lifted.now_utc() == clock.now_utc()
    assert lifted.stepped_s() == 0.0


def test_a_clock_ahead_of_the_journal_is_not_lifted() -> None:
    clock = Handed()
    lifted = WatchClock(clock)
    lifted.lift_to(T0 - timedelta(days=3))
    lifted.lift_to(None)
    assert lifted.now_utc() == T0


def test_a_configured_offset_is_left_alone() -> None:
    offset = CameraOffset(37.4)
    offset.learn(-500.0)
    assert offset.current_s == offset.known_s == 37.4


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("true_s", [37.4, -3600.0, 0.0, 86_400.0])
def test_the_cameras_offset_is_found_from_arrivals(true_s: float, seed: int) -> None:
    """Transfer takes 1.5 s and a log-normal more, as a wireless adapter's does."""
    chance = random.Random(seed)
    offset = CameraOffset(None)
    assert (offset.current_s, offset.known_s) == (0.0, None)
    given = []
    for _ in range(200):
        offset.learn(true_s - 1.5 - chance.lognormvariate(0.0, 0.8))
        given.append(offset.current_s)
    assert abs(given[29] - true_s) < 2.0
    changes = sum(a != b for a, b in pairwise(given[10:]))
    assert changes <= 2, "times do not waver"


def test_what_an_earlier_run_found_stays_until_it_is_wrong() -> None:
    offset = CameraOffset(None, before_s=37.0)
    assert offset.current_s == offset.known_s == 37.0
    offset.learn(37.4 - 2.0)
    offset.learn(37.4 - 9.0)
    assert offset.current_s == 37.0
    offset.learn(97.0)
    assert offset.current_s == 98.0


def test_a_clock_set_back_is_followed_and_late_frames_are_not() -> None:
    offset = CameraOffset(None)
    for _ in range(30):
        offset.learn(10.0 - 2.0)
    for late_s in (400.0, 340.0, 280.0, 220.0, 160.0, 100.0, 40.0):
        offset.learn(10.0 - late_s)
    assert offset.current_s == pytest.approx(9.0)
    for _ in range(6):
        offset.learn(10.0 - 3600.0 - 2.0)
    assert offset.current_s == pytest.approx(9.0 - 3600.0)
    for _ in range(2):
        offset.learn(10.0 - 2.0)
    assert offset.current_s == pytest.approx(9.0), "set forward it is known at once"
    offset.restart()
    assert offset.known_s is None
