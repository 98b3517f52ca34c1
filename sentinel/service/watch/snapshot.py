"""The state of a watch between two runs: a snapshot to begin from, and the journal's events after it.

The journal is the truth; a snapshot only spares going through days of it again. One that other code made, or
that was made for other settings, is not used.
"""

import copyreg
import hashlib
import logging
import os
import pickle
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from threading import Event as Flag
from types import MappingProxyType
from typing import IO, Any

import sentinel
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.chain.pipeline import Pipeline
from sentinel.core.files import replaced
from sentinel.core.records import Event, MeasuredFrame, Outcome
from sentinel.core.settings import Settings
from sentinel.service.journal.journal import Journal
from sentinel.service.status.board import Board

log = logging.getLogger(__name__)


def read_only(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    """Return a mapping as a read-only one."""
    return MappingProxyType(mapping)


# Records may hold read-only mappings, which pickle does not know by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (read_only, (dict(mapping),)))


@dataclass(slots=True)
class WatchState:
    """All that a watch carries from event to event."""

    settings: Settings
    pipeline: Pipeline | None = None
    """None until the first event."""
    board: Board = field(default_factory=Board)
    last_utc: datetime | None = None
    number: int = 0
    """Of the journal's last event in it."""
    failures: int = 0
    """Events that could not be judged: mistakes of the program."""
    failures_running: int = 0
    """How many of them since the last frame that could be judged."""

    def step(self, event: Event, now_utc: datetime) -> Outcome:
        """Take up one event; return all that comes of it.

        An event that the rooms stumble over costs what would have come of it, not the watch, and the same
        again when the journal is gone through.
        """
        if self.pipeline is None:
            self.pipeline = Pipeline(self.settings, start_utc=now_utc)
        try:
            outcome = self.pipeline.step(event, now_utc)
        except Exception:
            log.exception("judging failed at %s", getattr(event, "frame", type(event).__name__))
            self.failures += 1
            self.failures_running += 1
            return Outcome()
        if isinstance(event, MeasuredFrame):
            self.failures_running = 0
        return outcome

    def committed(self, event: Event, outcome: Outcome, now_utc: datetime, number: int) -> None:
        """Note that an event is committed."""
        self.board.update(event, outcome, now_utc)
        self.last_utc, self.number = now_utc, number

    def catch_up(self, journal: Journal, alive: Callable[[], None], stop: Flag) -> bool:
        """Take up what the journal holds beyond this; return whether all of it was, before a stop.

        `alive` is told at every event.
        """
        for number, event, time_utc in journal.numbered_events(self.number):
            if stop.is_set():
                return False
            # Rows of a time when the clock ran ahead may be followed by rows from before.
            now_utc = time_utc if self.last_utc is None else max(time_utc, self.last_utc)
            self.committed(event, self.step(event, now_utc), now_utc, number)
            alive()
        return True


@dataclass(slots=True)
class IntakeState:
    """What the intake carries from run to run; small, so that looking at the folder can begin early."""

    known: SeenFiles = field(default_factory=SeenFiles)
    """The files whose frames are committed."""
    number: int = 0
    """Of the journal's last event in it."""
    camera_offset_s: float | None = None
    """As found from arrivals; None: not known."""


def save(path: Path, state: WatchState, intake_state: IntakeState) -> None:
    """Write a snapshot; what cannot be written is done without."""
    try:
        with replaced(path) as temporary, open(temporary, "wb", opener=_private) as file:
            pickle.dump(_stamp(state.settings), file)
            pickle.dump(intake_state, file)
            pickle.dump(state, file)
    except (OSError, pickle.PicklingError, TypeError, AttributeError) as error:
        log.warning("no snapshot could be written (%s); the next start takes longer", error)


def load_intake_state(path: Path, settings: Settings, journal: Journal, *, anew: bool = False) -> IntakeState:
    """Return what was taken before: by the snapshot, and by the journal's events after it.

    `anew`: the journal was just begun anew in the place of a damaged one: the snapshot stands for all of
        that.
    """
    intake_state: IntakeState = _load(path, settings, parts=1) or IntakeState()
    if anew:
        intake_state.number = 0
    elif intake_state.number > journal.last_number:
        intake_state = IntakeState()
    if intake_state.camera_offset_s is None:
        intake_state.camera_offset_s = journal.last_offset_s()
    for _, event, _ in journal.numbered_events(intake_state.number):
        if isinstance(event, MeasuredFrame):
            remember(intake_state.known, event)
    return intake_state


def remember(known: SeenFiles, frame: MeasuredFrame) -> None:
    """Remember the file of a frame that is committed."""
    if frame.size_bytes is not None and frame.modified_ns is not None:
        known.add(frame.frame, frame.size_bytes, frame.modified_ns, frame.sha256 or None)


def load_watch_state(path: Path, settings: Settings, journal: Journal, *, anew: bool = False) -> WatchState:
    """Return the state of the snapshot, or a fresh one where there is none to be used."""
    state: WatchState | None = _load(path, settings, parts=2)
    if state is not None and anew:
        state.number = 0
    if state is None or state.number > journal.last_number:
        return WatchState(settings)
    return state


def _load(path: Path, settings: Settings, *, parts: int) -> Any:
    """Return one part of a snapshot; None where it is not to be used."""
    try:
        with path.open("rb") as file:
            if not _is_ours(file) or pickle.load(file) != _stamp(settings):  # noqa: S301 - our own file
                return None
            for _ in range(parts - 1):
                pickle.load(file)  # noqa: S301
            return pickle.load(file)  # noqa: S301
    except FileNotFoundError:
        return None
    except Exception as error:  # noqa: BLE001 - whatever a damaged file makes of itself
        log.warning("the snapshot cannot be used (%s); going through the journal instead", error)
        return None


def _is_ours(file: IO[bytes]) -> bool:
    """Whether nobody else can have written the file: reading it runs what it says."""
    status = os.fstat(file.fileno())
    return status.st_uid == os.geteuid() and not status.st_mode & 0o022


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _stamp(settings: Settings) -> tuple[str, str]:
    return _code(), settings.model_dump_json()


@lru_cache(maxsize=1)
def _code() -> str:
    """Return a digest of the program: the state is made of classes of exactly this code."""
    digest = hashlib.sha256()
    for path in sorted(Path(sentinel.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()
