"""The watch, put together: folder and clock on one side, journal and people on the other."""

import logging
import pickle
import threading
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event as Flag

from sentinel.chain.intake.pool import MeasuringPool, measure_job, measuring_failed
from sentinel.chain.runner import run
from sentinel.core.clock import Clock
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.other_cameras import OtherCamera
from sentinel.core.records import Event, MeasuredFrame, Outcome, Surroundings, Tick
from sentinel.core.settings import Settings
from sentinel.service.delivery.heartbeat import HeartbeatPinger
from sentinel.service.delivery.pictures import drawing
from sentinel.service.delivery.worker import Worker
from sentinel.service.journal.export import export
from sentinel.service.journal.opening import Damaged, Unwritable
from sentinel.service.journal.session_facts import keep_settings, kept_settings
from sentinel.service.watch.alarms import Alarms
from sentinel.service.watch.allocator import give_back_now
from sentinel.service.watch.computer import boot_id
from sentinel.service.watch.exporting import Exporter
from sentinel.service.watch.folder_intake import Attempts, FolderIntake
from sentinel.service.watch.journal_keeper import JournalKeeper
from sentinel.service.watch.liveness import Keepalive, Liveness, tell_manager
from sentinel.service.watch.marks import leave_mark
from sentinel.service.watch.measuring_turn import MeasuringInTurn, MeasuringTurn, runtime_folder
from sentinel.service.watch.metrics_out import MetricsFile, need_metrics
from sentinel.service.watch.mqtt_state import StatePublisher
from sentinel.service.watch.neighbours import NeighbourReader
from sentinel.service.watch.page_server import PageServer
from sentinel.service.watch.snapshot import (
    IntakeState,
    WatchState,
    load_intake_state,
    load_watch_state,
    remember,
    save,
)
from sentinel.service.watch.state_folder import StateFolder, refuse_folder_inside
from sentinel.service.watch.status_files import Listener, StatusFiles
from sentinel.service.watch.stream import LiveStream
from sentinel.service.watch.surroundings import SurroundingsReader
from sentinel.service.watch.timing import WatchClock, moved, with_offset

log = logging.getLogger(__name__)

SNAPSHOT_S = 300.0
MANY_EVENTS = 2000
STARTING = "starting"


class Watch:
    """A watch over one camera's folder.

    `stop`: set from outside when the watch is to end.
    Raises `RequestProblem` if no folder is named, it holds the state folder, or another watch is at work
    there.
    """

    def __init__(self, settings: Settings, files: StateFolder, clock: Clock, stop: Flag) -> None:
        if not settings.frames.folder:
            raise RequestProblem(
                "no folder to watch is named", where="frames.folder", mend="name the camera's folder"
            )
        refuse_folder_inside(files.folder, Path(settings.frames.folder))
        self._settings, self._files, self._stop = settings, files, stop
        self._clock = WatchClock(clock)
        self._liveness = Liveness(self._clock, ("intake", "measuring", "judging", "alerting"))
        self._keepalive = Keepalive(self._clock, self._liveness)
        self._saved_s = self._clock.monotonic_s()
        self._save_now = False
        self.server: PageServer | None = None
        """Serves the page, where that is asked for."""
        self._publisher: StatePublisher | None = None
        self._intake_thread: threading.Thread | None = None
        self._begun = self._watching = False
        self._exporter = Exporter(files, self._clock)
        self._delivery = Worker(
            None,
            settings,
            self._clock,
            draw=drawing(settings),
            second_copy=files.second_copy,
            heartbeat=HeartbeatPinger(settings.heartbeat, self._clock, lambda: self._liveness.sees),
            turned=lambda: self._liveness.beat("alerting"),
        )
        self._alarms = Alarms(self._clock, self._liveness, self._delivery)
        self._keeper = JournalKeeper(
            files,
            self._clock,
            self._alarms,
            stop=stop,
            after_commit=self._after_commit,
            after_replacement=self._after_replacement,
            alive=self._alive,
        )

    def run(self) -> None:
        """Watch until told to stop.

        Raises `Problem` if the state folder cannot be used, or if at the end what is known could not be kept.
        """
        self._files.create()
        self._files.lock()
        try:
            self._run()
        finally:
            self._files.unlock()

    def _run(self) -> None:
        self._liveness.blind.add(STARTING)
        self._delivery.start()
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
        files, settings, clock, journal = self._files, self._settings, self._clock, self._keeper.journal
        # What waits goes out whatever else there is to do first.
        self._delivery.use(files.journal)
        self._alarms.of_starts(journal)
        self._mend_exposures()
        keep_settings(journal, settings)
        files.lay_ballast(round(settings.state.ballast_mb * 1e6))
        # Two of them: what the intake has handed on, and what of it is committed and may be remembered.
        intake_state = load_intake_state(files.snapshot, settings, journal, anew=bool(damage))
        self._known_files = intake_state.known.copy()
        self._intake = FolderIntake(
            settings,
            intake_state.known,
            clock,
            self._liveness,
            make_pool=self._make_pool,
            attempts=Attempts(files.attempt),
            offset_before_s=intake_state.camera_offset_s,
        )
        self._intake_thread = threading.Thread(target=self._intake.run, name="intake", daemon=True)
        self._intake_thread.start()
        self._status_files = StatusFiles(files, settings, clock, self._intake, self._listeners())
        self._state = load_watch_state(files.snapshot, settings, journal, anew=bool(damage))
        self._start_serving()
        self._begun = True
        if damage:
            self._save()
            self._keeper.tell_of_damage(damage)

    def _mend_exposures(self) -> None:
        """Give the exposures so far the times they have by the camera's offset, if that was set since."""
        journal = self._keeper.journal
        kept = kept_settings(journal)
        before, now = (kept[-1].settings if kept else self._settings), self._settings
        before_s, now_s = before.camera.clock_offset_s, now.camera.clock_offset_s
        if before_s == now_s or before_s == "auto" or now_s == "auto":  # noqa: PLR1714 - narrows the types
            return
        log.info("camera.clock_offset_s is %s, no more %s: exposures are put right", now_s, before_s)
        journal.reword_events(lambda event, at_utc: (with_offset(event, before_s, now_s), at_utc), 0)

    def _caught_up(self) -> bool:
        """Go through what of the journal the snapshot lacks; return whether it came to the end of it."""
        journal, state = self._keeper.journal, self._state
        behind = journal.last_number - state.number
        if behind > MANY_EVENTS:
            # Without a snapshot days of events take minutes, and the manager's patience has an end.
            tell_manager(f"STATUS=going through {behind} events of the journal")
            log.info("going through %d events of the journal first", behind)
        self._liveness.blind.add(STARTING)
        done = state.catch_up(journal, self._alive, self._stop)
        give_back_now()
        if done:
            self._liveness.blind.discard(STARTING)
        return done

    def _make_pool(self) -> MeasuringInTurn:
        clock, patience_s = self._clock, self._settings.intake.hang_s
        return MeasuringInTurn(
            lambda: MeasuringPool(clock, measure_job, measuring_failed, count=1, patience_s=patience_s),
            MeasuringTurn(runtime_folder(), clock, self._stop),
        )

    def _watch(self) -> None:
        """Run one stream of events after another; each ends where the clock is set."""
        self._exporter.start()
        self._status_files.show(self._state)
        self._watching = True
        tell_manager("STATUS=watching")
        log.info("watching %s; state in %s", self._settings.frames.folder, self._files.folder)
        around = SurroundingsReader(
            Path(self._settings.frames.folder),
            self._files.folder,
            self._intake,
            self._clock,
            self._liveness,
            messages=self._status_files.messages,
        )
        neighbours = NeighbourReader(self._settings.neighbours, self._files.folder, self._clock)
        neighbours.start()
        base = pickle.dumps(self._state)
        stepped_s: float | None = None
        while not self._stop.is_set():
            state = self._state
            self._clock.lift_to(state.last_utc)
            stream = LiveStream(
                self._intake,
                around,
                self._files.marks,
                self._clock,
                alive=self._alive_while_watching,
                stop=self._stop,
                last_utc=state.last_utc,
                known_marks=set(self._keeper.journal.marks()),
                unreadable=self._alarms.of_a_mark,
                neighbours=neighbours.news,
            )
            run(stream.events(stepped_s=stepped_s), self._state, self._keeper, (self._observe,))
            if stream.stepped:
                stepped_s = self._put_times_right(base)

    def _alive(self) -> None:
        """Say that judging goes on."""
        if self._intake_thread is None:
            # Not begun: the journal is waited for.
            self._liveness.beat("intake")
            self._liveness.beat("measuring")
        self._liveness.beat("judging")
        self._keepalive.turn()

    def _alive_while_watching(self) -> None:
        self._alive()
        self._keeper.check()
        self._alarms.of_the_folder(self._intake.trouble)
        if self._delivery.damaged:
            self._keeper.begin_anew(Damaged("is damaged where messages wait", where=str(self._files.journal)))

    # After each event.

    def _after_commit(self, event: Event, outcome: Outcome, now_utc: datetime, number: int) -> None:
        self._state.committed(event, outcome, now_utc, number)
        if isinstance(event, MeasuredFrame):
            remember(self._known_files, event)
        if outcome != Outcome() or not isinstance(event, Tick | Surroundings | OtherCamera):
            self._exporter.noted()

    def _observe(self, event: Event, outcome: Outcome) -> None:
        if outcome.postings:
            self._delivery.wake()
        for incident in outcome.incidents:
            log.info("%s %s: %s", incident.severity, incident.state, incident.message or incident.condition)
        if isinstance(event, MeasuredFrame) and event.error is not None:
            log.warning("%s: %s", event.frame, event.error)
        if isinstance(event, Surroundings):
            self._files.lay_ballast(round(self._settings.state.ballast_mb * 1e6))
        self._status_files.show(self._state, at_once=self._intake.arrivals.empty())
        self._alarms.of_pictures(self._state)
        if self._save_now or self._clock.monotonic_s() - self._saved_s >= SNAPSHOT_S:
            self._save()

    def _save(self) -> None:
        self._save_now, self._saved_s = False, self._clock.monotonic_s()
        intake_state = IntakeState(self._known_files, self._state.number, self._intake.offset.known_s)
        save(self._files.snapshot, self._state, intake_state)
        give_back_now()

    # When something went wrong.

    def _after_replacement(self, holds_all: bool) -> None:
        """Go on with another file in the journal's place."""
        if not holds_all:
            # What is known lives in the snapshot until the next start.
            self._state.number = 0
        self._save_now = True
        keep_settings(self._keeper.journal, self._settings)
        self._status_files.forget_journal()
        self._delivery.use(self._files.journal)

    def _listeners(self) -> Sequence[Listener]:
        """Return whatever else is told how things stand, as far as that is asked for."""
        found: list[Listener] = []
        metrics, mqtt = self._settings.metrics, self._settings.mqtt
        need_metrics(metrics)
        if metrics.textfile:
            found.append(MetricsFile(Path(metrics.textfile)).write)
        if mqtt.url_from is not None:
            self._publisher = StatePublisher(mqtt, self._settings.camera.name)
            self._publisher.start()
            found.append(self._publisher.tell)
        return found

    def _start_serving(self) -> None:
        if self._settings.page.listen is not None:
            pages = {"/": self._status_files.served_page}
            if self._settings.metrics.served:
                pages["/metrics"] = self._status_files.served_metrics
            server = PageServer(
                self._settings.page,
                self._clock,
                pages,
                self._status_files.served_status,
                lambda mark: leave_mark(self._files.marks, mark),
            )
            server.start()
            self.server = server
            log.info("the page is served at %s:%d", *server.address)

    def _put_times_right(self, base: bytes) -> float:
        """Re-time what was read off the clock before it was set; rebuild the state; return the step.

        Everything that this run of the computer has put into the journal moves with the clock, so that what
        happened two minutes ago still did.
        """
        wrong_utc = self._state.last_utc or self._clock.now_utc()
        step_s = self._clock.follow()
        shift = timedelta(seconds=step_s)
        journal = self._keeper.journal
        first = journal.first_number(lambda event: event.boot_id == boot_id())
        log.warning("the computer's clock was set by %+.1f s at %s; times are put right", step_s, wrong_utc)
        self._intake.offset.restart()
        auto = self._settings.camera.clock_offset_s == "auto"
        journal.reword_events(lambda event, now: (moved(event, shift, auto=auto), now + shift), first - 1)
        state: WatchState = pickle.loads(base)  # noqa: S301 - our own, made above
        self._state = state if state.number < first else WatchState(self._settings)
        self._caught_up()
        self._save()
        return step_s

    # The end.

    def _end(self) -> None:
        if self.server is not None:
            self.server.stop()
        if self._publisher is not None:
            self._publisher.stop()
        if self._intake_thread is not None:
            self._intake.stop.set()
            self._intake.wake.set()
            self._intake_thread.join(timeout=10)
        self._delivery.stop()
        if not self._begun:
            self._keeper.close()
            return
        try:
            self._keeper.check()
        finally:
            if self._watching:
                self._status_files.show(self._state)
            self._status_files.stop()
            self._save()
            self._exporter.stop()
            if self._watching and self._keeper.is_open:
                self._export()
            self._keeper.close()

    def _export(self) -> None:
        try:
            export(self._keeper.journal, self._files.folder)
        except (OSError, Problem) as error:
            log.warning("the files for people could not be written (%s); the journal holds it all", error)
