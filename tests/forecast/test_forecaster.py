"""The forecaster as the runner uses it: frames in, forecasts out."""

from copy import deepcopy
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from sentinel.chain.following import Following
from sentinel.chain.forecast.discs import Discs
from sentinel.chain.forecast.forecaster import Forecaster
from sentinel.chain.track import Context
from sentinel.core.records import Event, Forecast, Mark, MarkKind, Surroundings, Tick
from sentinel.core.settings import Mount, Supplies
from sentinel.core.times import utc_s
from tests.forecast.sessions import Session
from tests.forecast.watching import feed, seconds_ahead, watched
from tests.forecasts import places_of, pointing_of

DRIFTING = Session(azimuth_error_deg=0.5, altitude_error_deg=-0.4, wind_arcsec=2, seed=3)
SHORT = replace(DRIFTING, watched_h=0.3)


def test_it_is_renewed_at_once_and_then_every_ten_minutes() -> None:
    times = [forecast.time_utc for forecast in watched(DRIFTING)]
    assert times[0] == DRIFTING.start_utc
    assert max(b - a for a, b in pairwise(times)) <= timedelta(minutes=10)


def test_an_edge_at_hand_is_looked_at_with_each_frame() -> None:
    # The last of the looks that come every ten minutes falls well within ten minutes of the edge.
    session = replace(DRIFTING, start_px=(2999.5, 668.0))
    exit_s = session.true_exit_s(0)
    watched_h = (exit_s - session.start_s) / 3600 - 0.01
    assert watched_h > 1, "long enough to know the drift by then"
    forecasts = watched(replace(session, watched_h=watched_h))
    near = [one for one in forecasts if exit_s - utc_s(one.time_utc) < 300]
    assert len(near) >= 4
    for one, following in pairwise(near):
        # Nothing is said to have come that the next picture shows not to have.
        assert one.exit.early_utc is not None
        assert one.exit.early_utc > one.time_utc
        assert following.time_utc - one.time_utc <= timedelta(seconds=61)


@pytest.mark.parametrize("interval_s", [7.0, pytest.param(45.0, marks=pytest.mark.slow), 170.0])
def test_it_is_renewed_every_ten_minutes_at_any_cadence(interval_s: float) -> None:
    times = [f.time_utc for f in watched(replace(DRIFTING, interval_s=interval_s, watched_h=0.8))]
    assert max(b - a for a, b in pairwise(times)) <= timedelta(minutes=10)


def test_the_quantiles_stand_in_order_and_promise_little_at_first() -> None:
    forecasts = watched(DRIFTING)
    names = ("safe_utc", "early_utc", "median_utc", "late_utc")
    for forecast in forecasts:
        times = [seconds_ahead(forecast, name) for name in names]
        assert times == sorted(times)
    assert "too-little-arc" in forecasts[0].flags
    assert "too little arc" in forecasts[0].basis
    true = DRIFTING.true_exit_s(0) - DRIFTING.start_s
    assert seconds_ahead(forecasts[0], "safe_utc") < 0.5 * true


def test_a_quiet_mount_is_foreseen_to_minutes() -> None:
    last = watched(DRIFTING)[-1]
    true = DRIFTING.true_exit_s(DRIFTING.watched_h) - utc_s(last.time_utc)
    assert seconds_ahead(last, "early_utc") <= true <= seconds_ahead(last, "late_utc")
    assert seconds_ahead(last, "median_utc") == pytest.approx(true, rel=0.02)
    assert seconds_ahead(last, "early_utc") > 0.9 * true
    assert last.exit.edge == "top"


def test_the_drift_told_is_that_of_the_coming_hour() -> None:
    """It goes as the hour angle does: over two hours it is another one."""
    last = watched(DRIFTING)[-1]
    now_h = (utc_s(last.time_utc) - DRIFTING.start_s) / 3600
    x_px, y_px = DRIFTING.track_at(now_h)
    hour = int(3600 / DRIFTING.interval_s)
    first = round(now_h * 3600 / DRIFTING.interval_s)
    moved_px = np.hypot(x_px[first + hour] - x_px[first], y_px[first + hour] - y_px[first])
    arcmin_h = moved_px * DRIFTING.optics.scale_arcsec_px / 60
    assert pointing_of(last).drift_arcmin_h == pytest.approx(arcmin_h, rel=0.05)


def test_a_disc_that_stays_is_said_to_stay() -> None:
    session = Session(
        width_px=9000, height_px=9000, watched_h=3, interval_s=120, azimuth_error_deg=0.1, seed=4
    )
    last = watched(session)[-1]
    assert np.isinf(session.true_exit_s(3.0))
    assert last.exit.early_utc is None
    assert last.exit.edge is None
    assert places_of(last).touch_gains is False


def test_a_replay_is_identical_and_looking_changes_nothing() -> None:
    session = replace(DRIFTING, watched_h=0.7, worm_arcsec=10)
    plain = watched(session)
    forecaster = Following(Context(session.settings, session.sun))
    looked = []
    for frame in session.frames():
        looked += feed(forecaster, [frame])
        if frame.time_utc.minute % 20 == 3:
            forecaster.look(frame.time_utc + timedelta(seconds=5))
    assert looked == plain


def test_late_frames_find_their_place() -> None:
    session = replace(DRIFTING, watched_h=0.8, wind_arcsec=1)
    frames = session.frames()
    forecaster = Following(Context(session.settings, session.sun))
    feed(forecaster, frames[:20] + frames[30:] + frames[20:30])
    arc = forecaster.forecaster._discs.bins.arc()
    assert arc.count.sum() == len(frames)
    assert (np.diff(arc.utc_s) > 0).all()


def test_ticks_alone_go_on_forecasting_seldom() -> None:
    session = replace(DRIFTING, watched_h=0.5)
    forecaster = Following(Context(session.settings, session.sun))
    feed(forecaster, session.frames())
    begin = session.start_utc + timedelta(minutes=31)
    ticks = [Tick(time_utc=begin + timedelta(minutes=i)) for i in range(120)]
    renewed = feed(forecaster, ticks)
    assert 3 <= len(renewed) <= 5
    assert "unseen" in renewed[-1].flags
    assert pointing_of(renewed[-1]).seen_utc == session.start_utc + timedelta(minutes=30)


def test_memory_and_cost_are_bounded() -> None:
    session = Session(width_px=20_000, height_px=20_000, watched_h=90, followed_h=91, interval_s=120)
    forecaster, discs = Forecaster(session.settings, session.sun), Discs()
    sizes = []
    for i, frame in enumerate(session.frames()):
        # Cheap: discs are binned, but no fits are made.
        disc = forecaster._tracked_disc(frame, utc_s(frame.time_utc))
        if disc is not None:
            discs.take(disc)
        if i % 300 == 299:
            sizes.append(len(discs.bins.arc()))
    assert max(sizes) < 230
    assert sizes[-1] <= sizes[-2] + 5


def test_supplies_axis_and_sunset_make_visits() -> None:
    session = SHORT
    settings = session.settings.model_copy(
        update={
            "mount": Mount(axis_limit_deg=20, axis_start_deg=5),
            "supplies": Supplies(camera_battery_h=2.0, card_frames=500, timer_frames=60),
        }
    )
    forecaster = Following(Context(settings, session.sun))
    last = feed(forecaster, session.frames())[-1]
    due = {one.reason: (utc_s(one.time_utc) - session.start_s) / 3600 for one in last.due}
    assert due["axis-limit"] == pytest.approx(1.0, abs=0.01)
    assert due["battery"] == pytest.approx(2.0)
    assert due["timer"] == pytest.approx(1.0, abs=0.05)
    assert due["card"] == pytest.approx(8.3, abs=0.1)
    assert last.next_visit_reason in {"axis-limit", "timer"}
    assert last.next_visit_utc is not None
    assert utc_s(last.next_visit_utc) == pytest.approx(utc_s(last.due[0].time_utc) - 600)
    after = session.start_utc + timedelta(minutes=19)
    forecast = forecaster.feed(Mark(time_utc=after, kind="unwound"), after)
    assert forecast is not None
    assert {d.reason: d for d in forecast.due}["axis-limit"].time_utc > after + timedelta(hours=1.3)


@pytest.mark.parametrize("error", ["", pytest.param("cannot be read", marks=pytest.mark.slow)])
def test_a_wait_for_the_first_picture_uses_nothing_up(error: str) -> None:
    """A watch begun the evening before: neither the drive nor the camera has been at work since."""
    update = {"mount": Mount(axis_limit_deg=20), "supplies": Supplies(camera_battery_h=2.0)}
    settings = SHORT.settings.model_copy(update=update)
    first, *rest = SHORT.frames()
    frames = [replace(first, error=error) if error else first, *rest]
    waits = [Tick(time_utc=SHORT.start_utc - timedelta(hours=hours)) for hours in (8, 4)]
    around = Surroundings(time_utc=waits[-1].time_utc, free_bytes=600_000_000, bytes_per_frame=10e6)
    before: list[Event] = [*waits, around]
    alone, waited = (
        feed(Following(Context(settings, SHORT.sun)), events)[-1] for events in (frames, [*before, *frames])
    )
    due = {one.reason: one.time_utc for one in waited.due}
    assert due.pop("storage") < waits[-1].time_utc + timedelta(hours=2)
    assert due == {one.reason: one.time_utc for one in alone.due}
    assert due["axis-limit"] > SHORT.start_utc + timedelta(hours=1)


@cache
def supplied() -> tuple[Following, Forecast]:
    supplies = Supplies(camera_battery_h=2.0, mount_battery_h=2.0, card_frames=100, timer_frames=100)
    update = {"mount": Mount(axis_limit_deg=20), "supplies": supplies}
    forecaster = Following(Context(SHORT.settings.model_copy(update=update), SHORT.sun))
    return forecaster, feed(forecaster, SHORT.frames())[-1]


@pytest.mark.parametrize("kind", ["battery", "mount-battery", "card", "timer", "unwound"])
def test_what_is_renewed_is_foreseen_anew_at_once(kind: MarkKind) -> None:
    forecaster, last = deepcopy(supplied())
    after = SHORT.start_utc + timedelta(minutes=19)
    forecast = forecaster.feed(Mark(time_utc=after, kind=kind), after)
    assert forecast is not None
    before = {one.reason: one.time_utc for one in last.due}
    moved = {one.reason for one in forecast.due if one.time_utc > before[one.reason] + timedelta(minutes=10)}
    assert moved == {"axis-limit" if kind == "unwound" else kind}


def test_a_full_disk_makes_a_visit() -> None:
    session = replace(DRIFTING, watched_h=0.1)
    around = Surroundings(time_utc=session.start_utc, free_bytes=600_000_000, bytes_per_frame=10e6)
    last = watched(session, [around, *session.frames()])[-1]
    due = {one.reason: (utc_s(one.time_utc) - session.start_s) / 3600 for one in last.due}
    assert due["storage"] == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("parked", [pytest.param(False, marks=pytest.mark.slow), True])
def test_by_night_the_axis_is_told_as_it_turns_and_no_place_outlasts_the_drives_rest(*, parked: bool) -> None:
    """At 47 N in June the sun is down from 20:03 to 04:08 or so; the last disc is of 17:00."""
    start = datetime(2026, 6, 20, 15, tzinfo=UTC)
    session = Session(latitude_deg=47.0, longitude_deg=0.0, start_utc=start, interval_s=240.0, watched_h=2.0)
    mount = Mount(axis_limit_deg=None, parked_at_night=parked)
    settings = session.settings.model_copy(update={"mount": mount})
    following = Following(Context(settings, session.sun))
    by_day = feed(following, session.frames())[-1]
    by_night = feed(following, [Tick(time_utc=start + timedelta(hours=hours)) for hours in (2.7, 4, 6, 8)])[
        -1
    ]
    assert by_night.time_utc == start + timedelta(hours=8)
    turned = [one.mount.axis_turned_deg for one in (by_day, by_night) if one.mount is not None]
    assert turned == pytest.approx([30.0, 5.05 * 15 if parked else 120.0], abs=1.5)
    rises = start + timedelta(hours=13.15)
    for forecast, last in ((by_day, rises), (by_night, rises + timedelta(days=1))):
        holds = places_of(forecast).now.holds_until_utc
        assert not parked or (holds is not None and holds <= last + timedelta(minutes=5))
    _, *later = (one.holds_until_utc for one in places_of(by_day).later)
    assert not parked or all(one is not None and one <= rises + timedelta(days=1) for one in later)
