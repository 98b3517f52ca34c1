"""The drill as it goes: pictures arrive, the watch looks, people are told; what they do changes the world."""

import contextlib
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from textwrap import wrap

from sentinel.chain.notify.counting import wakes
from sentinel.core.clock import SystemClock
from sentinel.core.errors import Problem
from sentinel.core.records import Alert, Mark, MarkKind, Severity
from sentinel.core.settings import Settings
from sentinel.core.times import from_utc_s
from sentinel.core.words import times_in
from sentinel.jobs.rehearse.drills import Drill, ending
from sentinel.jobs.rehearse.pace import PacedClock
from sentinel.jobs.simulate.session import write_exposure
from sentinel.jobs.simulate.synthesize import SessionPlan, plan_session
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.session_facts import deliveries
from sentinel.service.watch.daemon import Watch
from sentinel.service.watch.marks import leave_mark
from sentinel.service.watch.state_folder import StateFolder

START_S, FRAME_S, TURN_S = 120.0, 60.0, 5.0
"""Real seconds that are waited for the watch to begin, to take up a picture, and for its loops to turn."""
STEP_S = 1.0
"""Real seconds between two steps of the clock."""
LAG = timedelta(seconds=2)
"""From an exposure to its file."""
AT_WORK = timedelta(minutes=2)
"""How long the pretended helper needs at the camera."""
LOOPS = ("rehearsed watch", "intake")
WIDTH = 80
GOES = frozenset({Severity.NOW, Severity.SOON})


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that was said or done."""

    time_utc: datetime
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class DrillOutcome:
    """The drill at its end."""

    ending: str
    told: list[Told]


class Rehearsal:
    """One drill.

    `settings`: by which the drill is watched.
    `base`: a folder for pictures (`in`) and the watch's own files (`state`).
    `speed`: how many times faster than real time.
    `helper`: somebody pretended sets off at the first message that calls for it.
    `say`: told what happens, a line each.
    """

    def __init__(
        self,
        settings: Settings,
        drill: Drill,
        base: Path,
        speed: float,
        *,
        helper: bool,
        say: Callable[[str], None],
    ) -> None:
        self._settings, self._drill, self._speed, self._say = settings, drill, speed, say
        self._helper = helper
        self._real = SystemClock()
        self._now_utc = from_utc_s(drill.calm.start_s)
        self._clock = PacedClock(self._now_utc, self._real)
        self.files = StateFolder(base / "state")
        self.times = times_in(settings.alerts.zone)
        self._world: SessionPlan = plan_session(drill.scenario())
        self._alerts: list[Alert] = []
        self._written = 0
        self._failed: BaseException | None = None
        self._coming: list[tuple[datetime, MarkKind]] | None = None
        self._wait = threading.Event()

    def run(self) -> DrillOutcome:
        """Play it to its end, or until somebody interrupts it.

        Raises `Problem` if the watch cannot begin.
        """
        Path(self._settings.frames.folder).mkdir(parents=True)
        self.files.create()
        self._publish()
        stop = threading.Event()
        watch = Watch(self._settings, self.files, self._clock, stop)
        thread = threading.Thread(target=self._watched, args=(watch,), name=LOOPS[0], daemon=True)
        thread.start()
        try:
            self._until(self.files.status_json.exists, START_S)
            with contextlib.suppress(KeyboardInterrupt):
                self._play()
        finally:
            stop.set()
            thread.join(FRAME_S)
        self._read_journal()
        if self._failed is not None:
            raise self._failed
        return self._outcome()

    def _watched(self, watch: Watch) -> None:
        try:
            watch.run()
        except BaseException as error:  # noqa: BLE001 - told by the thread that plays
            self._failed = error

    def _play(self) -> None:
        end_utc = from_utc_s(self._drill.calm.end_s)
        due_s, number = self._real.monotonic_s(), 0
        step = timedelta(seconds=STEP_S * self._speed)
        while self._now_utc < end_utc and self._failed is None:
            arrival = self._arrival(number)
            before, self._now_utc = self._now_utc, min(self._now_utc + step, arrival or end_utc, end_utc)
            # What could not be kept up with is not caught up: the drill's own clock waits.
            due_s = max(
                due_s + (self._now_utc - before).total_seconds() / self._speed, self._real.monotonic_s()
            )
            self._wait.wait(max(due_s - self._real.monotonic_s(), 0.0))
            self._clock.move_to(self._now_utc)
            self._publish()
            if arrival is not None and self._now_utc >= arrival:
                self._expose(number)
                number += 1
            self._read_journal()
            self._help()
            self._until(lambda: self._clock.asked_by(LOOPS), TURN_S)

    def _arrival(self, number: int) -> datetime | None:
        taken = self._world.taken.utc_s
        return from_utc_s(float(taken[number])) + LAG if number < len(taken) else None

    def _expose(self, number: int) -> None:
        if not self._drill.takes_pictures(self._now_utc):
            return
        self._written += 1
        name = f"REHE{self._written:04d}.JPG"
        write_exposure(self._world, number, Path(self._settings.frames.folder) / name)
        self._until(lambda: self._frames() >= self._written, FRAME_S)

    def _frames(self) -> int:
        with contextlib.suppress(Problem), Journal.read(self.files.journal) as journal:
            return sum(1 for _ in journal.frames())
        return 0

    def _read_journal(self) -> None:
        """Hear what was told and what was noted; what was noted changes the world."""
        with contextlib.suppress(Problem), Journal.read(self.files.journal) as journal:
            alerts, marks = list(journal.alerts()), list(journal.marks())
            for alert in alerts[len(self._alerts) :]:
                severity = alert.severity.value.upper()
                self._say(f"{self.times.at(alert.time_utc)}  {severity:<4}  {alert.title}\n{_in(alert.body)}")
            self._alerts = alerts
            for mark in marks[len(self._drill.marks) :]:
                self._say(f"{self.times.at(mark.time_utc)}  DONE  {mark.kind} {mark.text}".rstrip())
            if len(marks) > len(self._drill.marks):
                self._drill = replace(self._drill, marks=tuple(marks))
                self._world = plan_session(self._drill.scenario())

    def _help(self) -> None:
        """Play the helper: set off when called, arrive, see to it."""
        usual = self._drill.kind.usual
        if not self._helper or usual is None:
            return
        if self._coming is None:
            called = any(
                alert.severity in GOES and alert.kind == "first" and alert.time_utc >= self._drill.at_utc
                for alert in self._alerts
            )
            if called:
                there_utc = self._now_utc + timedelta(minutes=self._settings.visit.travel_min)
                done = [] if usual == "visit" else [(there_utc + AT_WORK, usual)]
                self._coming = [(there_utc, "visit"), *done]
                self._say(f"{self.times.at(self._now_utc)}  ----  the helper sets off")
            return
        while self._coming and self._coming[0][0] <= self._now_utc:
            at_utc, kind = self._coming.pop(0)
            minutes = 10.0 if kind == "visit" else None
            leave_mark(self.files.marks, Mark(time_utc=at_utc, kind=kind, text="", minutes=minutes))

    def _until(self, so: Callable[[], bool], patience_s: float) -> None:
        until_s = self._real.monotonic_s() + patience_s
        while self._failed is None and not so() and self._real.monotonic_s() < until_s:
            self._wait.wait(0.05)

    def _publish(self) -> None:
        self.files.tell_time(self._now_utc)

    def _delivered(self) -> list[Told]:
        """Return what became of each message, or that nobody can say."""
        try:
            with Journal.read(self.files.journal) as journal:
                return [
                    Told(
                        one.settled_utc or one.alert.time_utc,
                        one.state,
                        f"{one.alert.title} -> {one.target} {one.why}".rstrip(),
                    )
                    for one in deliveries(journal)
                ]
        except Problem as problem:
            return [Told(self._now_utc, "not known", f"what arrived: {problem.what}")]

    def _outcome(self) -> DrillOutcome:
        woken = sum(map(wakes, self._alerts))
        told = [Told(a.time_utc, f"{a.severity.value}, {a.kind}", a.title) for a in self._alerts]
        told += self._delivered()
        told += [Told(m.time_utc, "done", f"{m.kind} {m.text}".rstrip()) for m in self._drill.marks]
        told.append(Told(self._drill.at_utc, "happened", self._drill.kind.happened))
        told.sort(key=lambda one: one.time_utc)
        return DrillOutcome(ending(self._drill, self._now_utc, woken), told)


def _in(text: str) -> str:
    indent = " " * 8
    wrapped = (
        wrap(line, WIDTH, initial_indent=indent, subsequent_indent=indent) for line in text.splitlines()
    )
    return "\n".join(line for lines in wrapped for line in lines)
