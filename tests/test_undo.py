"""A mark taken back within five minutes: everything is as if it had never been made."""

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from sentinel.chain.pipeline import Pipeline
from sentinel.chain.undo import standing_marks
from sentinel.core.records import Event, Mark, MarkKind
from sentinel.core.settings import load_settings
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.status.board import Board
from sentinel.service.status.making import standing_of
from sentinel.service.status.standing import Standing
from tests.shipped import FIVE_DAYS, five_days

FRAMES = five_days()[:40]
SETTINGS = load_settings([FIVE_DAYS / "config.yaml"])
SUPPLIES = SETTINGS.supplies.model_copy(update={"camera_battery_h": 30.0, "mount_battery_h": 60.0})
SETTINGS = SETTINGS.model_copy(update={"supplies": SUPPLIES})
MADE_UTC = FRAMES[28].time_utc + timedelta(seconds=20)


def step_all(events: Sequence[tuple[Event, datetime]], pipeline: Pipeline, board: Board) -> None:
    for event, now_utc in events:
        board.update(event, pipeline.step(event, now_utc), now_utc)


@cache
def before_any_mark() -> tuple[Pipeline, Board]:
    pipeline, board = Pipeline(SETTINGS, FRAMES[0].time_utc), Board()
    step_all([(frame, frame.time_utc) for frame in FRAMES if frame.time_utc < MADE_UTC], pipeline, board)
    return pipeline, board


class Gone:
    """A session gone through."""

    def __init__(self, marks: Sequence[Mark]) -> None:
        # Taken up in the order in which they were made, whatever time they bear.
        events: list[tuple[datetime, Event]] = [(frame.time_utc, frame) for frame in FRAMES]
        events += [(max(mark.time_utc, MADE_UTC), mark) for mark in marks]
        events.sort(key=lambda one: one[0])
        self.events = [(event, now_utc) for now_utc, event in events]
        # Whatever the marks are, up to then all went as it always does.
        self.pipeline, self.board = deepcopy(before_any_mark())
        step_all([one for one in self.events if one[1] >= MADE_UTC], self.pipeline, self.board)
        self.now_utc = self.events[-1][1]

    @property
    def standing(self) -> Standing:
        return standing_of(self.board, SETTINGS, self.now_utc)


def mark(kind: MarkKind, after_s: float = 0.0, **more: object) -> Mark:
    return Mark(time_utc=MADE_UTC + timedelta(seconds=after_s), kind=kind, **more)  # type: ignore[arg-type]


@cache
def calm() -> Gone:
    """A session in which nobody did anything."""
    return Gone(())


KINDS: list[MarkKind] = [
    "realigned", "recentred", "unwound", "refocused", "battery", "mount-battery", "card", "timer", "visit",
    "seen",
]  # fmt: skip


def as_if_never(gone: Gone) -> None:
    assert gone.pipeline.following.look(gone.now_utc) == calm().pipeline.following.look(calm().now_utc)
    assert gone.pipeline._judged == calm().pipeline._judged
    assert gone.pipeline.following.track == calm().pipeline.following.track
    mine, other = gone.standing, calm().standing
    assert replace(mine, undoable=(), counts=other.counts) == other


@pytest.mark.parametrize("kind", KINDS)
def test_a_mark_that_is_taken_back_changes_nothing(kind: MarkKind) -> None:
    made = mark(kind)
    as_if_never(Gone([made, mark("undo", 200.0, text=kind, undoes_utc=made.time_utc)]))


@pytest.mark.parametrize("kind", ["realigned", "battery"])
def test_the_same_mark_would_have_changed_something(kind: MarkKind) -> None:
    stood = Gone([mark(kind)])
    assert stood.pipeline.following.look(stood.now_utc) != calm().pipeline.following.look(calm().now_utc)


def test_too_late_it_stands() -> None:
    stood = Gone([mark("realigned")])
    late = Gone([mark("realigned"), mark("undo", 400.0)])
    told = late.pipeline.following.look(late.now_utc)
    assert told == stood.pipeline.following.look(stood.now_utc)


def test_of_several_the_one_that_is_meant_is_taken_back() -> None:
    battery, card = mark("battery"), mark("card", 60.0)
    gone = Gone([battery, card, mark("undo", 120.0, text="battery", undoes_utc=battery.time_utc)])
    other = Gone([card])
    assert gone.pipeline.following.look(gone.now_utc) == other.pipeline.following.look(other.now_utc)
    assert gone.board.marks == other.board.marks
    both = Gone([battery, card, mark("undo", 120.0), mark("undo", 130.0)])
    as_if_never(both)


def test_what_can_be_taken_back_is_listed_for_five_minutes() -> None:
    made = mark("recentred")
    pipeline, board = deepcopy(before_any_mark())
    board.update(made, pipeline.step(made, MADE_UTC), MADE_UTC)
    for after_s, listed in ((0.0, (made,)), (299.0, (made,)), (301.0, ())):
        assert standing_of(board, SETTINGS, MADE_UTC + timedelta(seconds=after_s)).undoable == listed
    undo = mark("undo", 10.0)
    board.update(undo, pipeline.step(undo, undo.time_utc), undo.time_utc)
    assert standing_of(board, SETTINGS, undo.time_utc).undoable == ()


@pytest.mark.slow
def test_both_stay_in_the_journal_and_a_journal_gone_through_again_comes_to_the_same(tmp_path: Path) -> None:
    gone = Gone([mark("realigned"), mark("undo", 200.0)])
    with Journal.create(tmp_path / "journal.sqlite", Origin.WATCH) as journal:
        pipeline = Pipeline(SETTINGS, FRAMES[0].time_utc)
        for event, now_utc in gone.events:
            journal.record(event, now_utc, pipeline.step(event, now_utc))
        assert [one.kind for one in journal.marks()] == ["realigned", "undo"]
        assert standing_marks(journal.marks()) == []
        again = Pipeline(SETTINGS, FRAMES[0].time_utc)
        for event, now_utc in journal.events():
            again.step(event, now_utc)
    assert again.following.look(gone.now_utc) == calm().pipeline.following.look(gone.now_utc)
