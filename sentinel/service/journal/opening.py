"""Opening the journal's file, so that neither a full disk nor a lock can end whoever opens it.

SQLite keeps the index of its write-ahead log in a file that is mapped into memory. Where the disk has no room
for a page of it, touching the page kills the process (SIGBUS), and no error is raised. On a file system of
small blocks even a file that was extended to its size has such pages. So nothing is opened without room for
the index, and as soon as it is open all that the index will need is allocated.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, Self

from sentinel.core.errors import Problem

INDEX_BYTES = 262_144
"""Enough for a log of 130 MB; it is emptied long before."""
ROOM_BYTES = 2 * INDEX_BYTES
"""Free at least, before a journal is opened by the first who does: the index, and a little to write."""


class Damaged(Problem):
    """A journal's file holds what no program of ours wrote."""


class Unwritable(Problem):
    """A journal cannot be opened or written now; it may be later."""


class Locked(Unwritable):
    """Another program holds the journal."""


def usable_later(path: Path, error: sqlite3.OperationalError) -> Unwritable:
    """Return what keeps a journal from being used just now, called by its name."""
    code = (error.sqlite_errorcode or 0) & 0xFF if hasattr(error, "sqlite_errorcode") else 0
    where = str(path)
    if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
        return Locked("is locked by another program", where=where, mend="end what holds it open")
    if code == sqlite3.SQLITE_FULL or not has_room(path, 4096):
        return Unwritable("its disk is full", where=where, mend="make room there")
    if code == sqlite3.SQLITE_READONLY:
        return Unwritable("may only be read", where=where, mend="check its disk and permissions")
    return Unwritable(f"cannot be used ({error})", where=where, mend="check its disk and permissions")


def has_room(path: Path, least_bytes: int = ROOM_BYTES) -> bool:
    """Whether the disk of a journal has room; an index left behind is given back on opening, and counts."""
    try:
        disk = os.statvfs(path.parent)
        free_bytes = disk.f_bavail * disk.f_frsize
    except OSError:
        return True  # something else is wrong there, which opening will say
    with suppress(OSError):
        free_bytes += _index(path).stat().st_blocks * 512
    return free_bytes >= least_bytes


def connected(path: Path, mode: str, *, writing: bool) -> sqlite3.Connection:
    """Open a connection.

    `mode`: of SQLite's URI: `rw`, `rwc` or `ro`, and whatever goes with it.
    `writing`: this is the one who writes events, and is there before all others: it sees to the index.
    Raises `Damaged` or `Unwritable` if it cannot be.
    """
    if writing and not has_room(path):
        raise Unwritable("its disk is full", where=str(path), mend="make room there")
    with as_journal_errors(path), ExitStack() as undo:
        uri = f"{path.absolute().as_uri()}?mode={mode}"
        db = undo.enter_context(closing(sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10)))
        # What is no text costs its row, as any other damage does, and not all that comes after it.
        db.text_factory = partial(str, encoding="utf-8", errors="replace")
        db.execute("PRAGMA foreign_keys = ON")
        if writing:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            _back_the_index(path)
        undo.pop_all()
        return db


class Database:
    """A connection to a journal's file, for one thread.

    Raises `Problem` wherever the file cannot be opened, is no journal, or cannot be read or written.
    """

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db, self._path = db, path

    def close(self) -> None:
        """Close the file; after the last one it is one file again, without its write-ahead log."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.close()

    def _select(self, query: str, values: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
        with as_journal_errors(self._path):
            yield from self._db.execute(query, values)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Do all or nothing of it, under the lock of writers from its start."""
        with as_journal_errors(self._path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                # A full disk has ended the transaction already.
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise


@contextmanager
def as_journal_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors over a journal into those of this room.

    Raises `Unwritable` if there is no room, another program holds it, or the disk fails.
    Raises `Damaged` if the file is found to be broken.
    """
    try:
        yield
    except sqlite3.OperationalError as error:
        raise usable_later(path, error) from None
    except sqlite3.DatabaseError as error:
        # Of SQLite's errors, this class itself alone says that the file is spoilt (PEP 249).
        if type(error) is sqlite3.DatabaseError:
            raise Damaged(f"is damaged ({error})", where=str(path)) from None
        raise Problem(f"cannot be used ({error})", where=str(path), mend="end what else uses it") from None
    except UnicodeDecodeError as error:
        # Even what SQLite has to say of a schema may hold bytes that are no text.
        raise Damaged(f"is damaged ({error})", where=str(path)) from None


def _back_the_index(path: Path) -> None:
    """Allocate the index to its last page; what stands in it stays."""
    # By the descriptor that SQLite has: closing another of the same file would let go of SQLite's locks on it
    # (POSIX locks belong to the process, whatever descriptor they came by).
    wanted = _of_file(_index(path))
    ours = Path("/proc/self/fd")
    for descriptor in ours.iterdir() if wanted is not None and ours.is_dir() else ():
        try:
            status = os.fstat(int(descriptor.name))
        except OSError:
            continue  # of the listing itself, and closed by now
        if (status.st_dev, status.st_ino) == wanted:
            try:
                os.posix_fallocate(int(descriptor.name), 0, INDEX_BYTES)
            except OSError as error:
                what = f"has no room for its index ({error.strerror})"
                raise Unwritable(what, where=str(path), mend="make room on its disk") from None
            return


def _index(path: Path) -> Path:
    return path.with_name(f"{path.name}-shm")


Identity = tuple[tuple[int, int] | None, ...]


def identity(path: Path) -> Identity:
    """Return what tells a journal's files from any others that may stand in their place later.

    A disk that cannot say raises `OSError`: whoever writes there hears why.
    """
    return tuple(_of_file(path.with_name(f"{path.name}{end}")) for end in ("", "-wal"))


def _of_file(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return status.st_dev, status.st_ino
