"""What became of attempts while the journal cannot be written: what waits, and until when."""

from datetime import timedelta
from typing import Any, cast

import pytest

from sentinel.core.errors import Problem
from sentinel.core.records import Severity
from sentinel.service.delivery.backoff import retry_wait_s
from sentinel.service.delivery.dispatcher import Dispatcher, Result
from sentinel.service.delivery.results_to_note import ResultsToNote
from sentinel.service.delivery.transports import Attempt
from sentinel.service.journal.outbox import Outbox
from sentinel.service.journal.rows import OutboxRow
from tests.delivery.receivers import T0, alert

MIDDLE = 0.5
"""Of chance: a wait is spread neither way."""


class Full:
    """An outbox on a full disk."""

    def delivered(self, *_: Any) -> None:
        raise Problem("no room", where="journal", mend="make some")

    def again(self, *_: Any, **__: Any) -> None:
        raise Problem("no room", where="journal", mend="make some")


def row(number: int = 1, severity: Severity = Severity.SOON) -> OutboxRow:
    return OutboxRow(
        number=number, alert_number=number, alert=alert(severity=severity), target="phone", due_utc=T0,
        expires_utc=T0 + timedelta(hours=12), attempts=0, doubtful=0,
    )  # fmt: skip


def result(outbox: Outbox, one: OutboxRow, attempt: Attempt) -> Result:
    return Result(cast(Dispatcher, None), outbox, one, attempt, picture=False)


def test_what_failed_rests_for_its_pause_and_what_arrived_for_good() -> None:
    full = cast(Outbox, Full())
    held = ResultsToNote(lambda: MIDDLE)
    held.add(result(full, row(1), Attempt(outcome="unreachable", why="refused")), T0)
    held.add(result(full, row(2), Attempt(outcome="delivered")), T0)
    assert isinstance(held.note(T0)[full], Problem)
    for after_s, resting in ((0, [1, 2]), (14.9, [1, 2]), (15.1, [2]), (86_400, [2])):
        assert held.resting(full, T0 + timedelta(seconds=after_s)) == resting
    assert held.resting(cast(Outbox, Full()), T0) == [], "another outbox has rows of its own"


def test_tries_that_are_not_noted_count_each_once() -> None:
    full = cast(Outbox, Full())
    held = ResultsToNote(lambda: MIDDLE)
    held.add(result(full, row(), Attempt(outcome="unreachable", why="refused")), T0)
    known = held.known(full, row())
    assert (known.attempts, known.doubtful) == (1, 0)
    held.add(result(full, known, Attempt(outcome="doubtful", why="no answer")), T0)
    known = held.known(full, row())
    assert (known.attempts, known.doubtful) == (2, 1)


@pytest.mark.parametrize(
    ("severity", "attempts", "doubtful", "expected_s"),
    [
        (Severity.NOW, 1, 0, 5.0), (Severity.NOW, 2, 0, 10.0), (Severity.NOW, 9, 0, 120.0),
        (Severity.SOON, 1, 0, 15.0), (Severity.NOTE, 1, 0, 15.0), (Severity.SOON, 9, 0, 900.0),
        (Severity.NOW, 1, 1, 60.0), (Severity.NOW, 3, 3, 240.0), (Severity.NOW, 9, 9, 900.0),
        (Severity.NOTE, 12, 12, 7200.0),
    ],
)  # fmt: skip
def test_the_wait_doubles_up_to_its_most_and_is_longer_where_it_may_have_arrived(
    severity: Severity, attempts: int, doubtful: int, expected_s: float
) -> None:
    assert retry_wait_s(severity, attempts, doubtful, lambda: MIDDLE) == expected_s
    ends = [retry_wait_s(severity, attempts, doubtful, lambda end=end: end) for end in (0.0, 1.0)]  # type: ignore[misc]
    assert ends == [0.75 * expected_s, 1.25 * expected_s]
