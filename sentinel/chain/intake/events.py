"""A past session as a stream of events on its own clock, with ticks where nothing happened."""

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, get_args

from sentinel.core.errors import RequestProblem
from sentinel.core.files import numbered_lines
from sentinel.core.records import Event, Mark, MarkKind, MeasuredFrame, Tick, frame_order
from sentinel.core.times import DAY_S, parse_utc

TICK_S = 30.0
"""Time is looked at at least this often while frames are expected, live and in a replay alike."""

# (silence at least this long, ticks then this far apart)
_QUIET_TICKS_S = ((0.0, TICK_S), (2 * 3600.0, 300.0), (2 * 86_400.0, 3600.0))
_BREAK_S = 3 * 86_400.0
"""A longer silence is a clock that was wrong, or another session: it is noticed, and nothing more."""


def session_events(
    frames: Iterable[MeasuredFrame], marks: Sequence[Mark] = ()
) -> Iterator[tuple[Event, datetime]]:
    """Yield frames and marks in order of time, each with its time, and ticks in the gaps between them.

    The last event ends the session; no tick follows it, because the end of a recording is not a silence.
    """
    happenings: list[Event] = [*sorted(frames, key=frame_order), *sorted(marks, key=lambda m: m.time_utc)]
    happenings.sort(key=lambda event: event.time_utc)  # stable: a frame comes before a mark of the same time
    last_utc: datetime | None = None
    for event in happenings:
        if last_utc is not None:
            for tick_utc in ticks_between(last_utc, event.time_utc):
                yield Tick(time_utc=tick_utc), tick_utc
        yield event, event.time_utc
        last_utc = event.time_utc


def ticks_between(start_utc: datetime, end_utc: datetime) -> Iterator[datetime]:
    """Yield when time is looked at in a silence: ever more seldom; in one of many days, once."""
    silence_s = (end_utc - start_utc).total_seconds()
    if silence_s > _BREAK_S:
        # A day later the sun stands as it stood at the last frame: if frames are ever missed, then there.
        yield start_utc + timedelta(seconds=DAY_S)
        return
    at_s = 0.0
    while True:
        at_s += next(step_s for from_s, step_s in reversed(_QUIET_TICKS_S) if at_s >= from_s)
        if at_s >= silence_s:
            return
        yield start_utc + timedelta(seconds=at_s)


def read_marks(path: Path) -> list[Mark]:
    """Read operator's marks, a JSON object a line.

    Raises `RequestProblem`, naming the first line that is no mark.
    """
    marks = []
    for number, line in numbered_lines(path):
        try:
            marks.append(_mark(json.loads(line)))
        except (ValueError, TypeError, KeyError, RecursionError, RequestProblem) as error:
            reason = str(error) if isinstance(error, RequestProblem) else "it needs time_utc and kind"
            raise RequestProblem(
                f"is not a mark ({reason})",
                where=f"{path} line {number}",
                mend='write {"time_utc": "2026-06-21T03:02:00Z", "kind": "recentred"}',
            ) from None
    return marks


def _mark(content: dict[str, Any]) -> Mark:
    kind = content["kind"]
    if kind not in get_args(MarkKind):
        raise RequestProblem(f"{kind!r} is no kind of mark; known are {', '.join(get_args(MarkKind))}")
    minutes = content.get("minutes")
    if minutes is not None and not 0 < float(minutes) <= DAY_S / 60:
        raise RequestProblem("minutes are more than 0 and at most 1440")
    # Half of a pair of characters can be written nowhere.
    text = str(content.get("text") or "").encode("utf-8", "replace").decode("utf-8")
    return Mark(
        time_utc=parse_utc(str(content["time_utc"])),
        kind=kind,
        text=text,
        minutes=None if minutes is None else float(minutes),
        undoes_utc=None if content.get("undoes_utc") is None else parse_utc(str(content["undoes_utc"])),
    )
