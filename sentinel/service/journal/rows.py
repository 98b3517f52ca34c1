"""What the outbox gives out: rows, what became of them, and what pictures are drawn from."""

from dataclasses import dataclass
from datetime import datetime

from sentinel.core.records import Alert, Forecast, MeasuredFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxRow:
    """One alert for one target, as it stands."""

    number: int
    alert_number: int
    alert: Alert
    target: str
    due_utc: datetime
    expires_utc: datetime
    attempts: int
    doubtful: int
    """How many of the attempts may have arrived without our knowing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Messages:
    """How messages get through."""

    last_utc: datetime | None = None
    last_title: str = ""
    last_target: str = ""
    waiting: int = 0
    trouble: str = ""
    """Why the oldest one waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureScene:
    """What a picture for an alert is drawn from."""

    frame: MeasuredFrame
    way: tuple[MeasuredFrame, ...]
    """The frames before it, in order of arrival."""
    forecast: Forecast | None
