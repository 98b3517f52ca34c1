"""What runs out: the arithmetic by hand."""

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.chain.forecast.turning import Turning, turning_of
from sentinel.chain.forecast.visits import SuppliesUsed, axis_limit_due
from sentinel.core.times import parse_utc, utc_s
from sentinel.jobs.plan import due
from sentinel.jobs.plan.records import Gap, HourAngle, Plan, SupplyRenewal
from sentinel.jobs.plan.sunlight import sunlight
from sentinel.sky import Sun
from tests.plan.trips import planned, settings, trip


def renewals(begin: str, end: str, **sections: Any) -> dict[str, SupplyRenewal]:
    told = settings(**sections)
    return {one.what: one for one in due.renewals(told, trip(begin, end, told), Turning())}


def at(text: str) -> datetime:
    return parse_utc(text)


def test_a_timer_of_999_at_60_s_ends_after_16_h_39_min() -> None:
    """999 minutes: arithmetic, and the operator's usual surprise."""
    timer = renewals("2027-06-18", "2027-06-22", supplies={"timer_frames": 999})["timer"]
    assert timer.first_due_utc == at("2027-06-18T16:39:00Z")
    assert timer.every_h * 60 == pytest.approx(999)
    # 120 h are 7200 minutes: 999 fits 7 times, so it is started anew 7 times.
    assert timer.times == 7


def test_9999_at_60_s_are_nearly_seven_days() -> None:
    timer = renewals("2027-06-18", "2027-06-24", supplies={"timer_frames": 9999})["timer"]
    assert timer.first_due_utc == at("2027-06-24T22:39:00Z")
    assert timer.times == 1
    assert renewals("2027-06-18", "2027-06-23", supplies={"timer_frames": 9999})["timer"].times == 0


def test_batteries_and_card() -> None:
    supplies = {"camera_battery_h": 12.0, "mount_battery_h": 40.0, "card_frames": 3000}
    found = renewals("2027-06-18", "2027-06-22", supplies=supplies, camera={"interval_s": 30.0})
    assert found["battery"].first_due_utc == at("2027-06-18T12:00:00Z")
    # After 12, 24, ... 108 h; what ends just with the trip need not be renewed.
    assert found["battery"].times == 9
    assert found["mount-battery"].times == 2
    assert found["card"].first_due_utc == at("2027-06-19T01:00:00Z")
    assert found["card"].times == 4
    assert list(found) == ["battery", "axis-limit", "card", "mount-battery"]


@pytest.mark.parametrize(
    ("mount", "first", "every_h"),
    [
        ({}, "2027-06-19T00:00:00Z", 24.0),
        ({"axis_limit_deg": 330.0, "axis_start_deg": 40.0}, "2027-06-18T19:20:00Z", 22.0),
        ({"axis_limit_deg": 180.0, "axis_start_deg": -90.0}, "2027-06-18T18:00:00Z", 12.0),
        ({"axis_limit_deg": 90.0, "axis_start_deg": 100.0}, "2027-06-18T00:00:00Z", 6.0),
        # Of more than a turn whole turns come off, for the axis is to point at the sun again.
        ({"axis_limit_deg": 540.0}, "2027-06-19T12:00:00Z", 24.0),
        ({"axis_limit_deg": 400.0, "axis_start_deg": 385.0}, "2027-06-18T01:00:00Z", 24.0),
        ({"axis_limit_deg": 720.0}, "2027-06-20T00:00:00Z", 48.0),
        ({"axis_limit_deg": 540.0, "parked_at_night": True}, "2027-06-19T12:00:00Z", 36.0),
        # A sidereal day is 86164.0905 s (Aoki et al. 1982).
        ({"tracking": "sidereal"}, "2027-06-18T23:56:04Z", 86_164.0905 / 3600),
    ],
)
def test_the_axis_turns_15_degrees_an_hour(mount: dict[str, object], first: str, every_h: float) -> None:
    axis = renewals("2027-06-18", "2027-06-22", mount=mount)["axis-limit"]
    assert axis.first_due_utc is not None
    assert abs(axis.first_due_utc - at(first)) < timedelta(seconds=1)
    assert axis.every_h == pytest.approx(every_h, rel=1e-6)


def test_the_watch_counts_the_turning_of_a_parked_drive_as_the_plan_does() -> None:
    """At 47 N the sun is up for some 16 h in June: in four days and nights the axis turns for 64 of 96 h."""
    told = settings(47.0, 0.0, mount={"parked_at_night": True, "axis_limit_deg": 720.0})
    sun, noon = Sun(told.site), utc_s(at("2027-06-18T12:00:00Z"))
    used = SuppliesUsed.begun(noon, told)
    turning = turning_of(told, sun, noon, noon + 6 * 86_400)
    days_deg = used.axis_turned_deg(noon + 4 * 86_400, 1.0, turning)
    assert days_deg == pytest.approx(4 * 16.0 * 15, abs=15)
    due_s = axis_limit_due(told, used, noon, 1.0, turning)
    assert due_s is not None
    assert used.axis_turned_deg(due_s, 1.0, turning) == pytest.approx(720.0, abs=1e-6)
    assert axis_limit_due(told, used, noon, 1.0, Turning()) == noon + 48 * 3600
    # What is overdue keeps its time.
    late = axis_limit_due(told, used, due_s + 3600, 1.0, turning)
    assert late == pytest.approx(due_s, abs=12 * 3600)
    assert late is not None
    assert late <= due_s + 1


def test_a_ridge_parks_no_drive() -> None:
    ridge = [[150, 0], [170, 70], [190, 70], [210, 0]]
    told = settings(47.0, 0.0, mount={"parked_at_night": True})
    hidden = settings(47.0, 0.0, mount={"parked_at_night": True}, site={"horizon": ridge})
    begin = utc_s(at("2027-06-18T00:00:00Z"))
    (span,) = turning_of(hidden, Sun(hidden.site), begin, begin + 86_400).spans
    (flat,) = turning_of(told, Sun(told.site), begin, begin + 86_400).spans
    assert span == pytest.approx(flat, abs=1)


@pytest.mark.parametrize("mount", [{"axis_limit_deg": None}, {"tracking": "none"}])
def test_an_axis_without_a_limit_or_a_drive(mount: dict[str, object]) -> None:
    assert "axis-limit" not in renewals("2027-06-18", "2027-06-22", mount=mount)


def unwound(begin: str, end: str, latitude_deg: float, **mount: object) -> list[tuple[str, str, bool]]:
    told = settings(latitude_deg, 0.0, mount=mount)
    asked = trip(begin, end, told)
    gaps = sunlight(Sun(told.site), asked).gaps
    (axis,) = due.renewals(told, asked, Turning())
    found = due.unwindings(told, asked, gaps, axis, Turning())
    return [(f"{w.from_utc:%d %H:%M}", f"{w.by_utc:%d %H:%M}", w.in_gap) for w in found]


def test_under_a_midnight_sun_the_axis_is_unwound_in_sunshine_each_day() -> None:
    assert unwound("2027-06-18", "2027-06-20", 75.0) == [
        ("18 00:00", "19 00:00", False),
        ("19 00:00", "20 00:00", False),
    ]


def test_an_axis_of_a_turn_and_a_half_is_unwound_as_the_sun_lets_it() -> None:
    """After one turn it is half-way: the next limit comes a day after the first, whenever it is unwound."""
    assert unwound("2027-06-18", "2027-06-21", 75.0, axis_limit_deg=540.0) == [
        ("18 00:00", "19 12:00", False),
        ("19 12:00", "20 12:00", False),
        ("20 12:00", "21 12:00", False),
    ]
    # In the first night it has turned by less than one.
    windows = unwound("2027-06-18", "2027-06-21", 47.0, axis_limit_deg=540.0)
    assert all(in_gap for _, _, in_gap in windows)


def test_where_there_are_nights_all_is_done_in_them() -> None:
    windows = unwound("2027-06-18", "2027-06-24", 47.0, axis_limit_deg=340.0)
    assert all(in_gap for _, _, in_gap in windows)
    # The limit falls due seven times in 168 h; one more, and the hour need not be in sunshine.
    assert len(windows) == 8


def test_a_generous_axis_needs_not_every_night() -> None:
    windows = unwound("2027-06-18", "2027-06-24", 47.0, axis_limit_deg=800.0)
    assert len(windows) == 3
    assert all(in_gap for _, _, in_gap in windows)


hours = st.floats(0.3, 20)


@given(st.lists(st.tuples(hours, hours), max_size=8), st.floats(30, 900), st.floats(0, 300))
def test_the_axis_never_comes_to_its_limit(
    pieces: list[tuple[float, float]], limit_deg: float, start_deg: float
) -> None:
    """Whatever the gaps: done at the end of each window, no two are farther apart than the axis turns."""
    told = settings(mount={"axis_limit_deg": limit_deg, "axis_start_deg": min(start_deg, limit_deg)})
    asked = trip("2027-06-18", "2027-06-24", told)
    gaps, now = [], asked.from_utc
    for sun_h, dark_h in pieces:
        begin = now + timedelta(hours=sun_h)
        now = begin + timedelta(hours=dark_h)
        gaps.append(Gap(from_utc=begin, to_utc=now, hours=dark_h, kind="night", lowest_deg=-1.0))
    (axis,) = due.renewals(told, asked, Turning())
    windows = due.unwindings(told, asked, gaps, axis, Turning())
    life = timedelta(hours=limit_deg / 15, seconds=1e-3)
    allowed = axis.first_due_utc
    assert allowed is not None
    for window in windows:
        assert window.from_utc <= window.by_utc <= allowed
        if window.in_gap:
            assert any(gap.from_utc <= window.from_utc and window.by_utc <= gap.to_utc for gap in gaps)
        allowed = window.by_utc + life
    assert allowed >= asked.to_utc - timedelta(seconds=1)
    assert len(windows) >= axis.times


class TestHourAngle:
    def limits(self, limit: tuple[float, float] | None, latitude_deg: float = 70.37) -> HourAngle | None:
        told = settings(latitude_deg, 0.0, mount={"hour_angle_limit_deg": limit})
        return due.hour_angle(told, Sun(told.site), trip("2027-06-18", "2027-06-22", told))

    def test_the_sun_comes_to_the_limit_once_a_day(self) -> None:
        found = self.limits((-100.0, 100.0))
        assert found is not None
        assert len(found.stops_utc) == 5
        # Hour angle 100 is 6 h 40 min after the meridian; the equation of time is about a minute then.
        assert abs(found.stops_utc[0] - at("2027-06-18T18:41:00Z")) < timedelta(minutes=1)
        # Of each turn 160 degrees are out of reach.
        assert found.out_of_reach_h == pytest.approx(5 * 24 * 160 / 360, abs=0.1)

    def test_one_that_goes_past_the_meridian_reaches_all(self) -> None:
        found = self.limits((-195.0, 195.0))
        assert found is not None
        assert found.out_of_reach_h == 0

    def test_below_the_horizon_nobody_minds(self) -> None:
        found = self.limits((-170.0, 170.0), latitude_deg=30.0)
        assert found is not None
        assert (found.stops_utc, found.out_of_reach_h) == ((), 0)

    def test_no_limit(self) -> None:
        assert self.limits(None) is None


def test_pictures_with_the_sun_and_in_all() -> None:
    told = settings(0.0, 0.0, camera={"interval_s": 7.0})
    asked = trip("2027-03-18", "2027-03-19", told)
    light = sunlight(Sun(told.site), asked)
    found = due.pictures(told, asked, light)
    assert found.all == 2 * 86_400 // 7
    # At the equator the day is 12 h and some seven minutes.
    assert found.with_sun == pytest.approx(2 * (12 + 7 / 60) * 3600 / 7, abs=15)
    assert found.all_bytes == found.all * 12.5e6
    assert found.with_sun_bytes == found.with_sun * 12.5e6


@given(st.lists(st.tuples(hours, hours), max_size=8), st.floats(30, 900), st.floats(0, 300))
def test_nor_does_one_that_stands_by_night(
    pieces: list[tuple[float, float]], limit_deg: float, start_deg: float
) -> None:
    """Whatever the nights: between windows it turns by no more than it may, counted minute by minute."""
    start_deg = min(start_deg, limit_deg)
    mount = {"axis_limit_deg": limit_deg, "axis_start_deg": start_deg, "parked_at_night": True}
    told = settings(mount=mount)
    asked = trip("2027-06-18", "2027-06-24", told)
    gaps, now = [], asked.from_utc
    for sun_h, dark_h in pieces:
        begin = now + timedelta(hours=sun_h)
        now = min(begin + timedelta(hours=dark_h), asked.to_utc)
        if begin < now:
            gaps.append(Gap(from_utc=begin, to_utc=now, hours=dark_h, kind="night", lowest_deg=-1.0))
    edges = [asked.from_utc, *(time for gap in gaps for time in (gap.from_utc, gap.to_utc)), asked.to_utc]
    turning = Turning(tuple(zip(*[iter(map(utc_s, edges))] * 2, strict=True)))
    (axis,) = due.renewals(told, asked, turning)
    windows = due.unwindings(told, asked, gaps, axis, turning)
    minutes = [asked.from_utc + timedelta(minutes=m + 0.5) for m in range(int(asked.length_s / 60))]
    turned_deg, done = start_deg, [window.by_utc for window in windows]
    for minute in minutes:
        if done and minute > done[0]:
            done.pop(0)
            turned_deg = 0.0
        if not any(gap.from_utc <= minute < gap.to_utc for gap in gaps):
            turned_deg += 0.25
        assert turned_deg <= limit_deg + 1.0
    assert len(windows) >= axis.times


class TestParkedAtNight:
    """At 47 degrees north in June the sun is up for some 15 h 50 min: 238 of the 360 degrees a day."""

    def plan(self, latitude_deg: float = 47.0, **mount: object) -> Plan:
        return planned(settings(latitude_deg, 0.0, mount=mount), "2027-06-18", "2027-06-24")

    def test_the_axis_turns_by_day_alone(self) -> None:
        (axis,) = self.plan(parked_at_night=True).renewals
        assert axis.first_due_utc is not None
        sun = self.plan().sun
        (first, second) = sun.stretches[:2]
        assert first.hours < 24 < first.hours + second.hours
        expected = second.from_utc + timedelta(hours=24 - first.hours)
        assert first.rises
        assert abs(axis.first_due_utc - expected) < timedelta(seconds=1)
        assert axis.times == int(sun.sun_h / 24)
        assert self.plan().renewals[0].times == 6

    def test_no_window_is_farther_from_the_last_than_the_axis_turns_by_day(self) -> None:
        plan = self.plan(parked_at_night=True, axis_limit_deg=300.0)
        ends = [at("2027-06-18T00:00:00Z"), *(window.by_utc for window in plan.unwindings), plan.to_utc]
        for begin, end in pairwise(ends):
            spans = [(max(s.from_utc, begin), min(s.to_utc, end)) for s in plan.sun.stretches]
            turned_h = sum(max((b - a).total_seconds(), 0.0) for a, b in spans) / 3600
            assert turned_h <= 20.0 + 1e-3
        assert all(window.in_gap for window in plan.unwindings)

    def test_an_axis_that_lasts_the_trip_by_day_is_said_to(self) -> None:
        plan = self.plan(parked_at_night=True, axis_limit_deg=2000.0)
        (axis,) = plan.renewals
        assert (axis.first_due_utc, axis.times, plan.unwindings) == (None, 0, ())
        assert plan.first[0].reason != "axis-limit"

    def test_under_a_midnight_sun_it_makes_no_difference(self) -> None:
        assert self.plan(75.0, parked_at_night=True).unwindings == self.plan(75.0).unwindings
