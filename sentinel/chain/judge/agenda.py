"""What is to be done at the camera, as records: a job, and the agenda of all that is foreseen. Pure.

Who only asks how things stand reads these, and computes no sun for it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.core.foreseen import Due, Edge, Place


class Rise(NamedTuple):
    """Where the disc comes up in the picture, by the mount as it is known."""

    right_widths: float
    """Of the disc's middle, right of the frame's, in sun-widths."""
    up_widths: float
    out_widths: float
    """How far its limb is over the edge: 1 and more, all of it is outside; negative: so far inside."""
    edge: Edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Something to be done."""

    name: str
    """`drift`: put the disc elsewhere; `sunrise`: be there when the sun comes up; else as `Due.reason`."""
    due_utc: datetime
    """When what it averts comes to pass, or when it was due."""
    by_utc: datetime
    """The last moment at which it can be done: what needs the sun cannot be done by night."""
    lasts_until_utc: datetime | None = None
    """Until when it is good once done; None: longer than is foreseen."""
    place: Place | None = None
    """Where the disc is to be put."""
    edge: Edge | None = None
    """To which the disc drifts."""
    rise: Rise | None = None
    """Where the disc comes up."""
    outlived: bool = False
    """Its count is over and it is seen to work: was it renewed and not noted?"""
    hidden_since_utc: datetime | None = None
    """Of a recentring: since when cloud has hidden the disc, which nobody can put anywhere until it shows."""
    recentre_utc: datetime | None = None
    """Of an axis limit: when the disc can be put back after unwinding; None: another job says."""
    hour_angle: bool = False
    """Of an axis limit: the end of the allowed hour angles, not of the axis's travel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agenda:
    """All that is to be done within the time that is foreseen, and what must be known to plan for it."""

    time_utc: datetime
    """As of when."""
    known_until_utc: datetime | None
    """As far as is foreseen; None: no disc has been measured, so nothing is known of the mount."""
    travel_min: float
    visit_min: float
    """How long a visit usually takes."""
    jobs: tuple[Job, ...] = ()
    """In the order in which they are due."""
    sets_utc: datetime | None = None
    """Until when all of the disc is up, or was, where it is not; None: it stays up."""
    rises_utc: datetime | None = None
    """From when on it is again; None: not within days, or it stays up."""
    goes: Due | None = None
    """When it begins to go, as `sets_utc`, and behind what; None: it is down, or stays up."""
    blind_since_utc: datetime | None = None
    """Since when nobody knows where the disc stands: it was put elsewhere and not seen since."""
    unseen_since_utc: datetime | None = None
    """When the sun was last seen, where it has been up for long since: what is foreseen is not verified."""
    up_unseen: Job | None = None
    """The sunrise since which the sun is up and not seen; None: it was, or it is down."""
    to_bed_utc: datetime | None = None
    """When the operator goes to sleep next, or went; None: nobody said."""
    clock: ClockOff | None = None
    """The camera's clock is so far off that nothing is foreseen; None: it is not."""

    def in_time(self, at_utc: datetime, now_utc: datetime) -> bool:
        """Whether what can be done only from a time on is still done before sleep, or on this visit."""
        if self.to_bed_utc is None:
            return True
        return at_utc <= max(self.to_bed_utc, now_utc + timedelta(minutes=self.travel_min + self.visit_min))

    def dark(self, at_utc: datetime) -> bool:
        """Whether the sun is down now, or at a time of the next night."""
        if self.sets_utc is None or self.sets_utc > at_utc:
            return False
        return self.rises_utc is None or self.rises_utc > at_utc

    def set_off_utc(self, job: Job) -> datetime:
        """Return when somebody must set off for a job."""
        return job.due_utc - timedelta(minutes=self.travel_min)

    def must_go(self, job: Job, now_utc: datetime) -> bool:
        """Whether that time has come."""
        return self.set_off_utc(job) <= now_utc

    def goes_first(self, now_utc: datetime) -> bool:
        """Whether the sun goes, within a day, before anything is due."""
        if self.goes is None or not now_utc < self.goes.time_utc < now_utc + timedelta(days=1):
            return False
        return not self.pending or self.goes.time_utc < self.pending[0].due_utc

    def alone_until_utc(self, now_utc: datetime) -> datetime | None:
        """Return until when the camera may be left alone; None: for as long as is foreseen."""
        if self.goes_first(now_utc):
            return self.goes.time_utc if self.goes is not None else None
        return self.pending[0].due_utc if self.pending else None

    @property
    def pending(self) -> tuple[Job, ...]:
        """What ends the time the camera may be left alone: not what is seen to outlive its count."""
        return tuple(job for job in self.jobs if not job.outlived)
