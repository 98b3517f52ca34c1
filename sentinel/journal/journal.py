"""The journal: every event in order of arrival and what it led to, each committed as one transaction."""

import sqlite3
from collections.abc import Iterator
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

from sentinel.errors import Problem
from sentinel.journal.codec import decode, encode
from sentinel.journal.migrations import check_version, migrate
from sentinel.journal.outbox import post
from sentinel.records import (
    Alert,
    Event,
    Forecast,
    Incident,
    Mark,
    MeasuredFrame,
    Outcome,
    Surroundings,
    Tick,
)
from sentinel.times import format_utc, parse_utc

T = TypeVar("T")

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

    @classmethod
    def create(cls, path: Path, origin: Origin) -> "Journal":
        """Start a new journal; the file must not exist."""
        if path.exists():
            raise Problem("stands there already", where=str(path), mend="choose another folder")
        journal = cls._opened(path, f"{path.absolute().as_uri()}?mode=rwc")
        # A replay can be run again, so it need not wait for the disk; a power cut must cost a watch no frame.
        journal._db.execute(f"PRAGMA synchronous = {'FULL' if origin is Origin.WATCH else 'OFF'}")
        migrate(journal._db, where=str(path))
        journal._db.execute("INSERT INTO fact VALUES ('origin', ?)", (origin,))
        return journal

    @classmethod
    def read(cls, path: Path) -> "Journal":
        """Open an existing journal for reading only."""
        if not path.is_file():
            raise Problem("there is no journal", where=str(path), mend="give the folder of a watch or replay")
        journal = cls._opened(path, f"{path.absolute().as_uri()}?mode=ro")
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
    def _opened(cls, path: Path, uri: str) -> "Journal":
        try:
            db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10)
            db.execute("PRAGMA foreign_keys = ON")
            if "mode=ro" not in uri:
                db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.Error as error:
            raise Problem(
                f"cannot be opened ({error})",
                where=str(path),
                mend="check the folder's space and permissions",
            ) from None
        return cls(db, path)

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
        """Commit an event and all that came of it together; return its number."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            seq = self._db.execute(
                "INSERT INTO event (kind, now_utc, body) VALUES (?, ?, ?)",
                (_EVENT_KINDS[type(event)], now_utc.isoformat(), encode(event)),
            ).lastrowid
            assert seq is not None  # noqa: S101 - an insert has a row number
            self._add_outcome(seq, outcome)
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")
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

    def events(self) -> Iterator[tuple[Event, datetime]]:
        """Yield every event with the time it was taken up, in order of arrival."""
        for kind, now, body in self._db.execute("SELECT kind, now_utc, body FROM event ORDER BY seq"):
            yield decode(_EVENTS[kind], body), parse_utc(now)

    def frames(self) -> Iterator[MeasuredFrame]:
        """Yield the measured frames, in order of arrival."""
        return self._events_of(MeasuredFrame)

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
        for (body,) in self._db.execute(query, (_EVENT_KINDS[kind],)):  # type: ignore[index]
            yield decode(kind, body)

    def _outcomes_of(self, kind: type[T]) -> Iterator[T]:
        query = "SELECT body FROM outcome WHERE kind = ? ORDER BY seq"
        for (body,) in self._db.execute(query, (_OUTCOMES[kind],)):
            yield decode(kind, body)

    def __repr__(self) -> str:
        """Name the file, and what it holds last."""
        last = self._db.execute("SELECT max(now_utc) FROM event").fetchone()[0]
        return f"<Journal {self._path} until {format_utc(parse_utc(last)) if last else 'nothing'}>"
