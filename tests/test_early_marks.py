"""A mark older than the first picture changes nothing, whenever it is handed in."""

from datetime import timedelta
from functools import cache

import pytest

from sentinel.chain.intake.events import session_events
from sentinel.chain.pipeline import Pipeline
from sentinel.core.records import Event, Forecast, Mark, MarkKind
from sentinel.core.settings import load_settings
from tests.shipped import FIVE_DAYS, five_days


@cache
def last_forecast(*marks: Mark, first: Mark | None = None) -> Forecast:
    settings = load_settings([FIVE_DAYS / "config.yaml"])
    supplies = settings.supplies.model_copy(update={"camera_battery_h": 30.0})
    settings = settings.model_copy(update={"supplies": supplies})
    frames = five_days()[:16]
    events: list[tuple[Event, object]] = list(session_events(list(frames), marks))
    pipeline = Pipeline(settings, frames[0].time_utc)
    if first is not None:
        pipeline.step(first, frames[0].time_utc)
    found = None
    for event, _ in events:
        now_utc = max(event.time_utc, frames[0].time_utc)
        found = pipeline.step(event, now_utc).forecast or found
    assert found is not None
    return found


@pytest.mark.parametrize("kind", ["unwound", pytest.param("battery", marks=pytest.mark.slow)])
def test_a_mark_of_last_week_changes_nothing(kind: MarkKind) -> None:
    begin_utc = five_days()[0].time_utc
    old = Mark(time_utc=begin_utc - timedelta(days=7), kind=kind)
    calm = last_forecast()
    assert last_forecast(first=old) == calm, "noted before any picture came"
    frames = five_days()[:16]
    late = Mark(time_utc=begin_utc - timedelta(minutes=1), kind=kind)
    pipeline = Pipeline(load_settings([FIVE_DAYS / "config.yaml"]), begin_utc)
    other = Pipeline(load_settings([FIVE_DAYS / "config.yaml"]), begin_utc)
    for number, frame in enumerate(frames):
        if number == 8:
            pipeline.step(late, frame.time_utc)
        assert pipeline.step(frame, frame.time_utc) == other.step(frame, frame.time_utc)


def test_a_mark_after_the_first_picture_counts_even_if_it_was_handed_in_before() -> None:
    begin_utc = five_days()[0].time_utc
    new = Mark(time_utc=begin_utc + timedelta(minutes=9), kind="battery")
    due = {one.reason: one.time_utc for one in last_forecast(first=new).due}
    assert due["battery"] - begin_utc == timedelta(hours=30, minutes=9)
    calm = {one.reason: one.time_utc for one in last_forecast().due}
    assert calm["battery"] - begin_utc == timedelta(hours=30)
