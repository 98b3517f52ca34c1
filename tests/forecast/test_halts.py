"""A drive that halts now and then: what has come again comes again, and no hour is promised past it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.halts import KEPT_S, Halt, Halts, halt_between
from sentinel.core.records import Forecast, Mark
from tests.forecast.test_changing_worlds import followed, seconds_late
from tests.worlds import happenings as h
from tests.worlds.run import Run
from tests.worlds.world import World

WEST_PX = complex(-300.0, 0.0)
"""The disc's way in a minute while the drive stands."""
AT_MIN = (60.0, 75.0, 90.0, 105.0)


def disc(minute: float, x_px: float, y_px: float = 0.0) -> TrackedDisc:
    return TrackedDisc(60.0 * minute, x_px, y_px, 240.0, 0.1)


def halt(minute: float, stood_s: float = 60.0, way_px: complex = WEST_PX) -> Halt:
    return Halt(60.0 * minute, stood_s, way_px)


def found(x_px: float, y_px: float, *, either_way: bool = False, minutes: float = 1.0) -> Halt | None:
    return halt_between(
        disc(0, 0.0), disc(minutes, x_px, y_px), complex(1.0, 0.0), minutes * WEST_PX, 3.0,
        either_way=either_way,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("x_px", "y_px", "stood_s"),
    [(-299.0, 0.0, 60.0), (-149.0, 5.0, 30.0), (-149.0, 60.0, None), (151.0, 0.0, None), (-500.0, 0.0, None)],
)
def test_a_halt_goes_the_skys_way_and_no_further(x_px: float, y_px: float, stood_s: float | None) -> None:
    one = found(x_px, y_px)
    assert (one.stood_s if one is not None else None) == pytest.approx(stood_s)


def test_where_the_camera_may_sit_the_other_way_up_east_may_be_west() -> None:
    one = found(151.0, 0.0, either_way=True)
    assert one is not None
    assert one.way_px == complex(150.0, 0.0)


def test_who_stood_for_long_had_stopped() -> None:
    assert found(-6000.0, 0.0, minutes=20.0) is None


def test_once_is_no_habit_and_what_has_come_again_fades() -> None:
    once = Halts().after(halt(0))
    assert once.going_on(60.0) == 0.0
    thrice = once.after(halt(12)).after(halt(20))
    likely = [thrice.going_on(60.0 * minute) for minute in (20, 30, 60, 120, 360)]
    assert likely[0] == pytest.approx(0.8)
    assert likely == sorted(likely, reverse=True)
    assert likely[-1] < 0.05
    assert thrice.after_visit().going_on(1200.0) == pytest.approx(0.4)
    assert len(thrice.after(halt(20 + KEPT_S / 60)).known) == 1
    # What went another way was somebody who put the disc elsewhere.
    assert len(thrice.after(halt(25, way_px=WEST_PX * 1j)).known) == 1


def test_only_what_is_done_at_the_mount_may_have_mended_it() -> None:
    twice = Halts().after(halt(0)).after(halt(12))
    at = datetime(2027, 6, 21, tzinfo=UTC)
    assert twice.after_mark(Mark(time_utc=at, kind="seen")) == twice
    assert twice.after_mark(Mark(time_utc=at, kind="recentred")).visited


def test_the_draws_lose_on_average_what_was_lost_and_only_westwards() -> None:
    known = Halts(tuple(halt(minute) for minute in range(0, 61, 6)))
    offsets_s = np.arange(0.0, 3601.0, 60.0)
    still = np.zeros((2, len(offsets_s), 4000))
    tracks = known.added_to(still, 3600.0, offsets_s)
    assert (tracks == known.added_to(still, 3600.0, offsets_s)).all()
    assert (np.diff(tracks[0], axis=0) <= 0).all()
    assert (tracks[1] == 0).all()
    going = tracks[0, -1] < -1e-9
    assert going.mean() == pytest.approx(0.8, abs=0.02)
    assert tracks[0, -1, going].mean() == pytest.approx(10 * WEST_PX.real, rel=0.1)
    assert (Halts().added_to(still, 0.0, offsets_s) == 0).all()
    # A clock that was set back: what is asked of a time before them is no fault.
    assert np.isfinite(known.added_to(still, -60.0, offsets_s)).all()


def told(at_min: tuple[float, ...], stood_min: float = 1.2) -> tuple[Run, list[tuple[int, Forecast]]]:
    world = World(seed=5, hours=2.0, across_deg=0.1, along_deg=-0.1, wind_arcsec=2.0, centre_px=0.05)
    rates = [
        h.Rate(at_h=(minute + after) / 60, arcsec_s=rate)
        for minute in at_min
        for after, rate in ((0.0, 0.0), (stood_min, 15.0))
    ]
    run = Run(replace(world, start_px=(4300.0, 2000.0)).with_happenings(*rates))
    return run, followed(run)


def test_from_the_second_halt_on_no_hour_is_promised_that_is_not_there() -> None:
    run, forecasts = told(AT_MIN)
    since = [(i, f) for i, f in forecasts if i > AT_MIN[1] + 8]
    assert all("halts" in forecast.flags for _, forecast in since)
    assert all(seconds_late(run, i, forecast) <= 60 for i, forecast in since)
    begun = since[-1][1].mount
    assert begun is not None
    assert begun.drift_changed_utc is not None
    first_utc = forecasts[0][1].time_utc + timedelta(minutes=AT_MIN[0])
    assert abs(begun.drift_changed_utc - first_utc) < timedelta(minutes=10)


def test_one_pause_of_the_drive_is_no_habit() -> None:
    _, forecasts = told(AT_MIN[:1])
    assert not any("halts" in forecast.flags for _, forecast in forecasts)
