"""The worker: takes what is due from the outbox, gets it through, and notes what became of it.

Rules it lives by:

1. One thread turns the loop and alone touches the outbox, on its own connection, in short transactions;
   an attempt, which may take minutes, runs on a thread of its target. The loop never waits for one.
2. An attempt is noted before it begins. After a crash it counts as one that may have arrived: it is made once
   more, and says so.
3. Commands on this computer start before services, and `now` before everything else.
4. Text first. A picture follows when no text is due, once, and gives way to a `now`.
5. A target that fails is left in peace for a while, alone; a `now` that was never tried is tried at once.
6. What cannot be noted (a full disk) is sent all the same, and remembered until it can be.
"""

import logging
import random
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from queue import SimpleQueue

from sentinel.chain.notify.sending import Dropped, Message, as_sent
from sentinel.core.clock import Clock
from sentinel.core.errors import Problem
from sentinel.core.records import Severity
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.core.words import opened
from sentinel.service.delivery.backoff import target_pause_s
from sentinel.service.delivery.dispatcher import Dispatcher, MakeTransport, Result, transport_for
from sentinel.service.delivery.heartbeat import HeartbeatPinger
from sentinel.service.delivery.memory_outbox import MemoryOutbox
from sentinel.service.delivery.pictures import Draw
from sentinel.service.delivery.results_to_note import ResultsToNote
from sentinel.service.journal.opening import Damaged
from sentinel.service.journal.outbox import Outbox
from sentinel.service.journal.rescue import SecondCopy
from sentinel.service.journal.rows import OutboxRow

log = logging.getLogger(__name__)

TURN_S = 1.0
"""How long the loop stands still at the most."""
IDLE_S = 120.0
"""A sending process that has had nothing to do for so long is let go."""
CLOCK_STEP_S = 2.0
DROPS_A_TURN = 100
"""So that a thousand stale messages do not hold up the loop."""

PICTURE_BYTES, SLOW_PICTURE_BYTES = 40_000, 10_000


class Worker:
    """Delivers what is in a journal's outbox.

    `journal`: the journal's file; None: there is none yet, see `use`.
    `settings`: channels and patience.
    `chance`: numbers from 0 to 1 that spread the waits.
    `make_transport`: how a channel's way is made.
    `draw`: how pictures are drawn; None: none are sent.
    `second_copy`: where all that waits is kept a second time; None: nowhere.
    `heartbeat`: what is given a turn with every turn of the loop: so a ping also says that messages are seen
        to.
    `turned`: told of every turn: whoever watches over the watch listens to it.
    """

    def __init__(
        self,
        journal: Path | None,
        settings: Settings,
        clock: Clock,
        *,
        chance: Callable[[], float] | None = None,
        make_transport: MakeTransport = transport_for,
        draw: Draw | None = None,
        second_copy: Path | None = None,
        heartbeat: HeartbeatPinger | None = None,
        turned: Callable[[], None] = lambda: None,
    ) -> None:
        self._heartbeat, self._turned = heartbeat, turned
        self._second_copy = SecondCopy(second_copy) if second_copy is not None else None
        self._journal, self._settings, self._clock, self._draw = journal, settings, clock, draw
        self._chance = chance or random.Random().random  # noqa: S311 - spreads waits, guards nothing
        self._results: SimpleQueue[Result] = SimpleQueue()
        self._call, self._stopping = threading.Event(), False
        channels = sorted(settings.channels, key=lambda channel: channel.command is None)
        self._dispatchers = [
            Dispatcher(channel, make_transport, self._results, self.wake) for channel in channels
        ]
        self._outbox: Outbox | None = None
        self._in_memory = MemoryOutbox(settings)
        self._away = ""
        """Why the journal's outbox cannot be used just now."""
        self._to_note = ResultsToNote(self._chance)
        self._anew = False
        """The journal's file is another one now."""
        self.damaged = False
        """The journal was found to be spoilt, and another one is waited for."""
        self._ahead_s: float | None = None
        self._thread: threading.Thread | None = None

    # From the watch's thread.

    def start(self) -> None:
        """Start turning."""
        self._thread = threading.Thread(target=self._run, name="delivery", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Say that there is something to do: after a commit with messages in it."""
        self._call.set()

    def use(self, journal: Path) -> None:
        """Deliver from this journal from now on: it is ready, or another one than before."""
        self._journal, self._anew = journal, True
        self.wake()

    def tell(self, title: str, body: str, severity: Severity, *, which: str, over: bool = False) -> None:
        """Tell people of something that the journal cannot hold, like its own disk being full.

        It is tried again like everything else. `over` takes back what was told under the same name.
        """
        self._in_memory.tell(title, body, severity, self._clock.now_utc(), which=which, over=over)
        self.wake()

    def stop(self, patience_s: float = 10.0) -> None:
        """Stop; what is under way has so long to end, and is then one of those that may have arrived."""
        self._stopping = True
        until_s = self._clock.monotonic_s() + patience_s
        self.wake()
        if self._thread is not None:
            self._thread.join(patience_s)
        for dispatcher in self._dispatchers:
            dispatcher.abandon()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        if self._heartbeat is not None:
            self._heartbeat.stop(max(until_s - self._clock.monotonic_s(), 0.0))
        self.close()

    def close(self) -> None:
        """Let go of the outbox and of all sending processes, in the thread that turned the loop last."""
        for dispatcher in self._dispatchers:
            dispatcher.abandon()
        self._close_outboxes()

    def _close_outboxes(self) -> None:
        if self._outbox is not None:
            self._outbox.close()
        self._outbox = None
        self._in_memory.close()

    def _run(self) -> None:
        try:
            while not (self._stopping and not self.busy):
                self._call.wait(TURN_S)
                self._call.clear()
                self.turn()
            self._collect(self._clock.now_utc())
        finally:
            # A connection can be closed by its own thread only.
            self._close_outboxes()

    # The loop.

    @property
    def busy(self) -> bool:
        """Whether an attempt is under way."""
        return any(dispatcher.busy for dispatcher in self._dispatchers)

    def turn(self) -> None:
        """Note what came back, and begin what is due; a journal that cannot be used is tried again."""
        self._turned()
        now_utc = self._clock.now_utc()
        outboxes = self._outboxes(now_utc)
        self._follow_clock_steps(outboxes, now_utc)
        self._collect(now_utc)
        for dispatcher in self._dispatchers:
            try:
                self._serve(dispatcher, outboxes, now_utc)
            except Problem as problem:
                self._complain(problem)
        if self._heartbeat is not None:
            self._heartbeat.turn()

    def _outboxes(self, now_utc: datetime) -> tuple[Outbox, ...]:
        """Return what is to be delivered from: what was said past the journal, and the journal's own."""
        if self._anew:
            self._anew = self.damaged = False
            self._leave_journal()
        self._in_memory.take_in(now_utc)
        own = None
        if self._journal is not None and not self.damaged:
            try:
                own = self._opened(now_utc)
            except Problem as problem:
                self._complain(problem)
        outboxes = tuple(outbox for outbox in (self._in_memory.outbox, own) if outbox is not None)
        if self._second_copy is not None and own is not None:
            self._second_copy.keep(outboxes)
        return outboxes

    def _leave_journal(self) -> None:
        """Close the journal; what is under way from it cannot be noted there any more, and is not missed."""
        left, self._outbox = self._outbox, None
        if left is not None:
            self._to_note.forget(left)
            left.close()

    def _complain(self, problem: Problem) -> None:
        if isinstance(problem, Damaged) and self._outbox is not None:
            # Whoever writes the journal may find out later, or never: it asks.
            self.damaged = True
            self._leave_journal()
        if str(problem) != self._away:
            self._away = str(problem)
            log.warning("delivery: %s", problem)

    def _opened(self, now_utc: datetime) -> Outbox:
        if self._outbox is None:
            assert self._journal is not None  # noqa: S101 - as whoever asks has seen
            outbox = Outbox.open(self._journal)
            left = outbox.resume(now_utc)
            if left:
                log.warning("%d messages were being sent when the program ended; they are sent again", left)
            self._drop_strangers(outbox, now_utc)
            self._outbox = outbox
        return self._outbox

    def _drop_strangers(self, outbox: Outbox, now_utc: datetime) -> None:
        """Settle what waits for targets that the settings no longer name."""
        for target in sorted(
            outbox.targets_waiting() - {dispatcher.name for dispatcher in self._dispatchers}
        ):
            log.warning("%s is not among the channels any more; what waited for it is dropped", target)
            outbox.drop_all(target, now_utc, "no such channel any more")

    def _follow_clock_steps(self, outboxes: Iterable[Outbox], now_utc: datetime) -> None:
        ahead_s = utc_s(now_utc) - self._clock.monotonic_s()
        if self._ahead_s is not None and abs(ahead_s - self._ahead_s) > CLOCK_STEP_S:
            for outbox in outboxes:
                with suppress(Problem):
                    outbox.clock_stepped(ahead_s - self._ahead_s, now_utc)
        self._ahead_s = ahead_s

    # What came back.

    def _collect(self, now_utc: datetime) -> None:
        while not self._results.empty():
            result = self._results.get()
            result.dispatcher.ended()
            result.dispatcher.used_s = self._clock.monotonic_s()
            if result.picture:
                if result.attempt.delivered:
                    result.dispatcher.pictured = result.row.alert.attachment
                else:
                    log.info("%s: no picture (%s)", result.dispatcher.name, result.attempt.why)
                continue
            self._count(result)
            if result.outbox in {self._outbox, self._in_memory.outbox}:
                self._to_note.add(result, now_utc)
        for outbox, problem in self._to_note.note(now_utc).items():
            if problem is not None:
                self._complain(problem)
            elif outbox is self._outbox:
                self._away = ""

    def _count(self, result: Result) -> None:
        dispatcher, attempt = result.dispatcher, result.attempt
        if attempt.delivered:
            dispatcher.failures, dispatcher.rest_until_s = 0, 0.0
            if dispatcher.wants_picture_of(result.row.alert.attachment):
                dispatcher.picture_for = result.outbox, result.row
            return
        dispatcher.failures += 1
        dispatcher.rest_until_s = self._clock.monotonic_s() + target_pause_s(
            dispatcher.failures, self._chance
        )
        log.warning("%s: not delivered (%s)", dispatcher.name, attempt.why)

    # What is due.

    def _serve(self, dispatcher: Dispatcher, outboxes: Iterable[Outbox], now_utc: datetime) -> None:
        if dispatcher.busy and not dispatcher.picture_under_way:
            return
        for _ in range(DROPS_A_TURN):
            found = self._first_due(dispatcher, outboxes, now_utc)
            if found is None or self._resting(dispatcher, found[1]):
                break
            outbox, row = found
            if dispatcher.busy:
                if row.alert.severity is Severity.NOW:
                    # Its picture, or another's, can go without; the process comes back at once.
                    dispatcher.abandon()
                return
            known = outbox.circumstances(row, now_utc)
            message = as_sent(row.alert, dispatcher.channel, self._settings, known)
            if isinstance(message, Dropped):
                outbox.drop(row, now_utc, message.why)
                continue
            if not self._stopping:
                with suppress(Problem):
                    outbox.begin(row)
                dispatcher.begin(outbox, row, message)
            return
        if not dispatcher.busy:
            self._serve_picture(dispatcher)

    def _first_due(
        self, dispatcher: Dispatcher, outboxes: Iterable[Outbox], now_utc: datetime
    ) -> tuple[Outbox, OutboxRow] | None:
        """Return the most severe that is due, of those the oldest, what was said past the journal first."""
        found: list[tuple[Outbox, OutboxRow]] = []
        for outbox in outboxes:
            row = outbox.next_due(dispatcher.name, now_utc, but=self._to_note.resting(outbox, now_utc))
            if row is not None:
                found.append((outbox, self._to_note.known(outbox, row)))
        return min(found, key=lambda one: one[1].alert.severity.rank, default=None)

    def _resting(self, dispatcher: Dispatcher, row: OutboxRow) -> bool:
        fresh = row.alert.severity is Severity.NOW and row.attempts == 0
        return not fresh and self._clock.monotonic_s() < dispatcher.rest_until_s

    def _serve_picture(self, dispatcher: Dispatcher) -> None:
        wanted, dispatcher.picture_for = dispatcher.picture_for, None
        if wanted is not None and self._draw is not None and not self._stopping:
            outbox, row = wanted
            with suppress(Problem):
                scene = outbox.scene(row.alert, row.alert_number)
                if scene is not None:
                    most_bytes = SLOW_PICTURE_BYTES if dispatcher.channel.slow else PICTURE_BYTES
                    name = self._settings.camera.name
                    told = row.alert.title.removeprefix(opened(name, ""))
                    line = opened(name, f"Picture to: {told}")
                    message = Message(title=line, body=line, severity=Severity.NOTE)
                    dispatcher.begin(outbox, row, message, partial(self._draw, scene, most_bytes))
                    return
        if dispatcher.used_s and self._clock.monotonic_s() - dispatcher.used_s > IDLE_S:
            dispatcher.abandon()
            dispatcher.used_s = 0.0
