"""What has been seen so far, and how far the times of it can be believed. Pure."""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.judge.camera_details import CameraClock
from sentinel.core.records import Event, Incident, Mark, MeasuredFrame

PLACING = frozenset({"recentred", "unwound", "realigned"})
"""Marks after which the disc stands elsewhere."""


class Seen(NamedTuple):
    """What has been seen so far, beside what the forecast says."""

    frame_utc: datetime | None = None
    """Exposure of the newest picture."""
    disc_utc: datetime | None = None
    """Of the newest with a disc."""
    placed_utc: datetime | None = None
    """When the operator last said that the disc or the axis was put elsewhere."""
    size_px: tuple[int, int] = (0, 0)
    clock: ClockOff | None = None
    """The camera's clock is so far off that no time which stands on the exposures can be told."""

    def with_incidents(self, incidents: Iterable[Incident]) -> "Seen":
        """Return what has been seen after some changes of incidents: they tell of the clock."""
        seen = self
        for one in incidents:
            if one.condition == "clock":
                seen = seen._replace(clock=_clock_of(one))
        return seen

    def after(self, event: Event) -> "Seen":
        """Return what has been seen after one more event; a frame may come late."""
        if isinstance(event, Mark):
            if event.kind not in PLACING or not _later(event.time_utc, self.placed_utc):
                return self
            return self._replace(placed_utc=event.time_utc)
        if not isinstance(event, MeasuredFrame) or event.error is not None:
            return self
        seen = self
        if _later(event.time_utc, seen.frame_utc):
            seen = seen._replace(frame_utc=event.time_utc, size_px=(event.width_px, event.height_px))
        if event.disc.found and _later(event.time_utc, seen.disc_utc):
            seen = seen._replace(disc_utc=event.time_utc)
        return seen


def _clock_of(incident: Incident) -> ClockOff | None:
    """Return how far the clock is off, by an incident, where that leaves no time to be told."""
    detail = incident.detail
    if incident.state == "cleared" or not isinstance(detail, CameraClock):
        return None
    off = off_of(detail)
    return off if off is not None and off.disputed else None


def off_of(detail: CameraClock) -> ClockOff | None:
    """Return how far the clock is off, by what an incident is told by; None: it was only set."""
    if detail.offset_s is None:
        return None
    return ClockOff(detail.offset_s, detail.steady is not False)


def _later(one: datetime, other: datetime | None) -> bool:
    return other is None or one > other
