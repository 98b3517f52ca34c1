"""What may go wrong in a drill, which marks mend it, and what came of it. Pure."""

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from sentinel.core.errors import RequestProblem
from sentinel.core.records import Mark, MarkKind
from sentinel.core.times import from_utc_s, utc_s
from sentinel.core.words import many
from sentinel.jobs.simulate.events import (
    AnyEvent,
    CloudBank,
    DriveStop,
    FilterLost,
    FocusDrift,
    Recentre,
    Reverse,
)
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.synthesize import plan_session

PLACED: frozenset[MarkKind] = frozenset({"recentred", "unwound", "realigned"})
CLOUD = timedelta(minutes=40)
SOFT = timedelta(minutes=15)
SOFT_BLUR = 3.5
"""Times the sharp lens's own blur: over any threshold, and still a disc."""
LOOKED_AHEAD_H = 3.0
"""So long an untouched mount is followed to find when the sun would have been lost."""


Trouble = Callable[["Drill", datetime | None], list[AnyEvent]]
"""What happens to the world of a drill, until it is seen to; None: nobody does."""


def _softened(drill: "Drill", until: datetime | None) -> list[AnyEvent]:
    sharp = drill.calm.camera.blur_px
    soft: list[AnyEvent] = [
        FocusDrift(at=drill.at_utc, until=drill.at_utc + SOFT, sigma_px=SOFT_BLUR * max(sharp, 0.8))
    ]
    if until is not None:
        soft.append(FocusDrift(at=until, until=until + timedelta(minutes=1), sigma_px=sharp))
    return soft


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillKind:
    """One thing that may go wrong."""

    happened: str
    """In the past."""
    mended_by: frozenset[MarkKind]
    """Marks that say it was seen to; empty: there is nothing to be done."""
    usual: MarkKind | None
    """What the pretended helper notes."""
    trouble: Trouble | None = None
    """None: no pictures come."""
    lost: str = "{pictures} not taken"
    """What is lost meanwhile."""


KINDS: Mapping[str, DrillKind] = {
    "stop": DrillKind(
        happened="the mount stopped",
        mended_by=PLACED,
        usual="recentred",
        trouble=lambda drill, until: [DriveStop(at=drill.at_utc, until=until)],
    ),
    "reverse": DrillKind(
        happened="the mount turned back",
        mended_by=PLACED,
        usual="unwound",
        trouble=lambda drill, until: [Reverse(at=drill.at_utc, until=until)],
    ),
    "cloud": DrillKind(
        happened="cloud came for 40 minutes",
        mended_by=frozenset(),
        usual=None,
        trouble=lambda drill, _: [
            CloudBank(at=drill.at_utc, until=drill.at_utc + CLOUD, transmission=0.02, patchiness=0.5)
        ],
    ),
    "filter": DrillKind(
        happened="the filter fell off",
        mended_by=frozenset({"visit"}),
        usual="visit",
        trouble=lambda drill, until: [FilterLost(at=drill.at_utc, until=until)],
        lost="the bare sun shone in for {minutes:.0f} min and spoilt {pictures}",
    ),
    "focus": DrillKind(
        happened="the focus slipped",
        mended_by=frozenset({"refocused"}),
        usual="refocused",
        trouble=_softened,
        lost="about {pictures} soft",
    ),
    "no-frames": DrillKind(
        happened="the camera stopped taking pictures",
        mended_by=frozenset({"visit", "timer", "card", "battery"}),
        usual="timer",
    ),
    "battery": DrillKind(
        happened="the camera's battery died of the cold",
        mended_by=frozenset({"battery"}),
        usual="battery",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """What goes wrong, when, and what was done about it so far."""

    name: str
    calm: Scenario
    """The world in which nothing happens."""
    at_utc: datetime
    marks: tuple[Mark, ...] = ()

    @property
    def kind(self) -> DrillKind:
        """What kind of trouble it is."""
        return KINDS[self.name]

    @property
    def mended_utc(self) -> datetime | None:
        """When it was seen to; None: not yet."""
        done = [m.time_utc for m in self.marks if m.kind in self.kind.mended_by and m.time_utc > self.at_utc]
        return min(done, default=None)

    def takes_pictures(self, time_utc: datetime) -> bool:
        """Whether the camera takes pictures at a time."""
        ended = self.mended_utc
        silent = self.kind.trouble is None
        return not silent or time_utc < self.at_utc or (ended is not None and time_utc >= ended)

    def scenario(self) -> Scenario:
        """Return the world as it has become."""
        middle = (self.calm.camera.width_px - 1) / 2, (self.calm.camera.height_px - 1) / 2
        end_utc = from_utc_s(self.calm.end_s)
        placed = [m for m in self.marks if m.kind in PLACED and m.time_utc < end_utc]
        put = [Recentre(at=m.time_utc, to_px=middle, hand_error_px=4.0) for m in placed]
        mended = self.mended_utc
        until = mended if mended is not None and mended < end_utc else None
        happens = self.kind.trouble(self, until) if self.kind.trouble is not None else []
        return self.calm.with_events(*happens, *put)


def drill_of(name: str | None, calm: Scenario, at: timedelta, *, surprise: bool, seed: int) -> Drill:
    """Return the drill that was asked for; a surprise is any of them, at any time.

    Raises `RequestProblem` if there is none of that name.
    """
    if surprise:
        chance = random.Random(seed)  # noqa: S311 - nothing secret hangs on it
        name = chance.choice(sorted(KINDS)) if name is None else name
        at *= chance.uniform(0.6, 1.8)
    if name is None or name not in KINDS:
        known = ", ".join(KINDS)
        what = f"there is no drill {name!r}" if name else "which drill?"
        raise RequestProblem(what, where="rehearse", mend=f"say one of {known}, or --surprise")
    return Drill(name=name, calm=calm, at_utc=from_utc_s(calm.start_s) + at)


def touch_utc(drill: Drill) -> datetime | None:
    """Return when the limb would have reached the edge had nobody come; None: not within some hours."""
    alone = replace(drill, marks=()).scenario()
    work = plan_session(alone.changed(hours=alone.hours + LOOKED_AHEAD_H))
    out = (work.seen.limb_in_frame < 1) & (work.truth.utc_s >= utc_s(drill.at_utc))
    return from_utc_s(float(work.truth.utc_s[np.argmax(out)])) if out.any() else None


def ending(drill: Drill, end_utc: datetime, woken: int) -> str:
    """Return in a sentence whether the sun was saved, by what truly happened up to a time."""
    if not drill.kind.mended_by:
        if woken:
            return f"Cloud mends itself, and yet somebody was woken {many(woken, 'time')}."
        return "Cloud mends itself, and nobody was woken for it."
    done = drill.mended_utc
    back_utc = min(done or end_utc, end_utc)
    if drill.kind.mended_by is PLACED:
        return _of_the_mount(drill, end_utc, back_utc)
    minutes = (back_utc - drill.at_utc).total_seconds() / 60
    lost = drill.kind.lost.format(minutes=minutes, pictures=_pictures(drill, back_utc - drill.at_utc))
    if done is None or done > end_utc:
        return f"Not saved: nobody saw to it, and {lost}."
    return f"Saved {minutes:.0f} min after it happened; until then {lost}."


def _of_the_mount(drill: Drill, end_utc: datetime, back_utc: datetime) -> str:
    touch, done = touch_utc(drill), drill.mended_utc
    if touch is None:
        return "The sun would have stayed in the frame for hours all the same."
    if done is not None and done <= min(touch, end_utc):
        left = (touch - done).total_seconds() / 60
        return f"Saved: the disc was put back {left:.0f} min before its limb reached the edge."
    if touch > end_utc:
        left = (touch - end_utc).total_seconds() / 60
        return f"Open at the end: {left:.0f} min more, and the limb had reached the edge."
    lost = _pictures(drill, back_utc - touch)
    return f"Not saved: the limb reached the edge at {touch:%H:%M}Z, and {lost} lost."


def _pictures(drill: Drill, span: timedelta) -> str:
    return many(round(span.total_seconds() / drill.calm.camera.interval_s), "picture")
