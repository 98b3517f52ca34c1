"""The thread at the camera's side: looks at the folder, has finished files measured, hands frames on.

It is apart from the judging, because looking at a folder may hang for ever (a share that is lost, a disk that
dies), and that is when somebody must be told.
"""

import dataclasses
import json
import logging
import os
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from queue import Full, Queue
from threading import Event as Flag

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.exposure_time import TIME_FROM_FILE
from sentinel.chain.intake.live import Finished, FolderLook, LiveFolder
from sentinel.chain.intake.pool import UNMEASURED, unmeasured
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.chain.intake.session_discs import SessionDiscs
from sentinel.chain.intake.watching import FolderEvents
from sentinel.core.clock import Clock
from sentinel.core.errors import Problem
from sentinel.core.files import shown_name
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.service.watch.liveness import Liveness
from sentinel.service.watch.measuring_turn import MeasuringInTurn
from sentinel.service.watch.timing import CameraOffset

log = logging.getLogger(__name__)

LOOK_SHARE = 0.005
"""Looking at a folder of many files may take this share of the time, then looks become rarer."""
RAREST_S = 15.0
GATHER_S = 0.02
AT_ONCE = 32
"""Files taken from one look; between them, others get their turn."""
OFFSET_UNKNOWN = "clock-offset-unknown"
"""Flag of a frame whose time is the camera's as it is: no frame has come live yet to tell the offset from."""
ATTEMPTS = 3
"""A file during whose measuring the watch itself ended so often is skipped."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """A measured frame on its way to the judging."""

    frame: MeasuredFrame
    backlog: bool = False
    """It lay in the folder when the watch began, so nobody knows when it arrived."""


@dataclass(frozen=True, slots=True)
class BacklogDone:
    """What lay in the folder at the beginning has been handed on."""


class Attempts:
    """Remembers on disk which file is being measured, in case that ends the watch itself."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._left: tuple[str, int, int] | None = None
        self._count = 0
        try:
            held = json.loads(path.read_text(encoding="utf-8"))
            self._left = (str(held["frame"]), int(held["size_bytes"]), int(held["modified_ns"]))
            self._count = int(held["attempts"])
        except (OSError, ValueError, KeyError, TypeError):
            pass

    def begin(self, file: Finished) -> bool:
        """Note an attempt; return whether it is to be made."""
        key = (file.frame, file.size_bytes, file.modified_ns)
        self._count = self._count + 1 if key == self._left else 1
        self._left = key
        held = dict(zip(("frame", "size_bytes", "modified_ns"), key, strict=True))
        try:
            # Without waiting for the disk: this is against a program that ends, not against a power cut.
            self._path.write_text(json.dumps(held | {"attempts": self._count}), encoding="utf-8")
        except OSError:
            return True
        return self._count <= ATTEMPTS

    def end(self) -> None:
        """Note that it went well."""
        self._left = None


class FolderIntake:
    """Turns a live folder into arrivals.

    `settings`: folder, patterns, patience, how the camera's clock stands.
    `known`: what the journal holds already.
    `make_pool`: makes what starts the measuring process.
    `attempts`: where what is being measured is remembered.
    `offset_before_s`: the camera's offset as it was found in an earlier run.
    """

    def __init__(
        self,
        settings: Settings,
        known: SeenFiles,
        clock: Clock,
        liveness: Liveness,
        *,
        make_pool: Callable[[], MeasuringInTurn],
        attempts: Attempts,
        offset_before_s: float | None = None,
    ) -> None:
        configured = settings.camera.clock_offset_s
        self.arrivals: Queue[Arrival | BacklogDone] = Queue(maxsize=2 * AT_ONCE)
        self.stop = Flag()
        self.wake = Flag()
        self.offset = CameraOffset(None if configured == "auto" else configured, before_s=offset_before_s)
        self._settings, self._clock, self._liveness = settings, clock, liveness
        self._make_pool, self._attempts = make_pool, attempts
        folder = Path(settings.frames.folder)
        self._live = LiveFolder(
            folder,
            settings.frames.patterns,
            known,
            taken_s=self._taken_s,
            patience_s=settings.intake.patience_s,
        )
        self._events = FolderEvents(folder, self.wake)
        self._session_discs = SessionDiscs.of(settings)
        self._catching_up = True
        self.frame_bytes: float | None = None
        """What a frame takes of the disk."""
        self.found: FolderLook | None = None
        """How the folder was found last; None: not looked at yet."""
        self._look_s = 0.0
        self.trouble = ""
        """Why the folder cannot be looked after, and at which entry; empty: it can."""
        self._pool: MeasuringInTurn | None = None

    def run(self) -> None:
        """Go on until told to stop; whatever goes wrong, try again."""
        pool: MeasuringInTurn | None = None
        failed = False
        try:
            while not self.stop.is_set():
                try:
                    pool = pool or self._make_pool()
                    pause_s = self.turn(pool)
                    failed, self.trouble = False, ""
                except Exception as error:
                    # Not foreseen. The pulse stops; in the end the manager starts us anew.
                    log.exception("looking after the folder failed at %s; trying again", self._live.at)
                    said = str(error) if isinstance(error, Problem) else f"{type(error).__name__}: {error}"
                    # Once may be a moment's mishap; twice is told.
                    if failed:
                        self.trouble = f"{shown_name(self._live.at)}: {' '.join(said.split())[:200]}"
                    failed, pause_s = True, self._settings.intake.rescan_s
                self._wait(pause_s)
        finally:
            self._events.close()
            if pool is not None:
                pool.close()

    def _wait(self, pause_s: float) -> None:
        if pause_s > 0 and self.wake.wait(pause_s):
            # Events come in swarms: one look serves them all, and looks leave time for other work.
            self.stop.wait(min(max(self._look_s * 4, GATHER_S), 1.0))
            self.wake.clear()

    def turn(self, pool: MeasuringInTurn) -> float:
        """Look once, have what is finished measured, hand it on; return how long to rest."""
        self._pool = pool
        self._events.renew()
        for path in self._events.closed():
            self._live.closed(path)
        began_s = self._clock.monotonic_s()
        self.found = look = self._live.look(began_s, utc_s(self._clock.now_utc()), limit=AT_ONCE)
        self._look_s = self._clock.monotonic_s() - began_s
        self._liveness.beat("intake")
        self._measure_all(look.ready, pool)
        if self.stop.is_set():
            return 0.0
        pool.rest()
        self._liveness.beat("measuring")
        if self._catching_up and not look.more:
            self._catching_up = False
            self._hand_on(BacklogDone())
        if look.more:
            return 0.0
        return min(max(self._settings.intake.rescan_s, self._look_s / LOOK_SHARE), RAREST_S)

    def _measure_all(self, files: Sequence[Finished], pool: MeasuringInTurn) -> None:
        todo = deque(files)
        try:
            while todo and not self.stop.is_set():
                try:
                    self._measure(todo[0], pool)
                except Problem:
                    raise  # no fault of the file
                except Exception as error:
                    log.exception("%s could not be taken up", todo[0].frame)
                    self._hand_on(self._unusable(todo[0], f"cannot be taken up ({type(error).__name__})"))
                todo.popleft()
        finally:
            # Whatever was not handed on is new when it is seen again.
            for file in todo:
                self._live.forget(file)

    def _measure(self, file: Finished, pool: MeasuringInTurn) -> None:
        if file.problem:
            self._hand_on(self._unusable(file, file.problem))
            return
        arrived_utc, offset_s, camera = self._clock.now_utc(), self.offset.current_s, self._settings.camera
        within, prior = Path(self._settings.frames.folder), self._session_discs.prior
        job = MeasureJob(file.path, file.frame, camera.transfer, offset_s, within=within, prior=prior)
        if self._attempts.begin(file):
            (frame,) = pool.results([job])
            self._attempts.end()
        else:
            frame = unmeasured(file.frame, file.modified_ns / 1e9, _ENDED)
        self._liveness.beat("measuring")
        if frame.error is not None and not _is_there(file):
            # Unmounted, moved or changed while it was measured: not the file's fault, and not its end.
            self._live.forget(file)
            return
        self._session_discs.learn(frame)
        self.frame_bytes = file.size_bytes + 0.8 * ((self.frame_bytes or file.size_bytes) - file.size_bytes)
        told = TIME_FROM_FILE not in frame.flags
        if told and not self._catching_up and frame.error is None:
            self.offset.learn(utc_s(frame.time_utc) + offset_s - utc_s(arrived_utc))
        # The first frame that comes live tells the offset that it needs itself.
        better = timedelta(seconds=offset_s - self.offset.current_s if told else 0.0)
        doubts = () if self.offset.known_s is not None or not told else (OFFSET_UNKNOWN,)
        frame = dataclasses.replace(
            _of_file(frame, file),
            time_utc=frame.time_utc + better,
            flags=(*frame.flags, *doubts),
            arrived_utc=None if self._catching_up else arrived_utc,
        )
        self._hand_on(Arrival(frame, backlog=self._catching_up))

    def _hand_on(self, item: Arrival | BacklogDone) -> None:
        while not self.stop.is_set():
            try:
                self.arrivals.put(item, timeout=1.0)
            except Full:
                # The judging is behind, or waits for room on its disk: no fault of this loop.
                self._liveness.beat("intake")
                self._liveness.beat("measuring")
                continue
            return

    def _unusable(self, file: Finished, why: str) -> Arrival:
        frame = _of_file(unmeasured(file.frame, file.modified_ns / 1e9, why), file)
        return Arrival(frame, backlog=self._catching_up)

    def _taken_s(self, path: Path, modified_s: float) -> float:
        """Return when a file was exposed, read where reading may be ended."""
        assert self._pool is not None  # noqa: S101 - a turn has begun
        (frame,) = self._pool.results(
            [MeasureJob(path, path.name, clock_offset_s=self.offset.current_s, only_dated=True)]
        )
        # Thousands of them are a long look, and each is a turn.
        self._liveness.beat("intake")
        return modified_s if UNMEASURED in frame.flags else utc_s(frame.time_utc)


_ENDED = f"the watch itself ended while measuring it, {ATTEMPTS} times; the file is skipped"


def _is_there(file: Finished) -> bool:
    try:
        status = os.lstat(file.path)
    except OSError:
        return False
    same = (status.st_size, status.st_mtime_ns) == (file.size_bytes, file.modified_ns)
    return same or status.st_ino == file.modified_ns


def _of_file(frame: MeasuredFrame, file: Finished) -> MeasuredFrame:
    size_bytes, modified_ns = file.size_bytes, file.modified_ns
    return dataclasses.replace(
        frame, sha256=file.digest or "", size_bytes=size_bytes, modified_ns=modified_ns
    )
