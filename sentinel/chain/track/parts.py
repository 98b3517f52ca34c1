"""A session's frames by the part of the track they belong to: for whoever looks back on it as a whole."""

from collections import deque
from collections.abc import Iterable, Sequence

from sentinel.chain.track.context import Context
from sentinel.chain.track.follow import Follower
from sentinel.chain.track.runs import Part
from sentinel.chain.track.state import Track
from sentinel.core.records import Forecast, Mark, MeasuredFrame
from sentinel.core.times import utc_s

NO_PART = -1
LOOK_BACK = 500
"""Frames; nothing takes longer to be found out."""


def parts_of(
    frames: Sequence[MeasuredFrame], others: Iterable[Mark | Forecast], context: Context
) -> list[int]:
    """Return for each frame the number of its part, from 0; `NO_PART`: without a disc, or of no part.

    `frames`: in order of exposure.
    `others`: marks and forecasts, in any order.
    """
    follower, track = Follower(context), Track()
    place = {id(frame): k for k, frame in enumerate(frames)}
    times_s = [utc_s(frame.time_utc) for frame in frames]
    number = [NO_PART] * len(frames)
    recent: deque[int] = deque(maxlen=LOOK_BACK)
    part = Part()
    for event in sorted([*frames, *others], key=lambda event: event.time_utc):
        before, track = track, follower.step(track, event, utc_s(event.time_utc))
        if not isinstance(event, MeasuredFrame) or not (track.own and event.disc.found):
            continue
        recent.append(place[id(event)])
        if track.steady:
            # What has landed had landed before that was sure.
            since_s = before.moving.moved_s if before.moving is not None else utc_s(event.time_utc)
            since_s = since_s if track.part.number == part.number else track.part.began_s
            part = track.part
            _number(number, recent, times_s, since_s, part.number)
        elif track.run is not None and before.run is None:
            _number(number, recent, times_s, track.run.onset_s + 1.0, NO_PART)
    return _renumbered(number)


def _number(
    number: list[int], recent: Iterable[int], times_s: Sequence[float], since_s: float, part: int
) -> None:
    for k in recent:
        if times_s[k] >= since_s:
            number[k] = part


def _renumbered(number: list[int]) -> list[int]:
    """Return the numbers counted from 0, without gaps."""
    again = {part: k for k, part in enumerate(sorted({*number} - {NO_PART}))}
    return [again.get(part, NO_PART) for part in number]
