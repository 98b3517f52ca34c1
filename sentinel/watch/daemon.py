"""The watch, put together: folder and clock on one side, journal and people on the other."""

import dataclasses
import logging
import pickle
import threading
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event as Flag

from sentinel.clock import Clock
from sentinel.delivery.heartbeat import Heartbeat
from sentinel.delivery.pictures import drawing
from sentinel.delivery.worker import Worker
from sentinel.errors import Problem, RequestProblem
from sentinel.intake.exposure_time import TIME_FROM_FILE
from sentinel.intake.pool import MeasuringPool, Work, measure_job
from sentinel.journal import Unwritable, export
from sentinel.journal.beside import keep_settings
from sentinel.records import Event, MeasuredFrame, Outcome, Surroundings, Tick
from sentinel.runner import run
from sentinel.settings import Settings
from sentinel.times import utc_s
from sentinel.watch.around import Around, boot_id
from sentinel.watch.exporting import Exporter
from sentinel.watch.gather import Attempts, Gatherer
from sentinel.watch.home import Home, refuse_folder_inside
from sentinel.watch.keeper import DAMAGED, Keeper, open_journal
from sentinel.watch.marks import leave_mark
from sentinel.watch.memory import Memory, Taken, keep, load_memory, load_taken, save
from sentinel.watch.service import Keepalive, Pulses, tell_manager
from sentinel.watch.serving import PageServer
from sentinel.watch.showing import Showing
from sentinel.watch.stream import LiveStream
from sentinel.watch.timing import LiftedClock

log = logging.getLogger(__name__)

SNAPSHOT_S = 300.0
MANY_EVENTS = 2000
TOLD_AGAIN_S = 3600.0
RESTARTS_TOLD = (4, 9, 19, 49)
"""Starts within the last hour at which one more is told: not at each."""


class Watch:
    """A watch over one camera's folder.

    Parameters
    ----------
    settings
        Validated settings.
    home
        The state folder.
    clock
        The computer's clock.
    stop
        Set from outside when the watch is to end.
    work
        How a file is measured; a function that can be pickled.

    Raises
    ------
    RequestProblem
        If no folder is named, it holds the state folder, or another watch is at work there.
    """

    def __init__(
        self,
        settings: Settings,
        home: Home,
        clock: Clock,
        stop: Flag,
        *,
        work: Work = measure_job,
    ) -> None:
        if not settings.frames.folder:
            raise RequestProblem(
                "no folder to watch is named", where="frames.folder", mend="name the camera's folder"
            )
        refuse_folder_inside(home.folder, Path(settings.frames.folder))
        self._settings, self._home, self._stop, self._work = settings, home, stop, work
        self._clock = LiftedClock(clock)
        self._pulses = Pulses(self._clock, ("intake", "measuring", "judging"))
        self._keepalive = Keepalive(self._clock, self._pulses)
        self._saved_s = self._clock.monotonic_s()
        self._save_now = False
        self.server: PageServer | None = None
        """Serves the page, where that is asked for."""
        self._told_failures = 0
        self._told_s: dict[str, float] = {}
        """When which trouble was told."""

    def run(self) -> None:
        """Watch until told to stop."""
        self._home.create()
        self._home.lock()
        try:
            self._run()
        finally:
            self._home.unlock()

    def _run(self) -> None:
        home, settings, clock = self._home, self._settings, self._clock
        journal, damage = open_journal(home, clock)
        keep_settings(journal, settings)
        home.lay_ballast(round(settings.state.ballast_mb * 1e6))
        # Two of them: what the gatherer has handed on, and what of it is committed and may be remembered.
        taken = load_taken(home.snapshot, settings, journal, anew=bool(damage))
        self._kept = taken.known.copy()
        self._gatherer = Gatherer(
            settings,
            taken.known,
            clock,
            self._pulses,
            make_pool=self._make_pool,
            attempts=Attempts(home.attempt),
            offset_before_s=taken.camera_offset_s,
        )
        # The folder is looked at while the heavier rooms wake up.
        thread = threading.Thread(target=self._gatherer.run, name="gatherer", daemon=True)
        thread.start()
        self._memory = load_memory(home.snapshot, settings, journal, anew=bool(damage))
        self._keeper = Keeper(
            home,
            journal,
            clock,
            self._pulses,
            stop=self._stop,
            noted=self._noted,
            renewed=self._renewed,
            trouble=self._trouble,
        )
        self._delivery: Worker | None = None
        self._showing = Showing(home, settings, clock, self._gatherer)
        self._exporter = Exporter(home, clock)
        try:
            self._start_serving()
            behind = journal.last_number - self._memory.number
            if behind > MANY_EVENTS:
                # Without a snapshot days of events take minutes, and the manager's patience has an end.
                tell_manager(f"READY=1\nSTATUS=going through {behind} events of the journal")
                log.info("going through %d events of the journal first", behind)
            self._memory.catch_up(journal, self._turned)
            self._start_delivery()
            self._exporter.start()
            if damage:
                self._save()
                self._trouble(DAMAGED, f"{damage}. It was set aside and the watch goes on with a new one.")
            self._tell_of_restarts()
            self._showing.show(self._memory)
            tell_manager("READY=1\nSTATUS=watching")
            log.info("watching %s; state in %s", settings.frames.folder, home.folder)
            self._watch()
        except Unwritable as problem:
            log.warning("%s; stopped without the last event, its file is still there", problem)
        finally:
            tell_manager("STOPPING=1")
            self._end(thread)

    def _make_pool(self) -> MeasuringPool:
        return MeasuringPool(self._clock, count=1, patience_s=self._settings.intake.hang_s, work=self._work)

    def _watch(self) -> None:
        """Run one stream of events after another; each ends where the clock is set."""
        around = Around(
            Path(self._settings.frames.folder),
            self._home.folder,
            self._gatherer,
            self._clock,
            self._pulses,
            messages=self._showing.messages,
        )
        base = pickle.dumps(self._memory)
        stepped_s: float | None = None
        while not self._stop.is_set():
            memory = self._memory
            self._clock.lift_to(memory.last_utc)
            stream = LiveStream(
                self._gatherer,
                around,
                self._home.marks,
                self._clock,
                turned=self._turned,
                stop=self._stop,
                last_utc=memory.last_utc,
                known_marks=set(self._keeper.journal.marks()),
            )
            run(stream.events(stepped_s=stepped_s), self._memory, self._keeper, (self._observe,))
            if stream.stepped:
                stepped_s = self._put_times_right(base)

    def _turned(self) -> None:
        """Say that judging goes on."""
        self._pulses.beat("judging")
        self._keepalive.turn()

    # After each event.

    def _noted(self, event: Event, outcome: Outcome, now_utc: datetime, number: int) -> None:
        self._memory.took(event, outcome, now_utc, number)
        if isinstance(event, MeasuredFrame):
            keep(self._kept, event)
        if outcome != Outcome() or not isinstance(event, Tick | Surroundings):
            self._exporter.noted()

    def _observe(self, event: Event, outcome: Outcome) -> None:
        if outcome.postings and self._delivery is not None:
            self._delivery.wake()
        for incident in outcome.incidents:
            log.info("%s %s: %s", incident.severity, incident.state, incident.message or incident.condition)
        if isinstance(event, MeasuredFrame) and event.error is not None:
            log.warning("%s: %s", event.frame, event.error)
        if isinstance(event, Surroundings):
            self._home.lay_ballast(round(self._settings.state.ballast_mb * 1e6))
        self._showing.show(self._memory, at_once=self._gatherer.arrivals.empty())
        if self._memory.failures > self._told_failures:
            self._told_failures = self._memory.failures
            self._trouble(
                "The watch stumbled", "A picture could not be judged. Look at the log; the watch goes on."
            )
        if self._save_now or self._clock.monotonic_s() - self._saved_s >= SNAPSHOT_S:
            self._save()

    def _save(self) -> None:
        self._save_now, self._saved_s = False, self._clock.monotonic_s()
        offset = self._gatherer.offset
        taken = Taken(self._kept, self._memory.number, offset.current_s if offset.is_known else None)
        save(self._home.snapshot, self._memory, taken)

    # When something went wrong.

    def _renewed(self) -> None:
        """Go on with a new journal: what is known lives in the snapshot until the next start."""
        self._memory.number, self._save_now = 0, True
        keep_settings(self._keeper.journal, self._settings)
        self._showing.forget_journal()
        self._start_delivery()

    def _start_delivery(self) -> None:
        if self._delivery is not None:
            self._delivery.stop(patience_s=1.0)
        draw = drawing(self._settings)
        heartbeat = Heartbeat(self._settings.heartbeat, self._clock, lambda: not self._pulses.stuck())
        self._delivery = Worker(
            self._home.journal, self._settings, self._clock, draw=draw, heartbeat=heartbeat
        )
        self._delivery.start()
        worker = self._delivery
        self._pulses.follow("alerting", lambda: worker.turns)

    def _start_serving(self) -> None:
        if self._settings.page.listen is not None:
            server = PageServer(
                self._settings.page,
                self._clock,
                self._showing.served_page,
                lambda mark: leave_mark(self._home.marks, mark),
            )
            server.start()
            self.server = server
            log.info("the page is served at %s:%d", *server.address)

    def _trouble(self, title: str, body: str) -> None:
        """Tell people past the journal, which may be the trouble; the same not more than once an hour."""
        log.error("%s: %s", title, body)
        now_s = self._clock.monotonic_s()
        if now_s - self._told_s.get(title, -TOLD_AGAIN_S) < TOLD_AGAIN_S:
            return
        self._told_s[title] = now_s
        if self._delivery is not None:
            self._delivery.tell(title, body)

    def _tell_of_restarts(self) -> None:
        """Say when the watch is started again and again: the service manager never gives up, silently."""
        journal, hour_ago = self._keeper.journal, self._clock.now_utc() - timedelta(hours=1)
        starts = sum(
            isinstance(event, Surroundings) and event.away_s is not None and now_utc > hour_ago
            for _, event, now_utc in journal.numbered_events(max(journal.last_number - 500, 0))
        )
        if starts in RESTARTS_TOLD:
            self._trouble(
                f"The watch was started again {starts + 1} times within an hour",
                "It crashes, hangs, or its power comes and goes. Look at its log and its power supply.",
            )

    def _put_times_right(self, base: bytes) -> float:
        """Re-time what was read off the clock before it was set; rebuild the state; return the step.

        Everything that this run of the computer has put into the journal moves with the clock, so that what
        happened two minutes ago still did.
        """
        wrong_utc = self._memory.last_utc or self._clock.now_utc()
        step_s = self._clock.follow()
        shift = timedelta(seconds=step_s)
        journal = self._keeper.journal
        first = journal.first_number(lambda event: event.boot_id == boot_id())
        log.warning("the computer's clock was set by %+.1f s at %s; times are put right", step_s, wrong_utc)
        self._gatherer.offset.restart()
        auto = self._settings.camera.clock_offset_s == "auto"
        journal.reword_events(lambda event, now: (_moved(event, shift, auto=auto), now + shift), first - 1)
        memory: Memory = pickle.loads(base)  # noqa: S301 - our own, made above
        self._memory = memory if memory.number < first else Memory(self._settings)
        self._memory.catch_up(journal, self._turned)
        self._save()
        return step_s

    # The end.

    def _end(self, thread: threading.Thread) -> None:
        if self.server is not None:
            self.server.stop()
        gatherer = self._gatherer
        gatherer.stop.set()
        gatherer.wake.set()
        thread.join(timeout=10)
        if self._delivery is not None:
            self._delivery.stop()
        self._showing.show(self._memory)
        self._showing.stop()
        self._save()
        self._exporter.stop()
        try:
            export(self._keeper.journal, self._home.folder)
        except (OSError, Problem) as error:
            log.warning("the files for people could not be written (%s); the journal holds it all", error)
        self._keeper.journal.close()


def _moved(event: Event, shift: timedelta, *, auto: bool) -> Event:
    """Return an event as it would be had the clock been right."""
    if not isinstance(event, MeasuredFrame):
        return dataclasses.replace(event, time_utc=event.time_utc + shift)
    if event.arrived_utc is None:
        return event
    late_s = abs(utc_s(event.arrived_utc) - utc_s(event.time_utc))
    # A file written by this computer bears the time of this computer's clock.
    ours = auto or (TIME_FROM_FILE in event.flags and late_s < 120)
    return dataclasses.replace(
        event,
        arrived_utc=event.arrived_utc + shift,
        time_utc=event.time_utc + shift if ours else event.time_utc,
    )
