"""What is asked for, read and checked; and what the camera's folder already tells."""

import math
import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from sentinel.chain.intake.decode import readable_headers
from sentinel.chain.intake.session import find_frames
from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Settings
from sentinel.jobs.plan.records import Trip

LONGEST = timedelta(days=60)
FIRST_UTC = datetime(1970, 1, 1, tzinfo=UTC)
LAST_UTC = datetime(2041, 1, 1, tzinfo=UTC)
"""The years that the sky room covers."""
HEADERS_TRIED = 20

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def read_span(from_text: str, to_text: str, zone: str | None = None) -> tuple[datetime, datetime]:
    """Return when the trip begins and ends; a bare date is its start as FROM, its end as TO.

    What names no zone of its own is by the clock of `zone`; None: UTC.

    Raises `RequestProblem` if they are no times, run backward, or are not to be planned for.
    """
    here = ZoneInfo(zone) if zone else UTC
    from_utc = _moment(from_text, "FROM", here, end=False)
    to_utc = _moment(to_text, "TO", here, end=True)
    if to_utc <= from_utc:
        raise RequestProblem("the trip ends before it begins", where="TO", mend="give a TO later than FROM")
    if to_utc - from_utc > LONGEST:
        raise RequestProblem(
            f"the trip is longer than {LONGEST.days} days",
            where="TO",
            mend="plan it in parts",
        )
    return from_utc, to_utc


def _moment(text: str, where: str, here: tzinfo, *, end: bool) -> datetime:
    try:
        time = datetime.fromisoformat(text.strip())
        if end and _DATE.fullmatch(text.strip()):
            time += timedelta(days=1)
        time_utc = (time if time.tzinfo else time.replace(tzinfo=here)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise RequestProblem(
            f"not a date: {text!r}", where=where, mend="write it like 2027-06-18 or 2027-06-18T12:00"
        ) from None
    if not FIRST_UTC <= time_utc <= LAST_UTC:
        raise RequestProblem(
            f"the sun is known here from {FIRST_UTC.year} to {LAST_UTC.year - 1}, not in {time_utc.year}",
            where=where,
            mend="check the year",
        )
    return time_utc


def read_frame_size(text: str) -> tuple[int, int]:
    """Return width and height in pixels of a text like `6000x4000`."""
    match = re.fullmatch(r"\s*(\d{1,6})\s*[xX×]\s*(\d{1,6})\s*", text)
    size = (int(match[1]), int(match[2])) if match else (0, 0)
    if min(size) < 16:
        raise RequestProblem(
            f"no size of a frame: {text!r}", where="--frame", mend="write width and height like 6000x4000"
        )
    return size


def read_frame_bytes(megabytes: float) -> float:
    """Return the bytes of one picture."""
    if not (math.isfinite(megabytes) and 0 < megabytes <= 10_000):
        raise RequestProblem(
            f"no size of a file: {megabytes:g}",
            where="--frame-mb",
            mend="give the megabytes of one picture, like 12.5",
        )
    return megabytes * 1e6


def read_trip(
    settings: Settings, from_text: str, to_text: str, frame: str | None, frame_mb: float | None
) -> Trip:
    """Return what is planned; what is not given is looked up in the camera's folder.

    Raises `RequestProblem` if something given is wrong.
    """
    from_utc, to_utc = read_span(from_text, to_text, settings.alerts.zone)
    frame_px = None if frame is None else read_frame_size(frame)
    frame_bytes = None if frame_mb is None else read_frame_bytes(frame_mb)
    if frame_px is None or frame_bytes is None:
        size, mean_bytes = _in_folder(settings)
        frame_px, frame_bytes = frame_px or size, frame_bytes or mean_bytes
    zone = settings.alerts.zone
    return Trip(from_utc=from_utc, to_utc=to_utc, frame_px=frame_px, frame_bytes=frame_bytes, zone=zone)


def _in_folder(settings: Settings) -> tuple[tuple[int, int] | None, float | None]:
    """Return the size of the first readable frame in the folder and the mean bytes of all."""
    if not settings.frames.folder:
        return None, None
    files = find_frames(Path(settings.frames.folder), settings.frames.patterns)
    headers = readable_headers(files[:HEADERS_TRIED])
    size = next(((header.width_px, header.height_px) for _, header in headers), None)
    weights: list[int] = []
    for file in files:
        with suppress(OSError):
            weight = file.path.stat().st_size
            weights += [weight] if weight and file.path.is_file() else []
    return size, sum(weights) / len(weights) if weights else None
