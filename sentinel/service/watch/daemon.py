"""The watch, put together: folder and clock on one side, journal and people on the other."""

import logging
import pickle
import threading
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event as Flag

from sentinel.chain.intake.pool import MeasuringPool, Work, measure_job
from sentinel.chain.runner import run
from sentinel.core.clock import Clock
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Event, MeasuredFrame, Outcome, Surroundings, Tick
from sentinel.core.settings import Settings
from sentinel.service.delivery.heartbeat import Heartbeat
from sentinel.service.delivery.pictures import drawing
from sentinel.service.delivery.worker import Worker
from sentinel.service.journal import Damaged, Unwritable, export
from sentinel.service.journal.beside import keep_settings
from sentinel.service.watch.alarms import Alarms
from sentinel.service.watch.around import Around
from sentinel.service.watch.computer import boot_id
from sentinel.service.watch.exporting import Exporter
from sentinel.service.watch.gather import Attempts, Gatherer
from sentinel.service.watch.home import Home, refuse_folder_inside
from sentinel.service.watch.keeper import Keeper
from sentinel.service.watch.marks import leave_mark
from sentinel.service.watch.memory import Memory, Taken, keep, load_memory, load_taken, save
from sentinel.service.watch.service import Keepalive, Pulses, tell_manager
from sentinel.service.watch.serving import PageServer
from sentinel.service.watch.showing import Showing
from sentinel.service.watch.stream import LiveStream
from sentinel.service.watch.timing import LiftedClock, moved

log = logging.getLogger(__name__)

SNAPSHOT_S = 300.0
MANY_EVENTS = 2000
STARTING = "starting"


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
        self._gathering: threading.Thread | None = None
        self._begun = self._watching = False
        self._exporter = Exporter(home, self._clock)
        self._delivery = self._made_delivery()
        self._alarms = Alarms(self._clock, self._pulses, self._delivery)
        self._keeper = Keeper(
            home,
            self._clock,
            self._pulses,
            stop=stop,
            noted=self._noted,
            renewed=self._renewed,
            turned=self._turned,
            tell=self._alarms.tell,
        )

    def run(self) -> None:
        """Watch until told to stop.

        Raises
        ------
        Problem
            If the state folder cannot be used, or if at the end what is known could not be kept.
        """
        self._home.create()
        self._home.lock()
        try:
            self._run()
        finally:
            self._home.unlock()

    def _run(self) -> None:
        self._pulses.blind.add(STARTING)
        self._delivery.start()
        worker = self._delivery
        self._pulses.follow("alerting", lambda: worker.turns)
        tell_manager("READY=1\nSTATUS=starting")
        try:
            damage = self._keeper.open()
            self._begin(damage)
            if self._caught_up():
                self._watch()
        except Unwritable as problem:
            log.warning("%s; stopped without the last event, its file is still there", problem)
        finally:
            tell_manager("STOPPING=1")
            self._end()

    def _begin(self, damage: str) -> None:
        """Take up what is known, and look after the folder while the heavier rooms wake up."""
        home, settings, clock, journal = self._home, self._settings, self._clock, self._keeper.journal
        # What waits goes out whatever else there is to do first.
        self._delivery.use(home.journal)
        self._alarms.of_starts(journal)
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
        self._gathering = threading.Thread(target=self._gatherer.run, name="gatherer", daemon=True)
        self._gathering.start()
        self._showing = Showing(home, settings, clock, self._gatherer)
        self._memory = load_memory(home.snapshot, settings, journal, anew=bool(damage))
        self._start_serving()
        self._begun = True
        if damage:
            self._save()
            self._keeper.tell_of_damage(damage)

    def _caught_up(self) -> bool:
        """Go through what of the journal the snapshot lacks; return whether it came to the end of it."""
        journal, memory = self._keeper.journal, self._memory
        behind = journal.last_number - memory.number
        if behind > MANY_EVENTS:
            # Without a snapshot days of events take minutes, and the manager's patience has an end.
            tell_manager(f"STATUS=going through {behind} events of the journal")
            log.info("going through %d events of the journal first", behind)
        self._pulses.blind.add(STARTING)
        done = memory.catch_up(journal, self._turned, self._stop)
        if done:
            self._pulses.blind.discard(STARTING)
        return done

    def _make_pool(self) -> MeasuringPool:
        return MeasuringPool(self._clock, count=1, patience_s=self._settings.intake.hang_s, work=self._work)

    def _watch(self) -> None:
        """Run one stream of events after another; each ends where the clock is set."""
        self._exporter.start()
        self._showing.show(self._memory)
        self._watching = True
        tell_manager("STATUS=watching")
        log.info("watching %s; state in %s", self._settings.frames.folder, self._home.folder)
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
                turned=self._turned_live,
                stop=self._stop,
                last_utc=memory.last_utc,
                known_marks=set(self._keeper.journal.marks()),
                unreadable=self._alarms.of_a_mark,
            )
            run(stream.events(stepped_s=stepped_s), self._memory, self._keeper, (self._observe,))
            if stream.stepped:
                stepped_s = self._put_times_right(base)

    def _turned(self) -> None:
        """Say that judging goes on."""
        if self._gathering is None:
            # Not begun: the journal is waited for.
            self._pulses.beat("intake")
            self._pulses.beat("measuring")
        self._pulses.beat("judging")
        self._keepalive.turn()

    def _turned_live(self) -> None:
        self._turned()
        self._keeper.check()
        self._alarms.of_the_folder(self._gatherer.trouble)
        if self._delivery.damaged:
            self._keeper.begin_anew(Damaged("is damaged where messages wait", where=str(self._home.journal)))

    # After each event.

    def _noted(self, event: Event, outcome: Outcome, now_utc: datetime, number: int) -> None:
        self._memory.took(event, outcome, now_utc, number)
        if isinstance(event, MeasuredFrame):
            keep(self._kept, event)
        if outcome != Outcome() or not isinstance(event, Tick | Surroundings):
            self._exporter.noted()

    def _observe(self, event: Event, outcome: Outcome) -> None:
        if outcome.postings:
            self._delivery.wake()
        for incident in outcome.incidents:
            log.info("%s %s: %s", incident.severity, incident.state, incident.message or incident.condition)
        if isinstance(event, MeasuredFrame) and event.error is not None:
            log.warning("%s: %s", event.frame, event.error)
        if isinstance(event, Surroundings):
            self._home.lay_ballast(round(self._settings.state.ballast_mb * 1e6))
        self._showing.show(self._memory, at_once=self._gatherer.arrivals.empty())
        self._alarms.of_pictures(self._memory)
        if self._save_now or self._clock.monotonic_s() - self._saved_s >= SNAPSHOT_S:
            self._save()

    def _save(self) -> None:
        self._save_now, self._saved_s = False, self._clock.monotonic_s()
        offset = self._gatherer.offset
        taken = Taken(self._kept, self._memory.number, offset.current_s if offset.is_known else None)
        save(self._home.snapshot, self._memory, taken)

    # When something went wrong.

    def _renewed(self, holds_all: bool) -> None:
        """Go on with another file in the journal's place."""
        if not holds_all:
            # What is known lives in the snapshot until the next start.
            self._memory.number = 0
        self._save_now = True
        keep_settings(self._keeper.journal, self._settings)
        self._showing.forget_journal()
        self._delivery.use(self._home.journal)

    def _made_delivery(self) -> Worker:
        return Worker(
            None,
            self._settings,
            self._clock,
            draw=drawing(self._settings),
            spare=self._home.spare,
            heartbeat=Heartbeat(self._settings.heartbeat, self._clock, lambda: self._pulses.sees),
        )

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
        journal.reword_events(lambda event, now: (moved(event, shift, auto=auto), now + shift), first - 1)
        memory: Memory = pickle.loads(base)  # noqa: S301 - our own, made above
        self._memory = memory if memory.number < first else Memory(self._settings)
        self._caught_up()
        self._save()
        return step_s

    # The end.

    def _end(self) -> None:
        if self.server is not None:
            self.server.stop()
        if self._gathering is not None:
            self._gatherer.stop.set()
            self._gatherer.wake.set()
            self._gathering.join(timeout=10)
        self._delivery.stop()
        if not self._begun:
            self._keeper.close()
            return
        try:
            self._keeper.check()
        finally:
            if self._watching:
                self._showing.show(self._memory)
            self._showing.stop()
            self._save()
            self._exporter.stop()
            if self._watching and self._keeper.is_open:
                self._export()
            self._keeper.close()

    def _export(self) -> None:
        try:
            export(self._keeper.journal, self._home.folder)
        except (OSError, Problem) as error:
            log.warning("the files for people could not be written (%s); the journal holds it all", error)
