"""The journal of a watch, kept whatever its disk does: full, locked, damaged, removed, and well again."""

import logging
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from threading import Event as Flag
from typing import TypeVar

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem
from sentinel.core.records import Event, Outcome, Severity
from sentinel.service.journal import rescue
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.opening import Damaged, Locked, Unwritable, has_room
from sentinel.service.watch.alarms import Alarms
from sentinel.service.watch.state_folder import StateFolder

T = TypeVar("T")

log = logging.getLogger(__name__)

RETRY_S = 2.0
LOCKED_S = 20.0
"""A backup may hold the journal for a moment; then it is one of the things that people are woken for."""
BLIND, DAMAGED, REMOVED = "blind", "damaged", "removed"
"""Names of what is told, by which it is taken back."""


class Lost(Problem):
    """What is known could not be written down anywhere before the end."""


class JournalKeeper:
    """Records like a journal, and does not give up.

    `after_commit`: told of each event once it is committed, with its number.
    `after_replacement`: told when another file stands in the journal's place; whether it holds what was
        known.
    `alive`: told at every turn of a wait, which is no fault of this loop.
    """

    def __init__(
        self,
        files: StateFolder,
        clock: Clock,
        alarms: Alarms,
        *,
        stop: Flag,
        after_commit: Callable[[Event, Outcome, datetime, int], None],
        after_replacement: Callable[[bool], None],
        alive: Callable[[], None],
    ) -> None:
        self._files, self._clock, self._alarms = files, clock, alarms
        self._stop, self._after_commit, self._after_replacement = stop, after_commit, after_replacement
        self._alive = alive
        self._held: Journal | None = None
        self._since_s: float | None = None
        """When it began that the journal cannot be used; None: it can."""
        self._asides: list[Path] = []
        """Where spoilt journals were put, that may still be read for what waited."""

    @property
    def is_open(self) -> bool:
        """Whether there is a journal: not while a spoilt one cannot be replaced."""
        return self._held is not None

    @property
    def journal(self) -> Journal:
        """The journal, once it is open."""
        assert self._held is not None  # noqa: S101 - `open` comes first
        return self._held

    def close(self) -> None:
        """Close the journal, if there is one."""
        if self._held is not None:
            self._held.close()
            self._held = None

    # Opening.

    def open(self, wrong: str = "") -> str:
        """Open the journal or begin one, however long it takes; return what was wrong with the one before.

        Raises `Unwritable` if the watch is told to stop while it still cannot be used.
        Raises `Problem` if a newer program wrote it, or the folder cannot be used.
        """
        while True:
            try:
                self._tried(partial(self._opened, wrong))
            except Damaged as damage:
                wrong = wrong or str(damage)
                self._set_aside(damage)
            else:
                return wrong

    def _tried(self, step: Callable[[], T], fails: type[Problem] = Unwritable) -> T:
        """Return what a step comes to, tried again and again while it fails so, or the system refuses it."""
        while True:
            try:
                return step()
            except (fails, OSError) as problem:
                self._wait(problem)

    def _opened(self, wrong: str) -> None:
        files = self._files
        if not has_room(files.journal) and files.drop_ballast():
            log.warning("the disk of the state is full; the space held back is given up")
        if files.journal.exists():
            self._held = Journal.resume(files.journal)
        else:
            if not wrong:
                files.snapshot.unlink(missing_ok=True)
            # What is left of one that is gone would be taken for a part of the new one.
            if any(files.folder.glob(f"{files.journal.name}-*")):
                files.set_aside(self._stamp())
            self._held = Journal.create(files.journal, Origin.WATCH)
        self._well()
        self._put_back()

    def _put_back(self) -> None:
        """Put back into the outbox what waited and is not in the journal that there is now."""
        kept = rescue.read(self._files.second_copy)
        while self._asides:
            kept += rescue.read_damaged(self._asides.pop() / self._files.journal.name)
        try:
            count = rescue.put_back(self._files.journal, kept, self._clock.now_utc())
        except Problem as problem:
            log.warning("what waited could not be put back (%s)", problem)
            return
        if count:
            log.warning("%d messages that waited were not in the journal; they are sent", count)

    def _set_aside(self, damage: Damaged) -> None:
        self.close()
        aside = self._tried(lambda: self._files.set_aside(self._stamp()))
        self._asides.append(aside)
        log.error("%s; set aside in %s", damage, aside)

    def _stamp(self) -> str:
        return self._clock.now_utc().strftime("%Y%m%dT%H%M%SZ")

    # Recording.

    def record(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        """Commit an event and all that came of it, however long it takes.

        Raises `Unwritable` if the watch is told to stop while there is still no room. The file of the frame
        is still there.
        """
        number = self._committed(event, now_utc, outcome)
        self._well()
        self._after_commit(event, outcome, now_utc, number)
        return number

    def _committed(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        while True:
            try:
                self.check()
                return self.journal.record(event, now_utc, outcome)
            except Damaged as damage:
                self.begin_anew(damage)
            except Unwritable as problem:
                if self._files.drop_ballast():
                    log.warning("%s; the space held back is given up", problem)
                    continue
                self._wait(problem)
            except Problem:
                raise
            except Exception:
                if outcome == Outcome():
                    raise
                # What came of it cannot be written down: then at least that it happened.
                log.exception("what came of an event could not be kept")
                outcome = Outcome()

    def begin_anew(self, damage: Damaged) -> None:
        """Set a spoilt journal aside and go on with a new one."""
        self._set_aside(damage)
        wrong = self.open(str(damage))
        self._after_replacement(False)
        self.tell_of_damage(wrong)

    def tell_of_damage(self, wrong: str) -> None:
        """Tell people what was lost, and what was not."""
        body = (
            f"{wrong}. It was set aside and the watch goes on with a new one. The record of the frames until"
            " now is in the old one alone, as far as it can be read. Messages that waited are sent as far as"
            " they could be saved."
        )
        self._alarms.tell(DAMAGED, "The watch's journal was damaged", body, Severity.SOON)

    # A folder that is no more.

    def check(self) -> None:
        """See that the journal's files are still in their place; where not, put all that is known there anew.

        Raises `Lost` if the watch is told to stop while that cannot be done.
        """
        if self._held is None or self._held.is_in_place:
            return
        body = (
            f"The files of {self._files.folder} were removed, or another disk stands in their place. What is"
            " known is written there anew."
        )
        self._alarms.tell(REMOVED, "The watch's state folder was removed", body, Severity.NOW)
        try:
            self._tried(self._write_anew, Problem)
        except Unwritable as problem:
            raise Lost(f"what is known could not be kept ({problem})") from None
        self._well()
        self._after_replacement(True)

    def _write_anew(self) -> None:
        files = self._files
        files.create()
        files.lock()
        begun = files.folder / f".again.{files.journal.name}"
        begun.unlink(missing_ok=True)
        self.journal.copy_to(begun)
        if any(files.folder.glob(f"{files.journal.name}*")):
            files.set_aside(self._stamp())
        begun.replace(files.journal)
        journal = Journal.resume(files.journal)
        self.journal.close()
        self._held = journal
        self._put_back()

    # Waiting.

    def _wait(self, problem: Exception) -> None:
        """Wait a little for the disk; tell people that nothing is judged meanwhile, and the heartbeat."""
        now_s = self._clock.monotonic_s()
        if self._since_s is None:
            self._since_s = now_s
            log.warning("%s; waiting", problem)
        what = str(problem)
        if isinstance(problem, OSError):
            what = f"{problem.filename or self._files.folder}: {problem.strerror or problem}; check its disk"
        body = f"{what}. No frame is judged until then: look after the camera yourself."
        told = not isinstance(problem, Locked) or now_s - self._since_s >= LOCKED_S
        self._alarms.blind(BLIND, "it cannot write", body, told=told)
        self._alive()
        if self._stop.wait(RETRY_S):
            raise Unwritable(what)

    def _well(self) -> None:
        if self._since_s is None:
            return
        self._since_s = None
        log.warning("the journal can be written again")
        body = "Its journal can be written again. What came meanwhile is judged now."
        self._alarms.sees_again(BLIND, body)
