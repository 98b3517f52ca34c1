"""The journal: every event in order of arrival and what it led to, each committed as one transaction."""

import logging
import os
import sqlite3
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from enum import StrEnum
from itertools import groupby
from pathlib import Path
from typing import Any, TypeVar

from sentinel.core.errors import Problem
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
from sentinel.service.journal.opening import Damaged, Identity, connected, has_room, identity, usable_later
from sentinel.service.journal.outbox import post

T = TypeVar("T")

log = logging.getLogger(__name__)

_UNREADABLE = (ValueError, KeyError, TypeError, Problem)
"""What reading a spoilt row may raise."""

_EVENTS: dict[str, type[Event]] = {
    "frame": MeasuredFrame,
    "tick": Tick,
    "mark": Mark,
    "surroundings": Surroundings,
}
_EVENT_KINDS = {kind: name for name, kind in _EVENTS.items()}
_OUTCOMES: dict[type, str] = {Forecast: "forecast", Incident: "incident", Alert: "alert"}


class Origin(StrEnum):
    """Who keeps a journal: only a replay's may be replaced by another replay."""

    REPLAY = "replay"
    WATCH = "watch"


class Journal:
    """One session's journal; one writer, any number of readers.

    Raises
    ------
    Problem
        Wherever the file cannot be opened, is no journal, or cannot be written.
    """

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db, self._path = db, path
        self._identity: Identity = ()
        with suppress(OSError):
            self._identity = identity(path)

    @property
    def stands(self) -> bool:
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
        try:
            with cls._opened(begun, "rwc") as journal:
                migrate(journal._db, where=str(path))
                journal._db.execute("INSERT INTO fact VALUES ('origin', ?)", (origin,))
        except sqlite3.OperationalError as error:
            raise usable_later(path, error) from None
        begun.replace(path)
        journal = cls._opened(path, "rw")
        # A replay can be run again, so it need not wait for the disk; a power cut must cost a watch no frame.
        journal._db.execute(f"PRAGMA synchronous = {'FULL' if origin is Origin.WATCH else 'OFF'}")
        return journal

    @classmethod
    def resume(cls, path: Path) -> "Journal":
        """Go on writing the journal of a watch; an older one is brought up to date and a copy of it kept.

        Raises
        ------
        Damaged
            If it cannot be trusted any more; nothing is then changed.
        Problem
            If a newer program wrote it, or it is a replay's.
        """
        journal = cls._opened(path, "rw")
        try:
            journal._check_and_migrate()
        except BaseException as error:
            journal.close()
            if isinstance(error, sqlite3.OperationalError):
                raise usable_later(path, error) from None
            if isinstance(error, sqlite3.DatabaseError):
                raise Damaged(f"is damaged ({error})", where=str(path)) from None
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
        try:
            copy = sqlite3.connect(path)
            try:
                self._db.backup(copy)
            finally:
                copy.close()
        except sqlite3.OperationalError as error:
            raise usable_later(path, error) from None

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
            origin = journal._db.execute("SELECT value FROM fact WHERE key = 'origin'").fetchone()
        except sqlite3.DatabaseError:
            origin = None
        if origin is None:
            journal.close()
            raise Problem("is not a journal of sentinel", where=str(path), mend="check the path")
        check_version(journal._db, where=str(path))
        return journal

    @classmethod
    def _opened(cls, path: Path, mode: str) -> "Journal":
        return cls(connected(path, mode, writing=not mode.startswith("ro")), path)

    def close(self) -> None:
        """Close the file; it is one file again, without its write-ahead log."""
        self._db.close()

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.close()

    @property
    def origin(self) -> Origin:
        """Who keeps this journal."""
        return Origin(self._db.execute("SELECT value FROM fact WHERE key = 'origin'").fetchone()[0])

    def record(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        """Commit an event and all that came of it together; return its number.

        Raises
        ------
        Unwritable
            If there is no room, or the disk fails; nothing is then changed.
        Damaged
            If the file is found to be broken.
        """
        try:
            return self._recorded(event, now_utc, outcome)
        except sqlite3.OperationalError as error:
            raise usable_later(self._path, error) from None
        except sqlite3.DatabaseError as error:
            raise Damaged(f"is damaged ({error})", where=str(self._path)) from None

    def _recorded(self, event: Event, now_utc: datetime, outcome: Outcome) -> int:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            seq = self._db.execute(
                "INSERT INTO event (kind, now_utc, body) VALUES (?, ?, ?)",
                (_EVENT_KINDS[type(event)], now_utc.isoformat(), encode(event)),
            ).lastrowid
            assert seq is not None  # noqa: S101 - an insert has a row number
            self._add_outcome(seq, outcome)
            self._db.execute("COMMIT")
        except BaseException:
            # A full disk has ended the transaction already.
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
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
            try:
                numbered = seq, decode(_EVENTS[kind], body), parse_utc(now)
            except _UNREADABLE as error:
                self._left_out(error)
                continue
            yield numbered

    def last_offset_s(self) -> float | None:
        """Return the camera's offset as the last reading of the surroundings has it; None: none is known."""
        query = "SELECT body FROM event WHERE kind = 'surroundings' ORDER BY seq DESC LIMIT 1"
        for (body,) in self._select(query):
            try:
                return decode(Surroundings, body).camera_offset_s
            except _UNREADABLE as error:
                self._left_out(error)
        return None

    def first_number(self, is_it: Callable[[Surroundings], bool]) -> int:
        """Return the number of the first reading of a kind; one past the last event if there is none."""
        query = "SELECT seq, body FROM event WHERE kind = 'surroundings' ORDER BY seq"
        for seq, body in self._select(query):
            try:
                if is_it(decode(Surroundings, body)):
                    return int(seq)
            except _UNREADABLE as error:
                self._left_out(error)
        return self.last_number + 1

    def reword_events(self, change: Callable[[Event, datetime], tuple[Event, datetime]], after: int) -> None:
        """Put something else in the place of each event after a number, all or none.

        For times that were read off a clock found to be wrong; what was said of those events stays as it was.
        """
        rows = self._db.execute(
            "SELECT seq, kind, now_utc, body FROM event WHERE seq > ? ORDER BY seq", (after,)
        ).fetchall()
        self._db.execute("BEGIN IMMEDIATE")
        try:
            for seq, kind, now, body in rows:
                event, now_utc = change(decode(_EVENTS[kind], body), parse_utc(now))
                self._db.execute(
                    "UPDATE event SET now_utc = ?, body = ? WHERE seq = ?",
                    (now_utc.isoformat(), encode(event), seq),
                )
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def frames(self) -> Iterator[MeasuredFrame]:
        """Yield the measured frames, in order of arrival."""
        return self._events_of(MeasuredFrame)

    def frames_by_exposure(self) -> Iterator[MeasuredFrame]:
        """Yield the measured frames in order of exposure, never all of them in memory."""
        times, places = array("d"), array("q")
        for seq, frame in self._numbered_frames(
            "SELECT seq, body FROM event WHERE kind = 'frame' ORDER BY seq"
        ):
            times.append(utc_s(frame.time_utc))
            places.append(seq)
        order = sorted(range(len(times)), key=times.__getitem__)
        one = "SELECT seq, body FROM event WHERE seq = ?"
        for _, alike in groupby(order, key=times.__getitem__):
            frames = [frame for i in alike for _, frame in self._numbered_frames(one, (places[i],))]
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
        query = "SELECT body FROM event WHERE kind = ? ORDER BY seq"
        return self._decoded(kind, query, _EVENT_KINDS[kind])  # type: ignore[index]

    def _outcomes_of(self, kind: type[T]) -> Iterator[T]:
        query = "SELECT body FROM outcome WHERE kind = ? ORDER BY seq"
        return self._decoded(kind, query, _OUTCOMES[kind])

    def _numbered_frames(
        self, query: str, values: tuple[Any, ...] = ()
    ) -> Iterator[tuple[int, MeasuredFrame]]:
        for seq, body in self._select(query, values):
            try:
                numbered = int(seq), decode(MeasuredFrame, body)
            except _UNREADABLE as error:
                self._left_out(error)
                continue
            yield numbered

    def _decoded(self, kind: type[T], query: str, name: str) -> Iterator[T]:
        for (body,) in self._select(query, (name,)):
            try:
                record = decode(kind, body)
            except _UNREADABLE as error:
                self._left_out(error)
                continue
            yield record

    def _left_out(self, error: Exception) -> None:
        """Tell of a row that a failing disk has spoilt: it costs that row, not the journal."""
        said = " ".join(str(error).split())[:100]
        log.warning("%s: a row cannot be read and is left out (%s)", self._path, said)

    def _select(self, query: str, values: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
        """Yield a query's rows; a file that turns out to be broken on the way raises `Damaged`."""
        try:
            yield from self._db.execute(query, values)
        except sqlite3.DatabaseError as error:
            raise Damaged(f"cannot be read to its end ({error})", where=str(self._path)) from None

    def __repr__(self) -> str:
        """Name the file, and what it holds last."""
        last = self._db.execute("SELECT max(now_utc) FROM event").fetchone()[0]
        return f"<Journal {self._path} until {format_utc(parse_utc(last)) if last else 'nothing'}>"
