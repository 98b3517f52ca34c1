"""What the watch knows now, kept up to date event by event. Pure."""

from collections import deque
from dataclasses import dataclass, field
from datetime import datetime

from sentinel.chain.judge.seen import PLACING, Seen
from sentinel.chain.notify.counting import Counts
from sentinel.chain.undo import taken_back
from sentinel.core.records import (
    Event,
    Forecast,
    Incident,
    Mark,
    MeasuredFrame,
    Outcome,
    Surroundings,
)

RECENT_DISCS = 360
"""So many are kept, to draw where the disc came from."""


@dataclass(slots=True)
class Board:
    """The standing of a watch; the same events lead to the same board."""

    frames: int = 0
    """Usable ones."""
    unusable: int = 0
    first_utc: datetime | None = None
    """Exposure of the first usable frame."""
    frame: MeasuredFrame | None = None
    """The usable frame with the latest exposure so far; one may come late."""
    recent_discs: deque[MeasuredFrame] = field(default_factory=lambda: deque(maxlen=RECENT_DISCS))
    """The last frames with a disc, in order of exposure."""
    forecast: Forecast | None = None
    open: dict[tuple[str, str], Incident] = field(default_factory=dict)
    surroundings: Surroundings | None = None
    marks: list[Mark] = field(default_factory=list)
    """Those that were not taken back."""
    seen: Seen = field(default_factory=Seen)
    counts: Counts = field(default_factory=Counts)
    latency_s: float | None = None
    """From the arrival of the last live frame until it was taken up, measured; None: none came live."""
    now_utc: datetime | None = None
    """When the last event was taken up."""

    def update(self, event: Event, outcome: Outcome, now_utc: datetime) -> None:
        """Take note of one event and what came of it."""
        self.now_utc = now_utc
        if isinstance(event, Mark):
            self._mark(event)
        self.seen = self.seen.after(event).with_incidents(outcome.incidents)
        self.counts = self.counts.with_incidents(outcome.incidents).with_alerts(outcome.alerts)
        if isinstance(event, MeasuredFrame):
            self._frame(event)
            if event.arrived_utc is not None:
                self.latency_s = max((now_utc - event.arrived_utc).total_seconds(), 0.0)
        elif isinstance(event, Surroundings):
            self.surroundings = event
        if outcome.forecast is not None:
            self.forecast = outcome.forecast
        for incident in outcome.incidents:
            key = incident.key
            if incident.state == "cleared":
                self.open.pop(key, None)
            else:
                self.open[key] = incident

    def _mark(self, mark: Mark) -> None:
        if mark.kind != "undo":
            self.marks.append(mark)
        elif (back := taken_back(mark, self.marks)) is not None:
            self.marks.remove(back)
            placed_utc = max((one.time_utc for one in self.marks if one.kind in PLACING), default=None)
            self.seen = self.seen._replace(placed_utc=placed_utc)

    def _frame(self, frame: MeasuredFrame) -> None:
        if frame.error is not None:
            self.unusable += 1
            return
        self.frames += 1
        self.first_utc = min(self.first_utc, frame.time_utc) if self.first_utc else frame.time_utc
        if self.frame is None or frame.time_utc >= self.frame.time_utc:
            self.frame = frame
            if frame.disc.found:
                self.recent_discs.append(frame)

    @property
    def disc(self) -> MeasuredFrame | None:
        """The newest frame on which the disc was found."""
        return self.recent_discs[-1] if self.recent_discs else None

    def expected(self, interval_s: float) -> int:
        """Return how many frames the span from the first to now should have brought."""
        if self.first_utc is None or self.now_utc is None or self.frame is None:
            return 0
        until_utc = max(self.now_utc, self.frame.time_utc)
        return int((until_utc - self.first_utc).total_seconds() / interval_s) + 1
