"""Moments in time: aware UTC datetimes in records, POSIX seconds (``utc_s``) in numerical code.

No clock is read here; that is `sentinel.core.clock`'s alone.
"""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from sentinel.core.errors import RequestProblem

EPOCH_UTC = datetime(1970, 1, 1, tzinfo=UTC)
HOUR_S, DAY_S = 3600.0, 86_400.0
POSIX_JD = 2_440_587.5
"""Julian date of the epoch."""
PLAUSIBLE_YEARS = range(1970, 2200)
"""In which a picture may have been taken; any other is a clock that was never set, or a broken file."""


def utc_s(time_utc: datetime) -> float:
    """Return POSIX seconds of an aware datetime; a naive one raises `ValueError`."""
    if time_utc.tzinfo is None:
        raise ValueError(f"{time_utc} has no time zone; give it one: datetime(..., tzinfo=UTC)")
    return (time_utc - EPOCH_UTC).total_seconds()


def from_utc_s(seconds: float) -> datetime:
    """Return the aware UTC datetime of POSIX seconds, to the microsecond."""
    return EPOCH_UTC + timedelta(seconds=float(seconds))


def file_time_utc(seconds: float) -> datetime:
    """Return a file's time of change; one that cannot be is as good as none, and is 1970."""
    try:
        changed_utc = from_utc_s(seconds)
    except (OverflowError, ValueError):
        return EPOCH_UTC
    return changed_utc if changed_utc.year in PLAUSIBLE_YEARS else EPOCH_UTC


def parse_utc(text: str) -> datetime:
    """Read an ISO 8601 time with its zone (``2026-06-21T03:02:00Z``).

    Raises `RequestProblem` if it is no ISO 8601 time or says no zone.
    """
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError:
        raise RequestProblem(f"not a time: {text!r}", mend="write it like 2026-06-21T03:02:00Z") from None
    if time.tzinfo is None:
        raise RequestProblem(
            f"the time {text!r} has no zone", mend="add Z for UTC, like 2026-06-21T03:02:00Z"
        )
    try:
        return time.astimezone(UTC)
    except OverflowError:
        raise RequestProblem(f"not a time: {text!r}", mend="write it like 2026-06-21T03:02:00Z") from None


def format_utc(time_utc: datetime) -> str:
    """Write a time as the files hold it: ISO 8601, trailing Z, milliseconds only where there are any."""
    # Rounded, not cut: a time that went through floating-point seconds may be 1 us short.
    rounded = from_utc_s(round(utc_s(time_utc), 3))
    spec = "milliseconds" if rounded.microsecond else "seconds"
    return rounded.isoformat(timespec=spec).replace("+00:00", "Z")


def of_day_s(text: str) -> float:
    """Return the seconds of the day of a setting like `21:30`."""
    hours, minutes = text.split(":")
    return int(hours) * 3600.0 + int(minutes) * 60.0


def daily_span_s(from_utc: str, until_utc: str, now_s: float) -> tuple[float, float]:
    """Return begin and end of a span of each day: of the one that is on, or else of the next."""
    start_s = of_day_s(from_utc)
    length_s = (of_day_s(until_utc) - start_s) % DAY_S or DAY_S
    begin_s = now_s - (now_s - start_s) % DAY_S
    if now_s >= begin_s + length_s:
        begin_s += DAY_S
    return begin_s, begin_s + length_s


def local_span_s(from_local: str, until_local: str, zone: tzinfo, now_s: float) -> tuple[float, float]:
    """Return the same of a span of each day by the clock of a zone, whenever that is changed."""
    today = from_utc_s(now_s).astimezone(zone).date()
    for days in (-1, 0, 1):
        begins = today + timedelta(days=days)
        ends = begins if until_local > from_local else begins + timedelta(days=1)
        begin_s, end_s = (
            utc_s(datetime.fromisoformat(f"{day} {text}").replace(tzinfo=zone))
            for day, text in ((begins, from_local), (ends, until_local))
        )
        if now_s < end_s:
            return begin_s, end_s
    raise AssertionError("tomorrow's span ends after now")


def known_zone(name: str) -> str:
    """Return the name of a time zone as it is, if there is such a zone; else raise `ValueError`."""
    try:
        ZoneInfo(name)
    except (OSError, KeyError, ValueError):
        # Only what looks like one is repeated: anything may have been written there, a password too.
        shown = f": {name!r}" if re.fullmatch(r"[A-Z][A-Za-z_]{1,20}/[A-Z][A-Za-z_]{1,20}", name) else ""
        raise ValueError(f"names no time zone{shown}; write it like Europe/Oslo") from None
    return name
