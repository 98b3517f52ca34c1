"""The ping by which something elsewhere knows that the watch is at work; if it stops coming, it is not.

Power, link or computer may go, and then nothing here can say so: only somebody outside can notice silence.
"""

import logging
import threading
from collections.abc import Callable
from typing import Protocol

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem
from sentinel.core.settings import Heartbeat
from sentinel.service.delivery.secrets import resolve
from sentinel.service.delivery.transports import Attempt, ServiceTransport

log = logging.getLogger(__name__)

DEADLINE_S = 60.0
RETRY_S = 30.0
ABANDON_S, ABANDON_TIMES = 0.1, 50


class Pinger(Protocol):
    """What fetches the address."""

    def ping(self) -> Attempt:
        """Fetch it once."""
        ...

    def abandon(self) -> None:
        """Let go of what is kept ready."""
        ...


class HeartbeatPinger:
    """Pings while all is at work.

    `chosen`: the settings' `heartbeat`.
    `clock`: whose monotonic seconds it keeps time by.
    `well`: whether intake, measuring and alerting have all moved on lately: asked just before each ping.
    `make_pinger`: how the way to the address is made.
    """

    def __init__(
        self,
        chosen: Heartbeat,
        clock: Clock,
        well: Callable[[], bool],
        *,
        make_pinger: Callable[[str], Pinger] | None = None,
    ) -> None:
        self._chosen, self._clock, self._well = chosen, clock, well
        self._make = make_pinger or _pinger
        self._due_s = clock.monotonic_s()
        self._thread: threading.Thread | None = None
        self._pinger: Pinger | None = None
        """What the last ping went by."""
        self.sent = 0
        """How many pings got through."""

    def turn(self) -> None:
        """Ping if it is time; never waits."""
        if self._chosen.url_from is None or self._clock.monotonic_s() < self._due_s:
            return
        if self._thread is not None and self._thread.is_alive():
            return
        if not self._well():
            # Silence is the message. It is over as soon as all moves again.
            return
        self._due_s = self._clock.monotonic_s() + self._chosen.every_min * 60
        self._thread = threading.Thread(
            target=self._ping, args=(self._chosen.url_from,), name="heartbeat", daemon=True
        )
        self._thread.start()

    def stop(self, patience_s: float = DEADLINE_S) -> None:
        """Wait for a ping under way, then end it: it must not arrive when the watch is no more."""
        if self._thread is None:
            return
        self._thread.join(patience_s)
        # What it goes by may only just be in the making, so once may be too early; or never be made at all.
        for _ in range(ABANDON_TIMES):
            if not self._thread.is_alive():
                return
            if self._pinger is not None:
                self._pinger.abandon()
            self._thread.join(ABANDON_S)

    def _ping(self, reference: str) -> None:
        why = ""
        try:
            self._pinger = pinger = self._make(reference)
            attempt = pinger.ping()
            # A process for a ping every few minutes is not worth its memory in between.
            pinger.abandon()
            why = "" if attempt.delivered else attempt.why or attempt.outcome
        except Problem as problem:
            why = str(problem)
        if not why:
            self.sent += 1
            return
        log.info("heartbeat: %s", why)
        self._due_s = min(self._due_s, self._clock.monotonic_s() + RETRY_S)


def _pinger(reference: str) -> Pinger:
    return ServiceTransport(resolve(reference, where="heartbeat"), deadline_s=DEADLINE_S)
