"""Two clocks that may be wrong: the computer's, which may jump, and the camera's, which may be off. Pure."""

import dataclasses
from collections import deque
from datetime import datetime, timedelta

from sentinel.chain.intake.exposure_time import TIME_FROM_FILE, taken_off_s
from sentinel.chain.intake.pool import UNMEASURED
from sentinel.core.clock import Clock
from sentinel.core.records import Event, MeasuredFrame
from sentinel.core.times import utc_s

STEP_S = 0.5
"""A smaller jump between two readings is the clock being slewed, or a reading that was interrupted."""

TRANSFER_S = 1.0
"""The least that lies between an exposure and its finished file: reading out, writing, transfer."""

ARRIVALS = 60
"""The last so many tell the camera's offset."""
TOLERANCE_S = 2.0
"""An offset once given stays until it is off by more, so that times do not waver."""
SETTLED = 5
STEPPED_S = 20.0


class WatchClock:
    """The time of a watch: the computer's, unless that stands before what the journal holds.

    A computer without a clock of its own wakes up in the past and hears the time from the network
    later. Until then time goes on from where the journal ends.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lift = timedelta(0)
        self._ahead_s = self._ahead()
        self._pending_s = 0.0

    def _ahead(self) -> float:
        return utc_s(self._clock.now_utc()) - self._clock.monotonic_s()

    def now_utc(self) -> datetime:
        """Return the watch's time."""
        return self._clock.now_utc() + self._lift

    def monotonic_s(self) -> float:
        """Return the computer's monotonic seconds."""
        return self._clock.monotonic_s()

    def lift_to(self, floor_utc: datetime | None) -> None:
        """Let the time be no earlier than this."""
        if floor_utc is not None:
            self._lift = max(self._lift, floor_utc - self._clock.now_utc())

    def stepped_s(self) -> float:
        """Return by how much the computer's clock was set since `follow`, slow drifts left out."""
        ahead_s = self._ahead()
        step_s, self._ahead_s = ahead_s - self._ahead_s, ahead_s
        if abs(step_s) > STEP_S:
            self._pending_s += step_s
        return self._pending_s

    def follow(self) -> float:
        """Take the computer's clock as right from now on; return by how much that sets the watch's time."""
        moved_s = self._pending_s - self._lift.total_seconds()
        self._pending_s, self._lift = 0.0, timedelta(0)
        return moved_s


class CameraOffset:
    """The camera's clock minus UTC, from when its frames arrive.

    A frame arrives later than it was taken, never earlier, so among many frames the least late one
    tells most: the offset is the largest of (camera's time - arrival), plus the least that a transfer
    takes. Only live arrivals count.

    `configured_s`: the offset, where it is told; None: it is to be found.
    `before_s`: what was found in an earlier run.
    """

    def __init__(self, configured_s: float | None, *, before_s: float | None = None) -> None:
        self._configured_s = configured_s
        self._samples: deque[float] = deque(maxlen=ARRIVALS)
        self._was_known = before_s is not None
        self._given_s = before_s

    @property
    def known_s(self) -> float | None:
        """The offset; None: there is nothing to go by yet."""
        return self._given_s if self._configured_s is None else self._configured_s

    @property
    def current_s(self) -> float:
        """The offset to use now; 0 while nothing is known."""
        return self.known_s or 0.0

    def learn(self, camera_minus_arrival_s: float) -> None:
        """Take one live arrival."""
        if self._configured_s is not None:
            return
        self._samples.append(camera_minus_arrival_s)
        newest = list(self._samples)[-SETTLED:]
        if max(newest) < max(self._samples) - STEPPED_S and max(newest) - min(newest) < STEPPED_S / 4:
            # All alike and far from those before: the clock was set back. Late frames would be late unlike.
            self._samples = deque(newest, maxlen=self._samples.maxlen)
        found_s = max(self._samples) + TRANSFER_S
        settling = len(self._samples) <= SETTLED and not self._was_known
        if self._given_s is None or settling or abs(found_s - self._given_s) > TOLERANCE_S:
            self._given_s = found_s

    def restart(self) -> None:
        """Forget the arrivals: the clock they were read off was wrong."""
        self._samples.clear()
        self._given_s, self._was_known = None, False


def moved(event: Event, shift: timedelta, *, auto: bool) -> Event:
    """Return an event as it would be had the clock been right."""
    if not isinstance(event, MeasuredFrame):
        return dataclasses.replace(event, time_utc=event.time_utc + shift)
    if event.arrived_utc is None:
        return event
    late_s = abs(utc_s(event.arrived_utc) - utc_s(event.time_utc))
    # A file written by this computer bears the time of this computer's clock.
    ours = auto or (TIME_FROM_FILE in event.flags and late_s < 120)
    return dataclasses.replace(
        event,
        arrived_utc=event.arrived_utc + shift,
        time_utc=event.time_utc + shift if ours else event.time_utc,
    )


def with_offset(event: Event, before_s: float, now_s: float) -> Event:
    """Return an event as it would be had the camera's offset been set as it now is."""
    if not isinstance(event, MeasuredFrame) or TIME_FROM_FILE in event.flags or UNMEASURED in event.flags:
        return event
    later_s = taken_off_s(event.zone_s, before_s) - taken_off_s(event.zone_s, now_s)
    return dataclasses.replace(event, time_utc=event.time_utc + timedelta(seconds=later_s))
