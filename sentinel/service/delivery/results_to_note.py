"""What became of attempts and is not in the journal yet, which may be on a full disk.

What arrived is not sent once more; what did not is tried again after its pause, and not at every turn.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sentinel.core.errors import Problem
from sentinel.service.delivery.backoff import retry_wait_s
from sentinel.service.delivery.dispatcher import Result
from sentinel.service.journal.outbox import Outbox
from sentinel.service.journal.rows import OutboxRow


@dataclass(frozen=True, slots=True)
class _Held:
    result: Result
    """Of the last attempt at a row."""
    due_utc: datetime | None
    """When to try again; None: it was delivered."""
    tries: int
    """That failed and are not noted."""
    doubtful: int
    """How many of them may have arrived."""


class ResultsToNote:
    """Results on their way into the journal; for the worker's thread alone.

    `chance`: numbers from 0 to 1 that spread the waits.
    """

    def __init__(self, chance: Callable[[], float]) -> None:
        self._chance = chance
        self._held: dict[tuple[Outbox, int], _Held] = {}
        """By outbox and number of the row."""

    def add(self, result: Result, now_utc: datetime) -> None:
        """Take up what became of an attempt."""
        row, attempt = result.row, result.attempt
        before = self._held.get((result.outbox, row.number))
        tries, doubtful = (before.tries, before.doubtful) if before is not None else (0, 0)
        due_utc = None
        if not attempt.delivered:
            maybe = attempt.outcome == "doubtful"
            tries, doubtful = tries + 1, doubtful + maybe
            pause_s = retry_wait_s(row.alert.severity, row.attempts + 1, row.doubtful + maybe, self._chance)
            due_utc = now_utc + timedelta(seconds=pause_s)
        self._held[result.outbox, row.number] = _Held(result, due_utc, tries, doubtful)

    def note(self, now_utc: datetime) -> dict[Outbox, Problem | None]:
        """Note what can be noted; return by outbox what kept it from that, None where nothing did."""
        became: dict[Outbox, Problem | None] = {}
        for (outbox, number), one in list(self._held.items()):
            row, attempt = one.result.row, one.result.attempt
            try:
                if one.due_utc is None:
                    outbox.delivered(row, now_utc, attempt.why)
                else:
                    outbox.again(
                        row,
                        one.due_utc,
                        attempt.why,
                        doubtful=one.doubtful,
                        link_down=attempt.outcome != "failed",
                    )
            except Problem as problem:
                became[outbox] = problem
                continue
            became.setdefault(outbox, None)
            del self._held[outbox, number]
        return became

    def resting(self, outbox: Outbox, now_utc: datetime) -> list[int]:
        """Return the numbers of an outbox's rows that are not to be tried now, whatever the journal says."""
        return [
            number
            for (of, number), one in self._held.items()
            if of is outbox and (one.due_utc is None or one.due_utc > now_utc)
        ]

    def known(self, outbox: Outbox, row: OutboxRow) -> OutboxRow:
        """Return a row as it would stand in the journal."""
        one = self._held.get((outbox, row.number))
        if one is None:
            return row
        return replace(row, attempts=row.attempts + one.tries, doubtful=row.doubtful + one.doubtful)

    def forget(self, outbox: Outbox) -> None:
        """Let go of what can never be noted: another journal has taken that one's place."""
        self._held = {key: one for key, one in self._held.items() if key[0] is not outbox}
