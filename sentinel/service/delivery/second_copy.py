"""Keeps the second file of what waits to be sent as fresh as the outbox itself."""

import logging
from collections.abc import Sequence
from pathlib import Path

from sentinel.core.errors import Problem
from sentinel.service.journal import rescue
from sentinel.service.journal.outbox import Outbox

log = logging.getLogger(__name__)


class SecondCopy:
    """Writes the file whenever other messages wait than it says."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._written: frozenset[tuple[str, str]] | None = None
        self._failed = False

    def keep(self, outboxes: Sequence[Outbox]) -> None:
        """Write it, if it is not as it should be; where that cannot be, try again the next time."""
        try:
            kept = [one for outbox in outboxes for one in rescue.waiting(outbox)]
        except Problem:
            return  # what cannot be read is told by whoever delivers it; the file stays as it is
        # When each is tried next changes all the time, and does not matter here.
        now = frozenset((one.target, one.body) for one in kept)
        if now == self._written and self._path.exists():
            return
        try:
            rescue.write(self._path, kept)
        except OSError as error:
            if not self._failed:
                log.warning("what waits cannot be kept a second time (%s)", error.strerror)
            self._failed = True
            return
        self._written, self._failed = now, False
