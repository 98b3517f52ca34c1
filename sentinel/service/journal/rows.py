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
class TargetState:
    """What is known of one target's messages."""

    target: str
    waiting: int
    oldest_waiting_utc: datetime | None
    delivered: int
    last_delivered_utc: datetime | None
    last_title: str
    """Of the last one delivered."""
    last_trouble: str
    """What the last attempt failed of, where messages wait; empty: none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureScene:
    """What a picture for an alert is drawn from."""

    frame: MeasuredFrame
    way: tuple[MeasuredFrame, ...]
    """The frames before it, in order of arrival."""
    forecast: Forecast | None
