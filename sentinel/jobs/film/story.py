"""A session's frames -> what a film shows one after another: pictures, and cards for what was not seen.

Pure. Every frame of the session is in it once: shown, or counted on a card.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Literal

import numpy as np

from sentinel.chain.notify.counting import GAP_INTERVALS
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.sky import Sun, above_line_deg

LEAVING = 0.9
"""With less of the limb than this in the frame before or after a gap, the sun had left the frame."""
STEP_S = 60.0
"""How finely night is told from day in a gap."""

Cause = Literal["night", "outside", "unseen", "unreadable", "pause"]


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame, shown for one picture of the film."""

    frame: MeasuredFrame
    number: int
    """Which of the session's frames, from 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A gap between two frames that are shown."""

    cause: Cause
    begin_utc: datetime
    """The last frame shown before it, or the session's first one."""
    end_utc: datetime
    unseen: int
    """Frames without a disc."""
    unreadable: int
    missing: timedelta
    """For how long there are no frames."""
    night: timedelta
    """For how long the sun was below the horizon line."""
    sample: MeasuredFrame | None
    """One of the frames without a disc: what there was to see."""


Scene = Shot | Card


def story_of(frames: Sequence[MeasuredFrame], interval_s: float, sun: Sun, *, steady: bool) -> list[Scene]:
    """Return what is shown, in order of exposure.

    `frames`: in order of exposure.
    `interval_s`: the usual time between frames; 0 where there is none.
    `steady`: only frames with a measured disc can be centred; else every frame that can be read is shown.
    """
    scenes: list[Scene] = []
    skipped: list[MeasuredFrame] = []
    last: MeasuredFrame | None = None
    make = _CardMaker(interval_s, sun)
    for number, frame in enumerate(frames):
        if frame.error is not None or (steady and not frame.disc.found):
            skipped.append(frame)
            continue
        scenes += make(last, skipped, frame)
        scenes.append(Shot(frame, number))
        last, skipped = frame, []
    return [*scenes, *make(last, skipped, None)]


class _CardMaker:
    def __init__(self, interval_s: float, sun: Sun) -> None:
        self._longest = timedelta(seconds=GAP_INTERVALS * interval_s) if interval_s else timedelta.max
        self._usual = timedelta(seconds=interval_s)
        self._sun = sun

    def __call__(
        self, before: MeasuredFrame | None, skipped: Sequence[MeasuredFrame], after: MeasuredFrame | None
    ) -> Iterator[Card]:
        """Yield the card for what lies between two frames that are shown, if anything does."""
        all_there = [frame for frame in (before, *skipped, after) if frame is not None]
        times = [frame.time_utc for frame in all_there]
        steps = [b - a for a, b in pairwise(times)]
        missing = sum((step - self._usual for step in steps if step > self._longest), timedelta())
        if not skipped and not missing:
            return
        unreadable = sum(frame.error is not None for frame in skipped)
        unseen = [frame for frame in skipped if frame.error is None]
        night = self._night(times[0], times[-1])
        yield Card(
            cause=_cause(
                before, after, night, times[-1] - times[0], unseen=len(unseen), unreadable=unreadable
            ),
            begin_utc=times[0],
            end_utc=times[-1],
            unseen=len(unseen),
            unreadable=unreadable,
            missing=missing,
            night=night,
            sample=unseen[len(unseen) // 2] if unseen else None,
        )

    def _night(self, begin_utc: datetime, end_utc: datetime) -> timedelta:
        span_s = (end_utc - begin_utc).total_seconds()
        at = utc_s(begin_utc) + np.linspace(0, span_s, max(2, int(span_s / STEP_S)))
        below = np.asarray(above_line_deg(self._sun, at)) < 0
        return timedelta(seconds=round(span_s * float(below.mean())))


def _cause(
    before: MeasuredFrame | None,
    after: MeasuredFrame | None,
    night: timedelta,
    length: timedelta,
    *,
    unseen: int,
    unreadable: int,
) -> Cause:
    """Return what a gap mostly is."""
    if 2 * night > length:
        return "night"
    if not unseen:
        return "unreadable" if unreadable else "pause"
    at_edge = any(
        frame is not None and frame.disc.found and frame.disc.limb_in_frame < LEAVING
        for frame in (before, after)
    )
    return "outside" if at_edge else "unseen"


def count_of(scenes: Sequence[Scene], of: Callable[[Card], int]) -> int:
    """Return a sum over the cards."""
    return sum(of(scene) for scene in scenes if isinstance(scene, Card))
