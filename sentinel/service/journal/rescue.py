"""What waits to be sent, kept a second time beside the journal: a spoilt disk must not take a `now` with it.

The second file is small and written whole. At each start, and whenever a new journal takes the place of one
that was lost, it is held against the journal, and what is not known there is put back, as perhaps sent
before.
"""

import json
import logging
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from sentinel.core.errors import Problem
from sentinel.core.files import write_text_whole
from sentinel.core.records import Alert, Posting
from sentinel.core.times import from_utc_s
from sentinel.service.journal.codec import decode
from sentinel.service.journal.opening import connected
from sentinel.service.journal.outbox import Outbox

log = logging.getLogger(__name__)

MOST = 500
"""So many are kept twice, the most severe first: days without a link must not make a large file."""

_WAITING = (
    "SELECT o.target, a.body, o.due_utc_s, o.expires_utc_s FROM outbox o JOIN outcome a ON a.seq = o.alert"
    " WHERE o.state IN ('waiting', 'trying') ORDER BY o.rank, o.number LIMIT ?"
)


@dataclass(frozen=True, slots=True)
class WaitingMessage:
    """A message that waits, as it stands in the second file."""

    target: str
    body: str
    """The alert, as the journal has it."""
    due_utc_s: float
    expires_utc_s: float


def waiting(outbox: Outbox) -> list[WaitingMessage]:
    """Return what waits; a journal that cannot be read raises `Problem`."""
    return [WaitingMessage(*row) for row in outbox._all(_WAITING, (MOST,))]


class SecondCopy:
    """Writes the second file whenever other messages wait than it says."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._written: frozenset[tuple[str, str]] | None = None
        self._failed = False

    def keep(self, outboxes: Sequence[Outbox]) -> None:
        """Write it, if it is not as it should be; where that cannot be, try again the next time."""
        try:
            kept = [one for outbox in outboxes for one in waiting(outbox)]
        except Problem:
            return  # what cannot be read is told by whoever delivers it; the file stays as it is
        # When each is tried next changes all the time, and does not matter here.
        now = frozenset((one.target, one.body) for one in kept)
        if now == self._written and self._path.exists():
            return
        try:
            write(self._path, kept)
        except OSError as error:
            if not self._failed:
                log.warning("what waits cannot be kept a second time (%s)", error.strerror)
            self._failed = True
            return
        self._written, self._failed = now, False


def write(path: Path, kept: Iterable[WaitingMessage]) -> None:
    """Write the second file."""
    write_text_whole(path, "".join(json.dumps(asdict(one)) + "\n" for one in kept))


def read(path: Path) -> list[WaitingMessage]:
    """Read the second file; what cannot be read is left out."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    found = []
    for line in lines:
        try:
            held = WaitingMessage(**json.loads(line))
            decode(Alert, held.body)
            found.append(held)
        except (ValueError, TypeError) as error:
            log.warning("%s: a message cannot be read and is left out (%s)", path, type(error).__name__)
    return found


def read_damaged(path: Path) -> list[WaitingMessage]:
    """Return what waits in a journal that was set aside, as far as it can still be read."""
    found: list[WaitingMessage] = []
    try:
        db = connected(path, "ro", writing=False)
    except Problem:
        return found
    try:
        for row in db.execute(_WAITING, (MOST,)):
            held = WaitingMessage(*row)
            decode(Alert, held.body)
            found.append(held)
    except (sqlite3.Error, ValueError, TypeError):
        pass  # as far as it goes
    finally:
        db.close()
    return found


def put_back(path: Path, kept: Iterable[WaitingMessage], now_utc: datetime) -> int:
    """Put what a journal does not know back into its outbox; return how many messages that were."""
    known = "SELECT 1 FROM outbox o JOIN outcome a ON a.seq = o.alert WHERE o.target = ? AND a.body = ?"
    missing = 0
    with Outbox.open(path) as outbox:
        for one in dict.fromkeys(kept):
            if outbox._all(known, (one.target, one.body)):
                continue
            posting = Posting(
                alert=0,
                target=one.target,
                due_utc=from_utc_s(one.due_utc_s),
                expires_utc=from_utc_s(one.expires_utc_s),
            )
            outbox.add(decode(Alert, one.body), [posting], now_utc, doubtful=1)
            missing += 1
    return missing
