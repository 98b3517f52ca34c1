"""A past session as a stream of events: order, ticks, marks."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.chain.intake.events import TICK_S, read_marks, session_events, ticks_between
from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Disc, Mark, MeasuredFrame, Tick
from tests.watch import killing

T0 = datetime(2027, 6, 20, 22, tzinfo=UTC)


def frame(at_s: float) -> MeasuredFrame:
    return MeasuredFrame(
        frame=f"f{at_s:g}",
        time_utc=T0 + timedelta(seconds=at_s),
        width_px=10,
        height_px=10,
        disc=Disc(found=False),
    )


@given(st.lists(st.floats(0, 90_000), min_size=1, max_size=12), st.lists(st.floats(0, 90_000), max_size=3))
def test_every_frame_and_mark_once_in_order_and_no_silence_longer_than_a_tick(
    times_s: list[float], marks_s: list[float]
) -> None:
    frames = [frame(at_s) for at_s in times_s]
    marks = [Mark(time_utc=T0 + timedelta(seconds=at_s), kind="seen") for at_s in marks_s]
    events = list(session_events(frames, marks))
    times = [now for _, now in events]
    assert times == sorted(times)
    assert all(event.time_utc == now for event, now in events)
    assert sorted(e.frame for e, _ in events if isinstance(e, MeasuredFrame)) == sorted(
        f.frame for f in frames
    )
    assert len([e for e, _ in events if isinstance(e, Mark)]) == len(marks)
    assert not isinstance(events[-1][0], Tick), "the end of a recording is no silence"
    since_happening_s = 0.0
    for (before, was), (_, now) in pairwise(events):
        since_happening_s = 0.0 if not isinstance(before, Tick) else since_happening_s
        step_s = (now - was).total_seconds()
        assert step_s <= (TICK_S if since_happening_s < 7200 else 3600) + 1e-5
        since_happening_s += step_s


def test_a_gap_of_forty_years_is_cheap() -> None:
    ticks = list(ticks_between(datetime(1970, 1, 1, tzinfo=UTC), T0))
    assert len(ticks) < 2000


def test_marks_are_read_and_what_is_none_is_named(tmp_path: Path) -> None:
    path = tmp_path / "marks.jsonl"
    path.write_text(
        '{"time_utc": "2027-06-20T22:00:00Z", "kind": "visit", "text": "", "minutes": 15}\n\n'
        '{"time_utc": "2027-06-21T00:00:00+02:00", "kind": "battery"}\n',
        encoding="utf-8",
    )
    assert read_marks(path) == [
        Mark(time_utc=T0, kind="visit", minutes=15.0),
        Mark(time_utc=T0, kind="battery"),
    ]
    for line, says in (
        ("{", "it needs time_utc and kind"),
        ('{"kind": "visit"}', "it needs time_utc"),
        ('{"time_utc": "2027-06-20T22:00:00", "kind": "visit"}', "no zone"),
        ('{"time_utc": "2027-06-20T22:00:00Z", "kind": "party"}', "'party' is no kind of mark"),
        ("[]", "is not a mark"),
    ):
        path.write_text(line, encoding="utf-8")
        with pytest.raises(RequestProblem, match=says) as caught:
            read_marks(path)
        assert "line 1" in str(caught.value)
        assert "\n" not in str(caught.value)


def test_a_clock_that_leaps_by_years_costs_nothing_and_is_told_once() -> None:
    frames = []
    for number in range(39):
        at = T0 + timedelta(minutes=number)
        if number % 10 == 3:
            at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=40 * number // 10)
        if number % 10 == 7:
            at = datetime(2099, 5, 1, tzinfo=UTC) + timedelta(days=50 * number // 10)
        frames.append(killing.frame_of(MeasureJob(Path(f"{number}.jpg"), f"{number}.jpg"), T0))
        frames[-1] = replace(frames[-1], time_utc=at)
    settings = killing.made_settings(Path("in"), Path("sent"), T0)
    events = list(session_events(frames))
    assert len(events) < 4 * len(frames)
    pipeline = Pipeline(settings, start_utc=events[0][1])
    said = [alert for event, now_utc in events for alert in pipeline.step(event, now_utc).alerts]
    of_gaps = [alert for alert in said if alert.condition == "no-frames"]
    leaps = sum(
        later - earlier > timedelta(days=3)
        for (_, earlier), (_, later) in pairwise([one for one in events if isinstance(one[0], MeasuredFrame)])
    )
    assert leaps == 8
    assert 1 <= sum(alert.kind == "first" for alert in of_gaps) <= leaps
    assert not any(alert.kind == "repeat" for alert in of_gaps)
