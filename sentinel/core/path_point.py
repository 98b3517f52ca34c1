"""A point of the way that a forecast expects the disc to go."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PathPoint:
    """Where the disc is expected at a time, and how far the mounts still possible carry it apart by then."""

    time_utc: datetime
    x_px: float
    y_px: float
    sigma_px: float
