"""The standing of a watch at one moment, in the order in which it matters. Pure."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from sentinel.chain.judge.agenda import Agenda, Job
from sentinel.chain.judge.until import Answer, answer
from sentinel.chain.notify.counting import Counts
from sentinel.chain.notify.headline import Headline, Trouble, headline, pressing
from sentinel.core.foreseen import Edge
from sentinel.core.other_cameras import ClocksCompared, SunSeen
from sentinel.core.records import Forecast, Mark, Severity
from sentinel.core.words import TimeWriter, times_in
from sentinel.service.journal.rows import Messages

LATE_INTERVALS = 3.0
LATE_S = 180.0
"""As long as frames may fail to come before somebody is woken."""


@dataclass(frozen=True, slots=True)
class SupplyStanding:
    """Something that runs out."""

    name: str
    lasts_until_utc: datetime | None
    """None: longer than can be foreseen."""
    renewed_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """All that is shown."""

    written_utc: datetime
    interval_s: float
    frame: str | None
    frame_utc: datetime | None
    """Exposure of the newest picture."""
    left_alone: str
    leave_until_utc: datetime | None
    """Once what is open is mended; None: not known, or for as long as is foreseen."""
    leave_reason: str | None
    set_off_utc: datetime | None
    """When to set off at the latest, by the travel time."""
    agenda: Agenda
    """All that is to be done."""
    stop_edge_min: float | None
    """From now to the edge if the mount stopped now."""
    stop_edge: Edge | None
    troubles: tuple[Trouble, ...]
    zone: str | None
    """The operator's time zone."""
    verified_utc: datetime | None
    """Exposure of the last picture on which the sun was measured."""
    focus_ratio: float | None
    """Edge width over that at the same altitude before; smoothed over the last frames."""
    focus_soon_ratio: float
    """From which on that is told."""
    edge_width_px: float | None
    frames: int
    frames_expected: int
    unusable: int
    folder: str
    waiting_files: int
    supplies: tuple[SupplyStanding, ...]
    free_bytes: int | None
    state_free_bytes: int | None
    axis_turned_deg: float | None
    axis_limit_deg: float | None
    clock_offset_s: float | None
    """Camera clock minus UTC, as used; None: not known yet."""
    clock_synchronised: bool | None
    messages: Messages
    counts: Counts
    forecast: Forecast | None
    camera: str | None = None
    """Its name."""
    undoable: tuple[Mark, ...] = ()
    """What was noted a moment ago and can be taken back."""
    sun: SunSeen | None = None
    """Whether the sun is seen, for the other cameras of the site."""
    clocks: tuple[ClocksCompared, ...] | None = None
    """This camera's clock beside those of the site's others; None: there are none."""
    latency_s: float | None = None
    """From the arrival of the last live frame until it was judged; None: none came live."""

    @property
    def times(self) -> TimeWriter:
        """What writes times for the operator."""
        return times_in(self.zone)

    @property
    def late_s(self) -> float:
        """How old it may be: a watch that runs writes it after each frame and each tick."""
        return max(LATE_INTERVALS * self.interval_s, LATE_S)

    def headline(self, now_utc: datetime) -> Headline:
        """Return what stands above everything else, as of a time."""
        return headline(self.agenda, self.forecast, self.troubles, now_utc, self.times)

    def level(self, now_utc: datetime, *, watched: bool = True) -> "Level":
        """Return whether somebody is wanted now, soon, or all is well."""
        head = self.headline(now_utc)
        gone = head.set_off_utc is not None and head.set_off_utc <= now_utc
        if not watched or gone or pressing(self.troubles) is not None:
            return "now"
        near = head.set_off_utc is not None and head.set_off_utc <= now_utc + NEAR
        known = self.agenda.known_until_utc is not None and self.agenda.blind_since_utc is None
        known = known and self.agenda.unseen_since_utc is None and self.agenda.up_unseen is None
        open_soon = any(one.severity is Severity.SOON for one in self.troubles)
        return "soon" if near or open_soon or not known else "well"


Level = Literal["now", "soon", "well"]
NEAR = timedelta(hours=2)
"""Who must set off within so long had better not lie down."""
SAME_VISIT = timedelta(hours=12)
"""What falls due within so long after the first is done on the same visit."""


def next_visit(s: Standing, now_utc: datetime) -> tuple[Job, ...]:
    """Return what the next visit should see to: what is due first, and all that is due soon after."""
    first = min((job.due_utc for job in s.agenda.jobs), default=None)
    if first is None:
        return ()
    return answer(s.agenda, s.forecast, max(first, now_utc) + SAME_VISIT, now_utc, lasting=False).needed


def until(s: Standing, until_utc: datetime, now_utc: datetime) -> Answer:
    """Return what must be done so that the camera may be left alone until a time, and whether it then may."""
    return answer(s.agenda, s.forecast, until_utc, now_utc)
