"""The journal: every event in order of arrival and what it led to, each committed as one transaction."""

import logging
import os
import sqlite3
from array import array
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from enum import StrEnum
from itertools import groupby
from pathlib import Path
from typing import Any, TypeVar

from sentinel.core.errors import Problem
from sentinel.core.other_cameras import OtherCamera
from sentinel.core.records import (
    Alert,
    Event,
    Forecast,
    Incident,
    Mark,
    MeasuredFrame,
    Outcome,
    Surroundings,
    Tick,
    frame_order,
)
from sentinel.core.times import format_utc, parse_utc, utc_s
from sentinel.service.journal.codec import decode, encode
from sentinel.service.journal.migrations import STEPS, check_version, migrate
from sentinel.service.journal.opening import (
    Damaged,
    Database,
    Identity,
    as_journal_errors,
    connected,
    has_room,
    identity,
)
from sentinel.service.journal.outbox import post

T = TypeVar("T")

_OF_KIND = "SELECT seq, body FROM event WHERE kind = ? ORDER BY seq"

log = logging.getLogger(__name__)

_UNREADABLE = (ValueError, KeyError, TypeError, Problem)
"""What reading a spoilt row may raise."""

_EVENTS: dict[str, type[Event]] = {
    "frame": MeasuredFrame,
    "tick": Tick,
    "mark": Mark,
    "surroundings": Surroundings,
    "other-camera": OtherCamera,
}
_EVENT_KINDS = {kind: name for name, kind in _EVENTS.items()}
_OUTCOMES: dict[type, str] = {Forecast: "forecast", Incident: "incident", Alert: "alert"}


class Origin(StrEnum):
    """Who keeps a journal: only a replay's may be replaced by another replay."""

    REPLAY = "replay"
    WATCH = "watch"


class Journal(Database):
    """One session's journal; one writer, any number of readers."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        super().__init__(db, path)
        self._identity: Identity = ()
        with suppress(OSError):
            self._identity = identity(path)

    @property
    def is_in_place(self) -> bool:
        """Whether its files are those that were opened: removed ones go on being written, for nobody."""
        try:
            return identity(self._path) == self._identity
        except OSError:
            return True  # not known to be removed, and writing will tell what ails it

    @classmethod
    def create(cls, path: Path, origin: Origin) -> "Journal":
        """Start a new journal; the file must not exist."""
        if path.exists():
            raise Problem("stands there already", where=str(path), mend="choose another folder")
        # Made beside its place, so that a journal that was only half begun is never found there.
        begun = path.with_name(f".begun.{path.name}")
        for leftover in path.parent.glob(f"{begun.name}*"):
            leftover.unlink()
        with as_journal_errors(path), cls._opened(begun, "rwc") as journal:
            migrate(journal._db, where=str(path))
            journal._db.execute("INSERT INTO fact VALUES ('origin', ?)", (origin,))
        begun.replace(path)
        journal = cls._opened(path, "rw")
        # A replay can be run again, so it need not wait for the disk; a power cut must cost a watch no frame.
        journal._db.execute(f"PRAGMA synchronous = {'FULL' if origin is Origin.WATCH else 'OFF'}")
        return journal

    @classmethod
    def resume(cls, path: Path) -> "Journal":
        """Go on writing the journal of a watch; an older one is brought up to date and a copy of it kept.

        Raises `Damaged` if it cannot be trusted any more; nothing is then changed.
        Raises `Problem` if a newer program wrote it, or it is a replay's.
        """
        journal = cls._opened(path, "rw")
        try:
            with as_journal_errors(path):
                journal._check_and_migrate()
        except BaseException:
            journal.close()
            raise
        journal._db.execute("PRAGMA synchronous = FULL")
        return journal

    def _check_and_migrate(self) -> None:
        path, where = self._path, str(self._path)
        said = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if said != "ok":
            raise Damaged(f"is damaged ({said})", where=where)
        version = check_version(self._db, where=where)
        if version == 0:
            raise Damaged("is not a journal of sentinel", where=where)
        if version < len(STEPS):
            self.copy_to(path.with_name(f"{path.stem}.schema-{version}{path.suffix}"))
        migrate(self._db, where=where)
        if self.origin is not Origin.WATCH:
            raise Problem("is the journal of a replay", where=where, mend="choose another state folder")

    def copy_to(self, path: Path) -> None:
        """Write all that it holds into another file, even where its own has been removed."""
        with as_journal_errors(path), closing(sqlite3.connect(path)) as copy:
            self._db.backup(copy)

    @classmethod
    def read(cls, path: Path) -> "Journal":
        """Open an existing journal for reading only, while its writer goes on."""
        if not path.is_file():
            raise Problem("there is no journal", where=str(path), mend="give the folder of a watch or replay")
        mode = "ro"
        unmarked = not os.access(path.parent, os.W_OK) or not has_room(path)
        if unmarked and not path.with_name(f"{path.name}-shm").exists():
            # Nobody writes it, and SQLite could not leave its marks beside it.
            mode += "&immutable=1"
        journal = cls._opened(path, mode)
        try:
            journal._check_is_ours()
        except BaseException:
            journal.close()
            raise
        return journal

    def _check_is_ours(self) -> None:
        try:
            ours = any(self._select("SELECT value FROM fact WHERE key = 'origin'"))
        except Problem:
            ours = False
        if not ours:
            raise Problem("is not a journal of sentinel", where=str(self._path), mend="check the path")
        check_version(self._db, where=str(self._path))

    @classmethod
    def _opened(cls, path: Path, mode: str) -> "Journal":
        return cls(connected(path, mode, writing=not mode.startswith("ro")), path)

    @property
    def origin(self) -> Origin:
        """Who keeps this journal."""
        return Origin(self._db.execute("SELECT value FROM fact WHERE key = 'origin'").fetchone()[0])

    def record(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        """Commit an event and all that came of it together; return its number.

        Raises `Unwritable` if there is no room, or the disk fails; nothing is then changed.
        Raises `Damaged` if the file is found to be broken.
        """
        with self._transaction():
            seq = self._db.execute(
                "INSERT INTO event (kind, now_utc, body) VALUES (?, ?, ?)",
                (_EVENT_KINDS[type(event)], now_utc.isoformat(), encode(event)),
            ).lastrowid
            assert seq is not None  # noqa: S101 - an insert has a row number
            self._add_outcome(seq, outcome)
        return seq

    def _add_outcome(self, seq: int, outcome: Outcome) -> None:
        for effect in (*((outcome.forecast,) if outcome.forecast else ()), *outcome.incidents):
            self._add_effect(seq, effect)
        alerts = [(self._add_effect(seq, alert), alert) for alert in outcome.alerts]
        # Nobody delivers what a replay would have sent.
        if outcome.postings and self.origin is Origin.WATCH:
            post(self._db, alerts, outcome.postings)

    def _add_effect(self, seq: int, effect: Forecast | Incident | Alert) -> int:
        number = self._db.execute(
            "INSERT INTO outcome (event_seq, kind, body) VALUES (?, ?, ?)",
            (seq, _OUTCOMES[type(effect)], encode(effect)),
        ).lastrowid
        assert number is not None  # noqa: S101 - an insert has a row number
        return number

    @contextmanager
    def as_of_now(self) -> Iterator[None]:
        """Let all reading within see the same state, whatever is written meanwhile."""
        try:
            self._db.execute("BEGIN")
        except sqlite3.Error as error:
            raise Problem(f"cannot be read ({error})", where=str(self._path), mend="try again") from None
        try:
            yield
        finally:
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")

    @property
    def last_number(self) -> int:
        """Number of the last event; 0: none."""
        return int(self._db.execute("SELECT coalesce(max(seq), 0) FROM event").fetchone()[0])

    def events(self) -> Iterator[tuple[Event, datetime]]:
        """Yield every event with the time it was taken up, in order of arrival."""
        for _, event, now_utc in self.numbered_events():
            yield event, now_utc

    def numbered_events(self, after: int = 0) -> Iterator[tuple[int, Event, datetime]]:
        """Yield every event after a number, with its own number and the time it was taken up."""
        query = "SELECT seq, kind, now_utc, body FROM event WHERE seq > ? ORDER BY seq"
        for seq, kind, now, body in self._select(query, (after,)):
            with self._left_out():
                event, now_utc = decode(_EVENTS[kind], body), parse_utc(now)
                yield seq, event, now_utc

    def last_offset_s(self) -> float | None:
        """Return the camera's offset as the last reading of the surroundings has it; None: none is known."""
        last = next(self._numbered(Surroundings, f"{_OF_KIND} DESC", ("surroundings",)), None)
        return last[1].camera_offset_s if last is not None else None

    def first_number(self, is_it: Callable[[Surroundings], bool]) -> int:
        """Return the number of the first reading of a kind; one past the last event if there is none."""
        readings = self._numbered(Surroundings, _OF_KIND, ("surroundings",))
        return next((seq for seq, reading in readings if is_it(reading)), self.last_number + 1)

    def reword_events(self, change: Callable[[Event, datetime], tuple[Event, datetime]], after: int) -> None:
        """Put something else in the place of each event after a number, all or none.

        For times that were read off a clock found to be wrong; what was said of those events stays as it was.
        """
        rows = self._db.execute(
            "SELECT seq, kind, now_utc, body FROM event WHERE seq > ? ORDER BY seq", (after,)
        ).fetchall()
        with self._transaction():
            for seq, kind, now, body in rows:
                event, now_utc = change(decode(_EVENTS[kind], body), parse_utc(now))
                self._db.execute(
                    "UPDATE event SET now_utc = ?, body = ? WHERE seq = ?",
                    (now_utc.isoformat(), encode(event), seq),
                )

    def frames(self) -> Iterator[MeasuredFrame]:
        """Yield the measured frames, in order of arrival."""
        return self._events_of(MeasuredFrame)

    def frames_by_exposure(self) -> Iterator[MeasuredFrame]:
        """Yield the measured frames in order of exposure, never all of them in memory."""
        times, places = array("d"), array("q")
        for seq, frame in self._numbered(MeasuredFrame, _OF_KIND, ("frame",)):
            times.append(utc_s(frame.time_utc))
            places.append(seq)
        order = sorted(range(len(times)), key=times.__getitem__)
        one = "SELECT seq, body FROM event WHERE seq = ?"
        for _, alike in groupby(order, key=times.__getitem__):
            frames = [frame for i in alike for _, frame in self._numbered(MeasuredFrame, one, (places[i],))]
            yield from sorted(frames, key=frame_order)

    def marks(self) -> Iterator[Mark]:
        """Yield the operator's marks, in order of arrival."""
        return self._events_of(Mark)

    def forecasts(self) -> Iterator[Forecast]:
        """Yield the forecasts, in the order made."""
        return self._outcomes_of(Forecast)

    def incidents(self) -> Iterator[Incident]:
        """Yield the changes of incidents, in the order found."""
        return self._outcomes_of(Incident)

    def alerts(self) -> Iterator[Alert]:
        """Yield the messages, in the order made."""
        return self._outcomes_of(Alert)

    def _events_of(self, kind: type[T]) -> Iterator[T]:
        name = _EVENT_KINDS[kind]  # type: ignore[index]
        return (event for _, event in self._numbered(kind, _OF_KIND, (name,)))

    def _outcomes_of(self, kind: type[T]) -> Iterator[T]:
        query = "SELECT seq, body FROM outcome WHERE kind = ? ORDER BY seq"
        return (record for _, record in self._numbered(kind, query, (_OUTCOMES[kind],)))

    def _numbered(self, kind: type[T], query: str, values: tuple[Any, ...] = ()) -> Iterator[tuple[int, T]]:
        """Yield the records of a query for numbers and bodies, each with its number."""
        for seq, body in self._select(query, values):
            with self._left_out():
                record = decode(kind, body)
                yield int(seq), record

    @contextmanager
    def _left_out(self) -> Iterator[None]:
        """Leave out a row that a failing disk has spoilt: it costs that row, not the journal."""
        try:
            yield
        except _UNREADABLE as error:
            said = " ".join(str(error).split())[:100]
            log.warning("%s: a row cannot be read and is left out (%s)", self._path, said)

    def __repr__(self) -> str:
        """Name the file, and what it holds last."""
        last = self._db.execute("SELECT max(now_utc) FROM event").fetchone()[0]
        return f"<Journal {self._path} until {format_utc(parse_utc(last)) if last else 'nothing'}>"
