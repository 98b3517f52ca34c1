"""What is said past the journal, like that its own disk is full: an outbox in memory alone."""

from datetime import datetime
from queue import SimpleQueue

from sentinel.chain.notify.routing import route
from sentinel.core.records import Alert, Severity
from sentinel.core.settings import Settings
from sentinel.core.words import opened
from sentinel.service.journal.outbox import Outbox


class MemoryOutbox:
    """Takes from any thread what is to be said; all else is for the thread that delivers."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._to_say: SimpleQueue[Alert] = SimpleQueue()
        self.outbox: Outbox | None = None
        """None until something was said."""

    def tell(
        self, title: str, body: str, severity: Severity, now_utc: datetime, *, which: str, over: bool
    ) -> None:
        """Say something; `over` takes back what was said under the same name."""
        alert = Alert(
            time_utc=now_utc,
            kind="clear" if over else "first",
            severity=Severity.NOTE if over else severity,
            condition="watch",
            title=opened(self._settings.camera.name, title),
            body=body,
            which=which,
            answers=severity if over else None,
        )
        self._to_say.put(alert)

    def take_in(self, now_utc: datetime) -> None:
        """Put what was said into the outbox."""
        while not self._to_say.empty():
            alert = self._to_say.get()
            self.outbox = self.outbox or Outbox.in_memory()
            self.outbox.add(alert, route((alert,), self._settings, now_utc), now_utc)

    def close(self) -> None:
        """Forget it all."""
        if self.outbox is not None:
            self.outbox.close()
        self.outbox = None
