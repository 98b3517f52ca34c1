"""The outbox: committed with what caused it, in one piece with it, and only by a watch."""

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sentinel.core.detail import Detail
from sentinel.core.errors import Problem
from sentinel.core.records import Alert, Incident, Mark, Outcome, Posting, Severity, Tick
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.migrations import STEPS, migrate
from sentinel.service.journal.outbox import Outbox
from tests.delivery.receivers import states
from tests.notify.incidents import told_by

T0 = datetime(2027, 6, 21, 3, 1, tzinfo=UTC)


def alert(condition: str = "runaway", **changes: object) -> Alert:
    values: dict[str, object] = {
        "time_utc": T0,
        "kind": "first",
        "severity": Severity.NOW,
        "condition": condition,
        "title": condition,
        "body": "b",
    }
    return Alert(**(values | changes))  # type: ignore[arg-type]


def posting(number: int = 0, target: str = "phone") -> Posting:
    return Posting(alert=number, target=target, due_utc=T0, expires_utc=T0 + timedelta(hours=24))


def commit(journal: Journal, *alerts: Alert, targets: tuple[str, ...] = ("phone",)) -> None:
    postings = tuple(posting(n, target) for n in range(len(alerts)) for target in targets)
    journal.record(Tick(time_utc=T0), T0, Outcome(alerts=alerts, postings=postings))


def cleared(condition: str, **detail: str) -> Incident:
    return Incident(
        time_utc=T0 + timedelta(minutes=9),
        condition=condition,
        state="cleared",
        severity=Severity.NOW,
        onset_utc=T0,
        detail=told_by(condition, **detail),
    )


def test_rows_are_committed_with_the_event_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    broken = Incident(
        time_utc=T0,
        condition="x",
        state="opened",
        severity=Severity.NOW,
        onset_utc=T0,
        detail=Detail(others={"x": object()}),
    )
    with Journal.create(path, Origin.WATCH) as journal:
        commit(journal, alert(), targets=("phone", "siren"))
        with pytest.raises(Exception, match="serialize"):
            journal.record(
                Tick(time_utc=T0),
                T0,
                Outcome(incidents=(broken,), alerts=(alert(),), postings=(posting(),)),
            )
        with pytest.raises(IndexError):
            journal.record(Tick(time_utc=T0), T0, Outcome(alerts=(alert(),), postings=(posting(1),)))
        with Outbox.open(path, writable=False) as outbox:
            assert states(outbox) == {("phone", "waiting"): 1, ("siren", "waiting"): 1}
        assert len(list(journal.events())) == 1


def test_nobody_delivers_what_a_replay_would_have_sent(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.REPLAY) as journal:
        commit(journal, alert())
        assert len(list(journal.alerts())) == 1
        with Outbox.open(path, writable=False) as outbox:
            assert states(outbox) == {}


def test_a_journal_from_before_the_outbox_gets_one(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    db = sqlite3.connect(path, isolation_level=None)
    STEPS[0](db)
    db.execute("PRAGMA user_version = 1")
    with pytest.raises(Problem, match="no such table"):
        Outbox.open(path)
    migrate(db, where=str(path))
    db.close()
    with Outbox.open(path) as outbox:
        assert states(outbox) == {}


def test_what_came_later_is_told_apart_by_topic_and_target(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    card = {"condition": "supply", "which": "card"}
    with Journal.create(path, Origin.WATCH) as journal, Outbox.open(path) as outbox:
        commit(journal, alert(**card), alert("storage"), targets=("phone", "siren"))

        def since(title: str, target: str = "phone") -> tuple[bool, bool, bool]:
            rows = [outbox.next_due(target, T0)]
            while rows[-1] is not None:
                rows.append(outbox.next_due(target, T0, but=[r.number for r in rows if r is not None]))
            (row,) = [r for r in rows if r is not None and r.alert.title == title]
            found = outbox.circumstances(row, T0)
            return found.newer, found.clear_waits, found.cleared_utc is not None

        assert since("supply") == since("storage") == (False, False, False)
        commit(journal, alert(condition="supply", which="timer", title="timer"))
        assert since("supply") == (False, False, False)
        commit(journal, alert(kind="repeat", title="again", **card))
        assert since("supply") == (True, False, False)
        assert since("supply", "siren") == (False, False, False)
        outcome = Outcome(
            incidents=(cleared("supply", supply="card"),),
            alerts=(alert(kind="clear", title="over", **card),),
            postings=(posting(),),
        )
        journal.record(Tick(time_utc=T0), T0, outcome)
        assert since("supply") == (True, True, True)
        assert since("supply", "siren") == (False, False, True)
        assert since("timer") == (False, False, False)


def test_a_joint_message_is_over_when_all_of_it_is(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.WATCH) as journal, Outbox.open(path) as outbox:
        commit(journal, alert("storage", also=(("supply", "card"),)))
        row = outbox.next_due("phone", T0)
        assert row is not None
        for incident, over in (
            (cleared("storage"), False),
            (cleared("supply", supply="timer"), False),
            (cleared("supply", supply="card"), True),
        ):
            journal.record(Tick(time_utc=T0), T0, Outcome(incidents=(incident,)))
            assert (outbox.circumstances(row, T0).cleared_utc is not None) is over
        # A newer message about part of it does not make it moot; one about all of it does.
        commit(journal, alert("storage", kind="repeat"))
        assert not outbox.circumstances(row, T0).newer
        commit(journal, alert("supply", which="card", kind="repeat"))
        assert outbox.circumstances(row, T0).newer


def test_how_messages_get_through(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.WATCH) as journal, Outbox.open(path) as outbox:
        commit(journal, alert("a"), alert("b"), targets=("phone", "siren"))
        journal.record(Mark(time_utc=T0, kind="seen"), T0, Outcome())
        first = outbox.next_due("phone", T0)
        assert first is not None
        assert outbox.circumstances(first, T0).seen
        outbox.begin(first)
        outbox.delivered(first, T0 + timedelta(minutes=1))
        second = outbox.next_due("phone", T0)
        assert second is not None
        outbox.again(second, T0 + timedelta(hours=1), "connection refused", link_down=True)
        assert outbox.next_due("phone", T0) is None
        found = outbox.messages()
        assert outbox.trouble("phone") == "connection refused"
    assert (found.last_target, found.last_title) == ("phone", "a")
    assert found.last_utc == T0 + timedelta(minutes=1)
    assert (found.waiting, found.trouble) == (3, "siren: not tried yet")


def test_what_was_under_way_when_the_program_ended_may_have_arrived(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.WATCH) as journal:
        commit(journal, alert("a"), alert("b"))
        with Outbox.open(path) as outbox:
            row = outbox.next_due("phone", T0)
            assert row is not None
            outbox.begin(row)
        with Outbox.open(path) as outbox:
            assert outbox.resume(T0) == 1
            again = outbox.next_due("phone", T0)
            assert again is not None
            assert (again.number, again.attempts, again.doubtful) == (row.number, 1, 1)
            assert outbox.resume(T0) == 0


def test_a_message_that_cannot_be_read_does_not_hold_up_the_next(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.WATCH) as journal:
        commit(journal, alert("a"), alert("b"))
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("UPDATE outcome SET body = '{}' WHERE seq = (SELECT min(seq) FROM outcome)")
    db.close()
    with Outbox.open(path) as outbox:
        assert outbox.next_due("phone", T0) is None
        found = outbox.next_due("phone", T0)
        assert found is not None
        assert found.alert.title == "b"
        assert states(outbox) == {("phone", "dropped"): 1, ("phone", "waiting"): 1}
