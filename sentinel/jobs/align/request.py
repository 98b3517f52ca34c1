"""What may be said beside the frames: how the camera sits, when the drive stood, what is good enough."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, cast, get_args

from sentinel.chain.forecast.sun_path import HORIZON_H
from sentinel.core.errors import RequestProblem
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Mount, Settings
from sentinel.core.typed import read_span_s
from sentinel.core.words import times_in
from sentinel.jobs.align.axis import Paused

LEAST_PAUSE = timedelta(seconds=30)
MOST_PAUSE = timedelta(minutes=30)
"""A drive that stood for longer has lost the sun; that is no pause."""


def hold_of(text: str) -> float:
    """Return the seconds of a duration like `12h` or `90min`.

    Raises `RequestProblem` if it is none, or longer than anybody looks ahead.
    """
    seconds = read_span_s(text, where="--hold")
    if not 0 < seconds <= HORIZON_H * 3600:
        raise RequestProblem(
            f"no time for which a disc could be asked to stay: {text!r}",
            where="--hold",
            mend=f"write it like 12h or 90min, {HORIZON_H:.0f}h at most",
        )
    return seconds


def with_top(settings: Settings, top: str | None) -> Settings:
    """Return the settings with what the picture's top points to; None: as they are.

    Raises `RequestProblem` if it is no such thing.
    """
    if top is None:
        return settings
    known = _tops()
    if top not in known:
        raise RequestProblem(
            f"the picture's top cannot point to {top!r}", where="--top", mend=f"say {', '.join(known)}"
        )
    mount = settings.mount.model_copy(update={"picture_top": top})
    return settings.model_copy(update={"mount": mount})


def _tops() -> tuple[str, ...]:
    literal = next(arg for arg in get_args(Mount.model_fields["picture_top"].annotation) if get_args(arg))
    return cast("tuple[str, ...]", get_args(cast("Any", literal)))


def pause_of(
    from_utc: datetime, to_utc: datetime, frames: Sequence[MeasuredFrame], zone: str | None = None
) -> Paused:
    """Return the pause that was told by the clock of a zone, if it can be one.

    Raises `RequestProblem` if it runs backward, is too short or too long, or no two frames with a disc were
    taken in it.
    """
    length = to_utc - from_utc
    if not LEAST_PAUSE <= length <= MOST_PAUSE:
        begin, end = map(times_in(zone).to_the_second, (from_utc, to_utc))
        raise RequestProblem(
            f"the drive cannot have paused from {begin} to {end}",
            where="--paused",
            mend="give when the drive stopped and when it went on again, half a minute to half an hour later",
        )
    seen = [f for f in frames if f.disc.found and f.error is None and from_utc <= f.time_utc <= to_utc]
    if len(seen) < 2:
        raise RequestProblem(
            f"{len(seen)} frames with a disc were taken while the drive is said to have stood",
            where="--paused",
            mend=f"give the times by the clock of {zone or 'UTC'}, or with a Z; "
            "two frames at least must fall into it",
        )
    return ((from_utc, to_utc),)
