"""When a frame was taken: as the file says, by the configured clock offset, or by the file's own time."""

from datetime import UTC, datetime, timedelta

from sentinel.core.times import PLAUSIBLE_YEARS

TIME_FROM_FILE = "time-from-file"
"""The file says no exposure time; its modification time stands in."""

ZONE_EXPLAINED_S = 900.0
"""A configured offset this near the zone the file names is taken to contain that zone."""


def exposure_time(
    taken: datetime | None, zone_offset: timedelta | None, clock_offset_s: float, file_time_utc: datetime
) -> tuple[datetime, tuple[str, ...]]:
    """Return the corrected UTC of an exposure, `taken` as the file says it, and the doubts about it.

    A camera's clock shows ``UTC + zone + error``. Where the file names its zone, that is taken off first and
    `clock_offset_s` is the error alone; a configured offset that contains the same zone already (the clock as
    read off the camera's display) is recognised and not taken off twice. Where the file names no zone,
    `clock_offset_s` is zone and error together.
    """
    if taken is None:
        return file_time_utc.astimezone(UTC), (TIME_FROM_FILE,)
    offset_s = taken_off_s(None if zone_offset is None else zone_offset.total_seconds(), clock_offset_s)
    try:
        taken_utc = taken.replace(tzinfo=UTC) - timedelta(seconds=offset_s)
    except OverflowError:
        return file_time_utc.astimezone(UTC), (TIME_FROM_FILE,)
    if taken_utc.year not in PLAUSIBLE_YEARS:
        return file_time_utc.astimezone(UTC), (TIME_FROM_FILE,)
    return taken_utc, ()


def taken_off_s(zone_s: float | None, clock_offset_s: float) -> float:
    """Return what is taken off a time as a file says it: its zone and the clock's error, each once."""
    zone_s = zone_s or 0.0
    contains_zone = zone_s != 0.0 and abs(clock_offset_s - zone_s) <= ZONE_EXPLAINED_S
    return clock_offset_s if contains_zone else clock_offset_s + zone_s
