"""The operator of the closed loop does what he is told, no more and no less."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from sentinel.chain.judge.camera_details import BeforeSleep
from sentinel.chain.judge.details import Task
from sentinel.core.records import Alert, Severity
from tests.worlds import happenings as h
from tests.worlds.operator import Operator
from tests.worlds.world import World

NOON = datetime(2027, 6, 21, 11, tzinfo=UTC)


def operator() -> Operator:
    world = World(start_s=NOON.timestamp(), hours=4.0, notes={"sleep_s": NOON.timestamp() + 12 * 3600})
    return Operator(world.with_happenings(h.Rate(at_h=0.5, arcsec_s=0.0), change_h=0.5))


def told(condition: str, body: str) -> Alert:
    return Alert(
        time_utc=NOON, kind="first", severity=Severity.SOON, condition=condition, title="Told", body=body
    )


@pytest.mark.parametrize(
    ("body", "goes"),
    [("Go back: check cap, clutch, drive, timer.", True), ("May be left alone until 14:00Z.", False)],
)
def test_who_is_awake_and_told_to_go_back_goes(body: str, goes: bool) -> None:
    one = operator()
    one._hears(told("visit", body), NOON.timestamp() + 3600)
    assert (one.trip is not None) is goes


def test_what_the_list_asks_for_before_sunset_is_done_before_it_and_what_was_not_marked_is_when_asked() -> (
    None
):
    one, now_s = operator(), NOON.timestamp() + 3600
    listed = BeforeSleep(jobs=(Task(job="drift", by_utc=NOON + timedelta(hours=3)), Task(job="battery")))
    one.board.open["before-sleep", ""] = SimpleNamespace(detail=listed)  # type: ignore[assignment]
    told_of = replace(told("before-sleep", "Until 14:00Z, recentre."), kind="digest", severity=Severity.NOTE)
    one._hears(told_of, now_s)
    assert one.trip is not None
    assert one.trip.forced == {"drift", "battery"}
    marks: list[str] = []
    one._step = lambda event, _: marks.append(event.kind)  # type: ignore[method-assign, assignment, union-attr]
    one._done = {"battery"}
    asked = "May be left alone until 14:00Z. If done on this visit, mark it: battery, unwound."
    one._hears(replace(told("visit", asked), kind="digest", severity=Severity.NOTE), now_s)
    assert marks == ["battery"]


@pytest.mark.parametrize(
    ("body", "mended"), [("See that the drive turns.", True), ("Mount and focus are unknown.", False)]
)
def test_who_is_told_to_see_that_the_drive_turns_sees_that_it_does_not(body: str, mended: bool) -> None:
    one, later_s = operator(), NOON.timestamp() + 3600
    one._hears(told("unverified", body), later_s)
    incident = SimpleNamespace(detail=None)
    assert one._drive(later_s, {"unverified": incident}) is mended
    assert (one.scene.rate_now(later_s) > 0) is mended
    assert one._drive(later_s, {}) is False
