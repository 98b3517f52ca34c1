"""The live source of events: what lay in the folder, then frames as they come, marks, readings and ticks."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from queue import Empty
from threading import Event as Flag

from sentinel.chain.intake.events import TICK_S, ticks_between
from sentinel.core.other_cameras import OtherCamera
from sentinel.core.records import Event, Mark, Tick
from sentinel.core.times import utc_s
from sentinel.service.watch.folder_intake import Arrival, BacklogDone, FolderIntake
from sentinel.service.watch.marks import find_marks
from sentinel.service.watch.surroundings import SurroundingsReader
from sentinel.service.watch.timing import WatchClock

TURN_S = 1.0
SLOW_START_S = 30.0
"""If for so long nothing of what lies in the folder comes, time goes on without it."""
RETIME_S = 5.0
"""A step of the clock of so much makes a new beginning; a smaller one is only told."""


class LiveStream:
    """Events and the times at which they are taken up, which never run backward.

    A generator hands out an event and, when asked for the next, knows that the last one was committed: only
    then is a mark's file removed.

    `last_utc`: when the journal's last event was taken up; None: there is none.
    `alive`: told at every turn.
    `known_marks`: marks that the journal holds, in case the watch ended between committing one and removing
        its file.
    `unreadable`: told of a mark that cannot be read.
    `neighbours`: returns what has been heard of other cameras since it was last asked.
    """

    def __init__(
        self,
        intake: FolderIntake,
        around: SurroundingsReader,
        marks: Path,
        clock: WatchClock,
        *,
        alive: Callable[[], None],
        stop: Flag,
        last_utc: datetime | None,
        known_marks: set[Mark],
        unreadable: Callable[[str], None],
        neighbours: Callable[[datetime], Iterator[OtherCamera]],
    ) -> None:
        self._neighbours = neighbours
        self._intake, self._around, self._marks, self._clock = intake, around, marks, clock
        self._alive, self._stop = alive, stop
        self._known_marks, self._unreadable = known_marks, unreadable
        self.last_utc = last_utc
        self.stepped = False
        """The clock was set by much, which ended the stream."""

    def events(self, *, stepped_s: float | None = None) -> Iterator[tuple[Event, datetime]]:
        """Yield events until told to stop, or until the clock is set by much.

        `stepped_s`: the stream begins because the clock was set by so much, not because the watch begins.
        """
        away_s: float | None = None
        if stepped_s is None:
            yield from self._backlog()
            if self.last_utc is not None:
                away_s = max(utc_s(self._clock.now_utc()) - utc_s(self.last_utc), 0.0)
        if not self._is_over():
            yield self._stamped(self._around.read(self._now(), away_s=away_s, clock_step_s=stepped_s))
        yield from self._present()

    def _backlog(self) -> Iterator[tuple[Event, datetime]]:
        """Yield what lay in the folder as a replay would: each at its exposure, with ticks in the gaps."""
        quiet_s = self._clock.monotonic_s()
        while not self._is_over():
            yield from self._new_marks()
            item = self._next()
            if isinstance(item, BacklogDone):
                return
            if isinstance(item, Arrival):
                yield from self._events_of(item)
                quiet_s = self._clock.monotonic_s()
            elif self._clock.monotonic_s() - quiet_s > SLOW_START_S:
                return

    def _present(self) -> Iterator[tuple[Event, datetime]]:
        silent_s = self._clock.monotonic_s()
        while not self._is_over():
            yield from self._new_marks()
            # What waits came before: after a hold-up the time must not run ahead of it.
            if self._intake.arrivals.empty() and self._around.due():
                yield self._stamped(self._around.read(self._now()))
            for news in self._neighbours(self._now()):
                yield self._stamped(news)
            item = self._next()
            now_s = self._clock.monotonic_s()
            if isinstance(item, Arrival):
                yield from self._events_of(item)
                silent_s = now_s
            elif now_s - silent_s >= TICK_S:
                yield self._stamped(Tick(time_utc=self._now()))
                silent_s = now_s

    def _is_over(self) -> bool:
        """Turn once; return whether the stream ends here."""
        self._alive()
        self.stepped = self.stepped or abs(self._clock.stepped_s()) >= RETIME_S
        return self.stepped or self._stop.is_set()

    def _next(self) -> Arrival | BacklogDone | None:
        try:
            return self._intake.arrivals.get(timeout=TURN_S)
        except Empty:
            return None

    def _now(self) -> datetime:
        now_utc = self._clock.now_utc()
        return now_utc if self.last_utc is None else max(now_utc, self.last_utc)

    def _stamped(self, event: Event, now_utc: datetime | None = None) -> tuple[Event, datetime]:
        self.last_utc = now_utc or self._now()
        return event, self.last_utc

    def _events_of(self, arrival: Arrival) -> Iterator[tuple[Event, datetime]]:
        if not arrival.backlog:
            yield self._stamped(arrival.frame)
            return
        at_utc = min(arrival.frame.time_utc, self._clock.now_utc())
        if self.last_utc is not None:
            at_utc = max(at_utc, self.last_utc)
            for tick_utc in ticks_between(self.last_utc, at_utc):
                yield self._stamped(Tick(time_utc=tick_utc), tick_utc)
        yield self._stamped(arrival.frame, at_utc)

    def _new_marks(self) -> Iterator[tuple[Event, datetime]]:
        for path, mark in find_marks(self._marks, self._unreadable):
            if mark not in self._known_marks:
                yield self._stamped(mark)
                self._known_marks.add(mark)
            with suppress(OSError):  # somebody else's folder: known it is all the same
                path.unlink(missing_ok=True)
