"""A clock that is moved on by whoever plays the camera, and that the whole watch goes by."""

import threading
from collections.abc import Collection
from datetime import datetime

from sentinel.core.clock import Clock
from sentinel.core.times import from_utc_s, utc_s

TOGETHER_S = 0.2
"""A thread's two readings within so long are of one moment: a step between would look like a set clock."""


class PacedClock:
    """Time as it was set last.

    `start_utc`: where it stands until it is moved.
    `real`: the computer's own clock.
    """

    def __init__(self, start_utc: datetime, real: Clock) -> None:
        self._now_s, self._real = utc_s(start_utc), real
        self._here = threading.local()
        self._asked: set[str] = set()

    def move_to(self, now_utc: datetime) -> None:
        """Set the time; it never runs backward."""
        self._now_s = max(self._now_s, utc_s(now_utc))
        self._asked.clear()

    def asked_by(self, threads: Collection[str]) -> bool:
        """Whether all these threads have looked at it since it was moved: none of them stands still."""
        return set(threads) <= self._asked

    def now_utc(self) -> datetime:
        """Return the drill's time."""
        self._asked.add(threading.current_thread().name)
        self._here.now_s, self._here.at_s = self._now_s, self._real.monotonic_s()
        return from_utc_s(self._here.now_s)

    def monotonic_s(self) -> float:
        """Return seconds that go on as the drill's time does."""
        if self._real.monotonic_s() - getattr(self._here, "at_s", float("-inf")) < TOGETHER_S:
            return float(self._here.now_s)
        return self._now_s
