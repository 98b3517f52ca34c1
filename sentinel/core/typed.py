"""Times and spans as people type them, in one grammar for every command."""

import re
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from sentinel.core.errors import RequestProblem
from sentinel.core.times import parse_utc

LIKE = "write it like 07:00, 7:00Z, 2027-06-21T07:00 or +30min"
_UNITS = {"s": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_SPAN = r"\d{1,5}(?:\.\d{1,3})?\s*(?:min|[smhd])"


def read_moment(
    text: str, now_utc: datetime, *, zone: str | None = None, past: bool = False, where: str = ""
) -> datetime:
    """Read a time.

    `zone`: by whose clock a time without a zone of its own is meant; None: UTC.
    `past`: of a bare time of day the last one is meant, not the next.
    Raises `RequestProblem` if it is none.
    """
    said = text.strip()
    here: tzinfo = ZoneInfo(zone) if zone else UTC
    away = re.fullmatch(rf"([+-])\s*((?:{_SPAN}\s*)+)", said)
    if away is not None:
        span = timedelta(seconds=read_span_s(away[2], where=where))
        return now_utc + span if away[1] == "+" else now_utc - span
    bare = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?\s*([Zz])?", said)
    if bare is not None:
        return _time_of_day(bare, now_utc, UTC if bare[4] else here, past=past)
    try:
        time = datetime.fromisoformat(said)
        if time.tzinfo is None and not re.fullmatch(r"[\d-]+|\d{4}-?W.*", said):
            return time.replace(tzinfo=here).astimezone(UTC)
        return parse_utc(said)
    except (ValueError, OverflowError, RequestProblem):
        raise RequestProblem(f"not a time: {text!r}", where=where, mend=LIKE) from None


def _time_of_day(bare: re.Match[str], now_utc: datetime, here: tzinfo, *, past: bool) -> datetime:
    hour, minute, second = (int(part or 0) for part in bare.groups()[:3])
    today: date = now_utc.astimezone(here).date()
    days = (-2, -1, 0, 1) if past else (-1, 0, 1, 2)
    times = [
        datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=here).astimezone(UTC)
        for day in (today + timedelta(days=number) for number in days)
    ]
    return max(t for t in times if t <= now_utc) if past else min(t for t in times if t > now_utc)


def read_span_s(text: str, *, bare: str | None = None, where: str = "") -> float:
    """Return the seconds of a span like `2h`, `90min` or `1h 30min`.

    `bare`: the unit of a number without one; None: it needs one.
    Raises `RequestProblem` if it is none.
    """
    said = text.strip()
    if bare is not None and re.fullmatch(r"\d{1,5}(\.\d{1,3})?", said):
        said += bare
    if not re.fullmatch(rf"(?:{_SPAN}\s*)+", said):
        also = ", or 20 alone" if bare is not None else ""
        raise RequestProblem(
            f"no span of time: {text!r}", where=where, mend=f"write it like 90min, 2h or 1h 30min{also}"
        )
    parts = re.findall(r"([\d.]+)\s*(min|[smhd])", said)
    return sum(float(number) * _UNITS[unit] for number, unit in parts)
