"""The state is bounded, comparable, and rebuilt by feeding the same events again; nothing breaks the step."""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime, timedelta
from math import inf, isnan, nan
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sentinel.chain.judge.core import JudgeState
from sentinel.core.foreseen import Due
from sentinel.core.records import (
    Disc,
    Event,
    Forecast,
    Incident,
    Mark,
    MarkKind,
    MeasuredFrame,
    Surroundings,
    Tick,
)
from sentinel.sky import Sun
from tests.forecasts import foreseen
from tests.judge.tracks import START, Judging, Watch
from tests.judge.tracks import settings as judge_settings

_SETTINGS = judge_settings(
    sleep={"from_utc": "20:00", "until_utc": "04:00"}, site={"horizon": [[100, 5], [200, 3]]}
)
_JUDGE = Judging(_SETTINGS, Sun(_SETTINGS.site))

odd = st.one_of(st.floats(-1e4, 1e4), st.sampled_from([nan, inf, -inf, 0.0, -1.0]))
share = st.one_of(st.floats(0, 1), st.sampled_from([nan, 0.0, 1.0]))
moments = st.floats(-3600, 90_000).map(lambda s: START + timedelta(seconds=s))

discs = st.builds(
    Disc,
    found=st.booleans(),
    x_px=odd,
    y_px=odd,
    radius_px=st.one_of(st.just(469.0), odd),
    limb_in_frame=share,
    limb_coverage=share,
    edge_width_px=st.one_of(st.floats(0.1, 50), odd),
    edge_width_cos2_px=odd,
    edge_width_sin2_px=odd,
    brightness=st.one_of(share, odd),
    saturated_fraction=share,
)
frames = st.builds(
    MeasuredFrame,
    frame=st.sampled_from(["a.jpg", "b.jpg", "c.jpg"]),
    time_utc=moments,
    width_px=st.sampled_from([6000, 6000, 6000, 1500]),
    height_px=st.just(4000),
    disc=discs,
    exposure_s=st.one_of(st.sampled_from([0.002, 0.001]), odd),
    iso=odd,
    aperture=odd,
    camera=st.sampled_from(["F1", "F1", "F2", ""]),
    arrived_utc=st.one_of(st.none(), moments),
    error=st.one_of(st.none(), st.none(), st.just("cut short")),
)
dues = st.builds(
    Due,
    time_utc=moments,
    reason=st.sampled_from(["drift", "axis-limit", "battery", "card", "timer", "sunset"]),
)
finite = st.floats(-200, 200)
forecasts = st.builds(
    foreseen,
    time_utc=moments,
    exit_utc=st.one_of(st.none(), moments),
    exit_early_utc=st.one_of(st.none(), moments),
    rate_ratio=st.one_of(st.none(), st.floats(0.9, 1.1)),
    rate_ratio_sigma=st.one_of(st.none(), st.floats(1e-6, 1e-2)),
    polar_azimuth_error_deg=st.one_of(st.none(), finite),
    polar_azimuth_error_sigma_deg=st.floats(0, 3),
    polar_altitude_error_deg=finite,
    polar_altitude_error_sigma_deg=st.floats(0, 3),
    axis_fit_sigma_deg=st.one_of(st.none(), st.tuples(st.floats(0, 3), st.floats(0, 3))),
    roll_deg=st.one_of(st.none(), finite),
    due=st.lists(dues, max_size=3).map(tuple),
    arc_h=st.one_of(st.none(), st.floats(0, 9)),
    axis_turned_deg=st.one_of(st.none(), st.floats(0, 360)),
)
marks = st.builds(
    Mark,
    time_utc=moments,
    kind=st.sampled_from(list(MarkKind.__args__)),  # type: ignore[attr-defined]
    minutes=st.one_of(st.none(), st.floats(-5, 60)),
    text=st.sampled_from(["", "mount"]),
)
surroundings = st.builds(
    Surroundings,
    time_utc=moments,
    free_bytes=st.one_of(st.none(), st.integers(0, 10**12)),
    bytes_per_frame=st.one_of(st.none(), st.floats(0, 1e8)),
)
anything = st.one_of(
    frames, frames, frames, forecasts, marks, surroundings, st.builds(Tick, time_utc=moments)
)
stories = st.lists(st.tuples(anything, st.floats(0, 900)), max_size=40)

Log = list[tuple[Event | Forecast, float]]


def fed(log: Log) -> tuple[JudgeState, list[Incident]]:
    state, now, said = _JUDGE.fresh(START), START, list[Incident]()
    for event, after_s in log:
        now += timedelta(seconds=after_s)
        state, incidents = _JUDGE.step(state, event, now)
        said += incidents
    return state, said


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(stories)
def test_the_same_events_give_an_equal_state_and_the_same_incidents(log: Log) -> None:
    state, said = fed(log)
    again, said_again = fed(log)
    assert again == state
    assert said_again == said


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(stories)
def test_each_incident_opens_before_it_changes_or_clears(log: Log) -> None:
    _, said = fed(log)
    is_open: dict[tuple[str, str], bool] = {}
    for one in said:
        key = (one.condition, one.detail.which)
        assert (one.state == "opened") != is_open.get(key, False)
        is_open[key] = one.state != "cleared"
        assert one.message == ""
        assert one.onset_utc.tzinfo is not None


def leaves(value: Any) -> Iterator[Any]:
    if is_dataclass(value) and not isinstance(value, type):
        for one in fields(value):
            yield from leaves(getattr(value, one.name))
    elif isinstance(value, dict):
        for one in value.values():
            yield from leaves(one)
    elif isinstance(value, tuple | list):
        for one in value:
            yield from leaves(one)
    else:
        yield value


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(stories)
def test_nothing_in_the_state_or_the_evidence_is_nan(log: Log) -> None:
    state, said = fed(log)
    for leaf in [*leaves(state), *(leaf for one in said for leaf in leaves(one.detail))]:
        assert not (isinstance(leaf, float) and isnan(leaf))


def test_the_state_does_not_grow() -> None:
    watch = Watch()
    sizes = []
    for _ in range(6):
        for _ in range(6):
            watch.frames(50)
            watch.frames(10, found=False)
            watch.frames(20, limb_coverage=0.6)
            watch.forecast(roll_deg=10.0)
        watch.mark("visit", minutes=5.0)
        sizes.append(sum(1 for _ in leaves(watch.state)))
    assert max(sizes[2:]) <= 1.1 * sizes[1]
    assert max(sizes) < 1500


def test_a_step_changes_nothing_it_was_given() -> None:
    watch = Watch()
    watch.frames(100)
    before = watch.state
    copy, _ = watch.judge.step(before, watch.frame(), watch.now + timedelta(minutes=1))
    again, _ = watch.judge.step(before, Tick(time_utc=watch.now), watch.now + timedelta(hours=1))
    assert watch.state is before
    assert copy != before
    assert again != copy


def test_a_rebuild_in_another_process_order_of_days_is_equal() -> None:
    """What the judge looked at before (its tables of the sun) leaves no trace in what it says."""
    watch = Watch()
    watch.frames(300)
    other = Judging(watch.settings, Sun(watch.settings.site))
    # It has been asked about other days first.
    elsewhere = other.fresh(datetime(2026, 1, 5, tzinfo=UTC))
    other.step(elsewhere, watch.frame(), datetime(2026, 1, 5, tzinfo=UTC))
    state = other.fresh(START)
    for event, now in watch.log:
        state, _ = other.step(state, event, now)
    assert state == watch.state
