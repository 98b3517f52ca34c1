"""What one camera of a site tells the others of the sun, and what is heard of them."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

SunState = Literal["seen", "missing", "unknown"]
"""Missing: it is up and not seen. Unknown: it is not expected, or what happens at that camera explains it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSeen:
    """Whether a camera sees the sun."""

    state: SunState
    since_utc: datetime
    """Exposure of the first picture since which that has been so without a break."""
    frame_utc: datetime
    """And of the last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherCamera:
    """What was heard of another camera of the site: an event, so that a replay hears the same."""

    time_utc: datetime
    """When it was heard."""
    camera: str
    sun: SunSeen
