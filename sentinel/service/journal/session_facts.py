"""What a journal holds beside its events: settings, starts of the watch, what became of its messages."""

import json
import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sentinel.core.errors import Problem
from sentinel.core.records import Alert, Forecast, Surroundings
from sentinel.core.settings import Settings, validate
from sentinel.core.times import HOUR_S, from_utc_s, parse_utc, utc_s
from sentinel.service.journal.codec import decode
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.opening import Damaged

log = logging.getLogger(__name__)

_SETTINGS, _STARTS, _FOLDER = "settings", "starts", "frames-folder"


@dataclass(frozen=True, slots=True)
class KeptSettings:
    """Settings that a session was judged by."""

    after: int
    """Number of the last event before they held."""
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryRecord:
    """One message for one channel, and how it went."""

    alert: Alert
    target: str
    state: str
    """`waiting`, `trying`, `delivered` or `dropped`."""
    attempts: int
    doubtful: int
    """How many of the attempts may have arrived without our knowing."""
    settled_utc: datetime | None
    why: str


@contextmanager
def _going_without(what: str) -> Iterator[None]:
    """Go without where the journal cannot be written now."""
    try:
        yield
    except (sqlite3.Error, ValueError, TypeError, OSError) as error:
        log.warning("the %s could not be noted in the journal (%s)", what, error)


def keep_settings(journal: Journal, settings: Settings) -> None:
    """Note the settings that hold from now on, where they are not those that held before.

    They name where secrets stand, never the secrets. A journal that cannot be written now goes without.
    """
    told = settings.model_dump(mode="json")
    with _going_without("settings"):
        kept = _listed(journal, _SETTINGS)
        if not (kept and kept[-1]["settings"] == told):
            _list(journal, _SETTINGS, [*kept, {"after": journal.last_number, "settings": told}])


def kept_settings(journal: Journal) -> tuple[KeptSettings, ...]:
    """Return the settings that held, the oldest first; what no longer fits is left out.

    Raises `Damaged` if the journal cannot be read.
    """
    try:
        kept = _listed(journal, _SETTINGS)
    except (sqlite3.Error, ValueError) as error:
        raise Damaged(f"cannot be read ({error})", where=str(journal._path)) from None
    found = []
    for one in kept:
        try:
            found.append(KeptSettings(int(one["after"]), validate(one["settings"], where="journal")))
        except (Problem, KeyError, TypeError, ValueError) as error:
            log.warning("settings in the journal cannot be used (%s)", error)
    return tuple(found)


def keep_frames_folder(journal: Journal, folder: Path) -> None:
    """Note where the frames lie; a journal that cannot be written now goes without."""
    with _going_without("folder of the frames"):
        _list(journal, _FOLDER, [os.fspath(folder.resolve())])


def kept_frames_folder(journal: Journal) -> Path | None:
    """Return where the frames lay when the session was last judged; None: not noted."""
    try:
        return next(map(Path, _listed(journal, _FOLDER)), None)
    except (sqlite3.Error, ValueError, TypeError):
        return None


def note_start(journal: Journal, now_utc: datetime) -> int:
    """Note that a watch starts; return how many starts the last hour has seen, this one included.

    A start counts however soon the watch ends after it. A journal that cannot be written now counts none.
    """
    now_s, starts = utc_s(now_utc), list[float]()
    with _going_without("start"):
        # A clock that was set meanwhile leaves times to come: of those nobody knows when they were.
        known = [at_s for at_s in _listed(journal, _STARTS) if now_s - HOUR_S < at_s <= now_s]
        _list(journal, _STARTS, [*known, now_s])
        starts = [*known, now_s]
    return len(starts)


def _listed(journal: Journal, key: str) -> list[Any]:
    row = journal._db.execute("SELECT value FROM fact WHERE key = ?", (key,)).fetchone()
    return list(json.loads(row[0])) if row else []


def _list(journal: Journal, key: str, values: list[Any]) -> None:
    text = json.dumps(values, separators=(",", ":"))
    journal._db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (key, text))


def forecasts_by_event(journal: Journal) -> dict[int, Forecast]:
    """Return the forecasts by the number of the event that led to each."""
    return dict(journal._numbered(Forecast, "SELECT event_seq, body FROM outcome WHERE kind = 'forecast'"))


def frame_rows(journal: Journal) -> int:
    """Return how many frames the journal has rows for, those included that cannot be read any more."""
    rows = journal._select("SELECT count(*) FROM event WHERE kind = 'frame'")
    return int(next(rows)[0])


def until_utc(journal: Journal) -> datetime | None:
    """Return when the last event was taken up; None: there is none."""
    (last,) = next(journal._select("SELECT max(now_utc) FROM event"))
    return parse_utc(last) if last else None


def surroundings(journal: Journal) -> Iterator[Surroundings]:
    """Yield the readings of the surroundings, in order of arrival."""
    return journal._events_of(Surroundings)


def deliveries(journal: Journal) -> Iterator[DeliveryRecord]:
    """Yield what became of each message on each channel, in the order made; a replay sends none."""
    query = (
        "SELECT a.body, o.target, o.state, o.attempts, o.doubtful, o.settled_utc_s, o.why"
        " FROM outbox o JOIN outcome a ON a.seq = o.alert ORDER BY o.number"
    )
    for body, target, state, attempts, doubtful, settled_s, why in journal._select(query):
        with journal._left_out():
            yield DeliveryRecord(
                alert=decode(Alert, body),
                target=target,
                state=state,
                attempts=attempts,
                doubtful=doubtful,
                settled_utc=None if settled_s is None else from_utc_s(settled_s),
                why=why,
            )
