"""The table of an incident's life, cell by cell, and what each way through it says."""

from datetime import UTC, datetime, timedelta
from itertools import product

import pytest

from sentinel.chain.judge.details import SoftFocus
from sentinel.chain.judge.lifecycle import TABLE, Case, Finding, Phase, Signal, advance, judged
from sentinel.core.records import Incident, Severity
from sentinel.core.times import utc_s

START = datetime(2026, 6, 21, 3, 0, tzinfo=UTC)

Q, S, H, O, E = Phase.QUIET, Phase.SUSPECTED, Phase.HELD, Phase.OPEN, Phase.EASING  # noqa: E741
CELLS = {
    (Q, Signal.EVIDENCE): S,
    (Q, Signal.CONFIRMED): O,
    (Q, Signal.HELD): H,
    (Q, Signal.CLEAN): Q,
    (Q, Signal.SETTLED): None,
    (S, Signal.EVIDENCE): S,
    (S, Signal.CONFIRMED): O,
    (S, Signal.HELD): H,
    (S, Signal.CLEAN): Q,
    (S, Signal.SETTLED): None,
    (H, Signal.EVIDENCE): H,
    (H, Signal.CONFIRMED): O,
    (H, Signal.HELD): H,
    (H, Signal.CLEAN): Q,
    (H, Signal.SETTLED): None,
    (O, Signal.EVIDENCE): O,
    (O, Signal.CONFIRMED): O,
    (O, Signal.HELD): O,
    (O, Signal.CLEAN): E,
    (O, Signal.SETTLED): None,
    (E, Signal.EVIDENCE): O,
    (E, Signal.CONFIRMED): O,
    (E, Signal.HELD): O,
    (E, Signal.CLEAN): E,
    (E, Signal.SETTLED): Q,
}


def test_the_cells_are_all_the_pairs_there_are() -> None:
    assert set(CELLS) == set(product(Phase, Signal))
    assert set(TABLE) == {pair for pair, after in CELLS.items() if after is not None}


@pytest.mark.parametrize(("phase", "signal"), CELLS)
def test_each_cell(phase: Phase, signal: Signal) -> None:
    after = CELLS[phase, signal]
    if after is None:
        with pytest.raises(ValueError, match=f"that is {phase} cannot take {signal}"):
            advance(phase, signal)
    else:
        assert advance(phase, signal) is after


def test_the_table_cannot_be_written_to() -> None:
    with pytest.raises(TypeError):
        TABLE[Q, Signal.SETTLED] = Q  # type: ignore[index]


class Story:
    """One case led through readings a minute apart."""

    def __init__(self, settle_s: float = 0.0) -> None:
        self.case = Case(condition="soft-focus")
        self.now = START
        self.settle_s = settle_s

    def reads(self, severity: str | None = None, story: str = "", *, held: bool = False) -> Incident | None:
        """Read a finding: `evidence`, a severity, or None for clean."""
        finding = None
        if severity is not None:
            grave = None if severity == "evidence" else Severity(severity)
            finding = Finding(severity=grave, onset_s=utc_s(START), story=story, detail=SoftFocus(ratio=1.6))
        self.now += timedelta(minutes=1)
        self.case, said = judged(
            self.case, finding, held=held, settle_s=self.settle_s, now_s=utc_s(self.now), now_utc=self.now
        )
        return said


def test_evidence_alone_says_nothing() -> None:
    story = Story()
    assert [story.reads("evidence"), story.reads("evidence"), story.reads()] == [None, None, None]
    assert story.case == Case(condition="soft-focus")


def test_it_opens_once_and_is_not_said_again() -> None:
    story = Story()
    story.reads("evidence")
    said = story.reads("soon")
    assert said is not None
    assert (said.state, said.severity, said.onset_utc) == ("opened", Severity.SOON, START)
    assert said.message == ""
    assert [story.reads("soon"), story.reads("evidence"), story.reads("soon")] == [None, None, None]


def test_it_gets_worse_and_never_milder_in_the_same_story() -> None:
    story = Story()
    story.reads("soon")
    worse = story.reads("now")
    assert worse is not None
    assert (worse.state, worse.severity) == ("changed", Severity.NOW)
    assert story.reads("soon") is None
    assert story.case.severity is Severity.NOW


def test_another_story_is_told_with_a_gravity_of_its_own() -> None:
    story = Story()
    story.reads("now", "left bad")
    good = story.reads("note", "good")
    assert good is not None
    assert (good.state, good.severity) == ("changed", Severity.NOTE)


def test_it_clears_only_when_clean_for_long_enough() -> None:
    story = Story(settle_s=180.0)
    story.reads("soon")
    assert [story.reads(), story.reads(), story.reads()] == [None, None, None]
    over = story.reads()
    assert over is not None
    assert (over.state, over.severity) == ("cleared", Severity.SOON)
    assert over.detail.lasted_s == 300.0
    assert story.case == Case(condition="soft-focus")


def test_evidence_on_the_way_to_clear_brings_it_back_unsaid() -> None:
    story = Story(settle_s=180.0)
    story.reads("soon")
    assert [story.reads(), story.reads(), story.reads("evidence")] == [None, None, None]
    assert story.case.phase is Phase.OPEN
    assert [story.reads(), story.reads(), story.reads()] == [None, None, None]
    assert story.reads() is not None


def test_what_is_held_back_is_said_when_its_cause_is_over() -> None:
    story = Story()
    assert [story.reads("soon", held=True), story.reads("now", held=True)] == [None, None]
    assert story.case.phase is Phase.HELD
    said = story.reads("soon")
    assert said is not None
    assert said.state == "opened"


def test_what_passes_while_it_is_held_back_is_never_said() -> None:
    story = Story()
    story.reads("now", held=True)
    assert story.reads() is None
    assert story.case == Case(condition="soft-focus")


def test_an_open_one_is_not_changed_while_its_cause_is_open() -> None:
    story = Story()
    story.reads("soon")
    assert story.reads("now", held=True) is None
    said = story.reads("now")
    assert said is not None
    assert said.state == "changed"


def test_supplies_share_a_name() -> None:
    case = Case(condition="supply:card")
    finding = Finding(severity=Severity.SOON, onset_s=utc_s(START))
    _, said = judged(case, finding, held=False, settle_s=0, now_s=utc_s(START), now_utc=START)
    assert said is not None
    assert said.condition == "supply"


def test_a_case_is_forgotten_only_once_there_is_nothing_left_of_it() -> None:
    kept = {phase for phase in Phase if not Case(condition="clock", phase=phase).quiet}
    assert kept == {Phase.SUSPECTED, Phase.HELD, Phase.OPEN, Phase.EASING}
