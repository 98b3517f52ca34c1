"""What the watch knows now, kept up to date event by event. Pure."""

from collections import deque
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from sentinel.chain.judge.seen import Seen
from sentinel.chain.notify.counting import Counts
from sentinel.chain.undo import LATEST, taken_back
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


class MarkTaken(NamedTuple):
    """A mark, and what stood before it."""

    mark: Mark
    marks: dict[str, Mark]
    placed_utc: datetime | None


@dataclass(slots=True)
class Board:
    """The standing of a watch; the same events lead to the same board."""

    frames: int = 0
    """Usable ones."""
    discs: int = 0
    unusable: int = 0
    first_utc: datetime | None = None
    """Exposure of the first usable frame."""
    newest_utc: datetime | None = None
    """The latest exposure so far; a frame may come late."""
    frame: MeasuredFrame | None = None
    """The usable frame with that exposure."""
    disc: MeasuredFrame | None = None
    """The newest frame on which the disc was found."""
    error: MeasuredFrame | None = None
    """The last unusable file."""
    recent_discs: deque[MeasuredFrame] = field(default_factory=lambda: deque(maxlen=RECENT_DISCS))
    """The last frames with a disc, in order of exposure."""
    forecast: Forecast | None = None
    open: dict[tuple[str, str], Incident] = field(default_factory=dict)
    surroundings: Surroundings | None = None
    marks: dict[str, Mark] = field(default_factory=dict)
    """The last of each kind."""
    recent_marks: list["MarkTaken"] = field(default_factory=list)
    """Those that can still be taken back."""
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
            self._mark(event, now_utc)
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

    def _mark(self, mark: Mark, now_utc: datetime) -> None:
        self.recent_marks = [one for one in self.recent_marks if now_utc - one.mark.time_utc <= LATEST]
        if mark.kind != "undo":
            self.recent_marks.append(MarkTaken(mark, dict(self.marks), self.seen.placed_utc))
            self.marks[mark.renews or mark.kind] = mark
            return
        back = taken_back(mark, [one.mark for one in self.recent_marks])
        if back is None:
            return
        place = next(n for n, one in enumerate(self.recent_marks) if one.mark is back)
        undone, *since = self.recent_marks[place:]
        self.recent_marks, self.marks = self.recent_marks[:place], undone.marks
        self.seen = self.seen._replace(placed_utc=undone.placed_utc)
        for one in since:
            self._mark(one.mark, now_utc)
            self.seen = self.seen.after(one.mark)

    def _frame(self, frame: MeasuredFrame) -> None:
        if frame.error is not None:
            self.unusable += 1
            self.error = frame
            return
        self.frames += 1
        self.discs += frame.disc.found
        self.first_utc = min(self.first_utc, frame.time_utc) if self.first_utc else frame.time_utc
        if self.newest_utc is None or frame.time_utc >= self.newest_utc:
            self.newest_utc, self.frame = frame.time_utc, frame
            if frame.disc.found:
                self.disc = frame
                self.recent_discs.append(frame)

    def expected(self, interval_s: float) -> int:
        """Return how many frames the span from the first to now should have brought."""
        if self.first_utc is None or self.now_utc is None:
            return 0
        until_utc = max(self.now_utc, self.newest_utc or self.now_utc)
        return int((until_utc - self.first_utc).total_seconds() / interval_s) + 1
