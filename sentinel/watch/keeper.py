"""The journal of a watch, kept whatever its disk does: full, damaged, and well again."""

import logging
from collections.abc import Callable
from datetime import datetime
from threading import Event as Flag

from sentinel.clock import Clock
from sentinel.journal import Damaged, Journal, Origin, Unwritable
from sentinel.records import Event, Outcome
from sentinel.watch.home import Home
from sentinel.watch.service import Pulses

log = logging.getLogger(__name__)

RETRY_S = 2.0
DAMAGED = "The watch's journal was damaged"
Trouble = Callable[[str, str], None]
"""Tells people at once, past the journal: a title, and what is to be done."""


def open_journal(home: Home, clock: Clock) -> tuple[Journal, str]:
    """Open the journal of a state folder, or begin one; return it, and what was wrong with the one before.

    A damaged one is set aside and a new one begun: the watch goes on.

    Raises
    ------
    Problem
        If a newer program wrote it, or the folder cannot be used.
    """
    if not home.journal.exists():
        home.snapshot.unlink(missing_ok=True)
        return Journal.create(home.journal, Origin.WATCH), ""
    try:
        return Journal.resume(home.journal), ""
    except Damaged as damage:
        return _begun_anew(home, clock, damage), str(damage)


def _begun_anew(home: Home, clock: Clock, damage: Damaged) -> Journal:
    aside = home.set_aside(clock.now_utc().strftime("%Y%m%dT%H%M%SZ"))
    log.error("%s; set aside in %s, and a new journal begun", damage, aside)
    return Journal.create(home.journal, Origin.WATCH)


class Keeper:
    """Records like a journal, and does not give up.

    Parameters
    ----------
    journal
        Open for writing.
    noted
        Told of each event once it is committed, with its number.
    renewed
        Told when the file had to be set aside and another journal begun.
    trouble
        Told, once each time, what people must know at once.
    """

    def __init__(
        self,
        home: Home,
        journal: Journal,
        clock: Clock,
        pulses: Pulses,
        *,
        stop: Flag,
        noted: Callable[[Event, Outcome, datetime, int], None],
        renewed: Callable[[], None],
        trouble: Trouble,
    ) -> None:
        self._home, self.journal, self._clock, self._pulses = home, journal, clock, pulses
        self._stop, self._noted, self._renewed, self._trouble = stop, noted, renewed, trouble

    def record(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        """Commit an event and all that came of it, however long it takes.

        Raises
        ------
        Unwritable
            If the watch is told to stop while there is still no room. The file of the frame is still there.
        """
        number = self._committed(event, now_utc, outcome)
        self._noted(event, outcome, now_utc, number)
        return number

    def _committed(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        told = False
        while True:
            try:
                return self.journal.record(event, now_utc, outcome)
            except Damaged as damage:
                self.journal.close()
                self.journal = _begun_anew(self._home, self._clock, damage)
                self._renewed()
                self._trouble(DAMAGED, f"{damage}. It was set aside and the watch goes on with a new one.")
            except Unwritable as problem:
                if self._home.drop_ballast():
                    log.warning("%s; the space held back is given up", problem)
                    continue
                if not told:
                    told = True
                    log.warning("%s; waiting", problem)
                    self._trouble("The watch's disk is full", f"{problem}. Nothing new is judged until then.")
                # No fault of this loop, and nothing that a new start would mend.
                self._pulses.beat("judging")
                if self._stop.wait(RETRY_S):
                    raise
            except Exception:
                if outcome == Outcome():
                    raise
                # What came of it cannot be written down: then at least that it happened.
                log.exception("what came of an event could not be kept")
                outcome = Outcome()
