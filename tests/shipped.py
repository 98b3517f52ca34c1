"""The sessions that lie in the repository, read once for all tests."""

from functools import cache
from pathlib import Path

from sentinel.core.records import MeasuredFrame
from sentinel.core.tables import read_measurements

FIVE_DAYS = Path(__file__).parents[1] / "replay_data" / "five-days"


@cache
def five_days() -> tuple[MeasuredFrame, ...]:
    """Return the frames of the five days."""
    return tuple(read_measurements(FIVE_DAYS / "measurements.ecsv"))
