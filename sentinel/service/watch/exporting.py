"""The files for people, kept fresh while the watch goes on.

The journal holds it all and these are made from it, so they need not be as fresh as the status page: now and
then is enough, on a thread and a connection of their own, and on a disk that is nearly full not at all.
"""

import logging
import shutil
import threading

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem
from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal
from sentinel.service.watch.state_folder import StateFolder

log = logging.getLogger(__name__)

LEAST_S = 60.0
MOST_S = 3600.0
SHARE = 1 / 2000
"""Writing may take this share of the time: the longer a session gets, the rarer it is."""
ROOM = 2.0
"""So many times the journal's size must be free: the journal and what it still gets come first."""


class Exporter(threading.Thread):
    """Writes the files for people again whenever there is something new in the journal.

    `least_s`: rest between two writings, at least.
    `share`: of the time, that writing may take.
    """

    def __init__(
        self, files: StateFolder, clock: Clock, *, least_s: float = LEAST_S, share: float = SHARE
    ) -> None:
        super().__init__(name="exporter", daemon=True)
        self._files, self._clock, self._least_s, self._share = files, clock, least_s, share
        self._news, self._stopping = threading.Event(), threading.Event()
        # The watch may have ended before it could write them the last time.
        self._news.set()
        self._trouble = ""

    def noted(self) -> None:
        """Say that the journal holds something new."""
        self._news.set()

    def stop(self) -> None:
        """End; what is being written is written to its end."""
        self._stopping.set()
        if self.ident is not None:
            self.join(timeout=60)

    def run(self) -> None:
        """Write whenever there is something new, until told to end."""
        rest_s = self._least_s
        while not self._stopping.wait(rest_s):
            if not self._news.is_set():
                continue
            self._news.clear()
            began_s = self._clock.monotonic_s()
            try:
                self._write()
                self._trouble = ""
            except (OSError, Problem) as error:
                self._failed(str(error))
            except Exception:
                # Files that grow old are no reason to end the watch.
                log.exception("the files for people could not be written")
            took_s = self._clock.monotonic_s() - began_s
            rest_s = min(max(took_s / self._share, self._least_s), max(MOST_S, self._least_s))

    def _write(self) -> None:
        free_bytes = shutil.disk_usage(self._files.folder).free
        if free_bytes < ROOM * self._files.journal.stat().st_size:
            self._failed("little space is left")
            return
        with Journal.read(self._files.journal) as journal:
            export(journal, self._files.folder)

    def _failed(self, why: str) -> None:
        self._news.set()
        if why != self._trouble:
            log.warning("the files for people grow old (%s); the journal holds it all", why)
        self._trouble = why
