"""The journal's tables, as an append-only list of steps; a step once released is never changed."""

import sqlite3
from collections.abc import Callable

from sentinel.core.errors import Problem


def _first(db: sqlite3.Connection) -> None:
    # Bodies are the records as JSON: they are fed back whole, never searched by field.
    db.execute(
        "CREATE TABLE event (seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, now_utc TEXT NOT NULL,"
        " body TEXT NOT NULL) STRICT"
    )
    db.execute(
        "CREATE TABLE outcome (seq INTEGER PRIMARY KEY, event_seq INTEGER NOT NULL REFERENCES event,"
        " kind TEXT NOT NULL, body TEXT NOT NULL) STRICT"
    )
    db.execute("CREATE INDEX outcome_by_kind ON outcome (kind, seq)")
    db.execute("CREATE INDEX event_by_kind ON event (kind, seq)")
    db.execute("CREATE TABLE fact (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT")


def _outbox(db: sqlite3.Connection) -> None:
    # Times are POSIX seconds here, because rows are chosen by them.
    db.execute(
        "CREATE TABLE outbox (number INTEGER PRIMARY KEY, alert INTEGER NOT NULL REFERENCES outcome,"
        " target TEXT NOT NULL, topics TEXT NOT NULL, kind TEXT NOT NULL, rank INTEGER NOT NULL,"
        " due_utc_s REAL NOT NULL, expires_utc_s REAL NOT NULL, state TEXT NOT NULL,"
        " attempts INTEGER NOT NULL DEFAULT 0, doubtful INTEGER NOT NULL DEFAULT 0,"
        " link_down INTEGER NOT NULL DEFAULT 0, settled_utc_s REAL, why TEXT NOT NULL DEFAULT '') STRICT"
    )
    # Only what is still to be sent is looked up often; after a week that is a handful among thousands.
    db.execute(
        "CREATE INDEX outbox_open ON outbox (target, rank, number) WHERE state IN ('waiting', 'trying')"
    )


STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (_first, _outbox)


def check_version(db: sqlite3.Connection, *, where: str) -> int:
    """Return the schema's version.

    Raises `Problem` if a newer program wrote the journal.
    """
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    if version > len(STEPS):
        raise Problem(
            f"was written by a newer version of sentinel (schema {version}, this one knows {len(STEPS)})",
            where=where,
            mend="use that version, or another state folder",
        )
    return version


def migrate(db: sqlite3.Connection, *, where: str) -> None:
    """Bring a journal to this program's schema, in one transaction; a newer one raises `Problem`."""
    version = check_version(db, where=where)
    if version == len(STEPS):
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        for step in STEPS[version:]:
            step(db)
        db.execute(f"PRAGMA user_version = {len(STEPS)}")
    except BaseException:
        db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")
