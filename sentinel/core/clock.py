"""The only reader of clocks: everything else is handed the time."""

import time
from datetime import datetime
from typing import Protocol

from sentinel.core.times import from_utc_s

# Where there is one, the clock that also counts the time a computer slept: waking up is no step of the clock.
_STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clock(Protocol):
    """Where the runner learns what time it is."""

    def now_utc(self) -> datetime:
        """Return the present, in UTC."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds that never jump, for durations and patience."""
        ...


class SystemClock:
    """The computer's own clock."""

    def now_utc(self) -> datetime:
        """Return the computer's UTC."""
        return from_utc_s(time.time())

    def monotonic_s(self) -> float:
        """Return the computer's monotonic seconds."""
        return time.clock_gettime(_STEADY)
