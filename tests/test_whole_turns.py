"""An axis that is unwound and points at the sun again: whole turns come off, as the next limit is told."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from sentinel.chain.forecast.turning import Turning
from sentinel.chain.forecast.visits import SuppliesUsed, axis_limit_due
from sentinel.chain.judge.jobs import agenda_of
from sentinel.core.foreseen import Due
from sentinel.core.records import Mark
from sentinel.core.settings import Mount, Settings
from sentinel.core.times import utc_s
from tests.forecasts import foreseen, mount_of
from tests.judge.tracks import Watch

BEGIN = datetime(2027, 6, 18, 0, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def settings(**mount: object) -> Settings:
    return Watch(mount=mount).settings


def position_deg(start_deg: float, hours: float, limit_deg: float) -> float | None:
    """Return where an axis stands that points at the sun and has been unwound as far as it goes.

    By the clock alone: 15 degrees an hour, and all places a whole turn apart; None: none is in reach.
    """
    places = (start_deg + 15.0 * hours + 360.0 * k for k in range(-9, 9))
    return min((one for one in places if 0 <= one < limit_deg), default=None)


@pytest.mark.parametrize("limit_deg", [200.0, 330.0, 360.0, 365.0, 400.0, 540.0, 720.0, 800.0])
@pytest.mark.parametrize("start_deg", [0.0, 40.0, 505.0])
@pytest.mark.parametrize("hours", [0.5, 7.0, 13.0, 23.9, 24.1, 30.0, 47.0])
def test_no_limit_is_promised_for_later_than_it_comes(
    limit_deg: float, start_deg: float, hours: float
) -> None:
    told = settings(axis_limit_deg=limit_deg, axis_start_deg=start_deg)
    at = BEGIN + hours * HOUR
    used = SuppliesUsed.begun(utc_s(BEGIN), told).marked(Mark(time_utc=at, kind="unwound"), told.mount)
    limit_s = axis_limit_due(told, used, utc_s(at), 1.0, Turning())
    assert limit_s is not None
    still_deg = position_deg(start_deg, hours, limit_deg)
    turned = start_deg + 15.0 * hours
    if still_deg is None or turned < 360:
        # Nowhere in reach, or back beyond where it began: not a whole travel more.
        still_deg = 0.0
    assert (limit_s - utc_s(at)) / 3600 == pytest.approx((limit_deg - still_deg) / 15, abs=1e-6)


def test_the_list_promises_no_more() -> None:
    """At 505 degrees of 540 a turn leaves 145: the limit comes a day after the one that is due."""
    watch = Watch(mount={"axis_limit_deg": 540.0})
    due = watch.now + timedelta(hours=35 / 15)
    last = foreseen(
        time_utc=watch.now, seen_utc=watch.now, axis_turned_deg=505.0, axis_unwound_deg=145.0,
        due=(Due(time_utc=due, reason="axis-limit"),),
    )  # fmt: skip
    for later in (0, 10):
        (job,) = agenda_of(last, watch.settings, watch.now + timedelta(minutes=later)).jobs
        assert job.lasts_until_utc is not None
        assert abs(job.lasts_until_utc - due - 24 * HOUR) < timedelta(seconds=1)
    fresh = replace(last, mount=replace(mount_of(last), axis_unwound_deg=0.0))
    (job,) = agenda_of(fresh, watch.settings, watch.now).jobs
    assert job.lasts_until_utc == watch.now + 36 * HOUR


def test_a_mount_parked_by_night_keeps_its_count() -> None:
    assert Mount(axis_limit_deg=540.0, parked_at_night=True).unwound_deg(505.0) == 0.0
