"""What may go wrong in a drill, which marks mend it, and what came of it. Pure."""

import random
from collections.abc import Mapping, Sequence
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
from sentinel.jobs.simulate.synthesize import SessionPlan, plan_session

PLACED: frozenset[MarkKind] = frozenset({"recentred", "unwound", "realigned"})
CLOUD = timedelta(minutes=40)
SOFT = timedelta(minutes=15)
SOFT_BLUR = 3.5
"""Times the sharp lens's own blur: over any threshold, and still a disc."""
LOOKED_AHEAD_H = 3.0
"""So long an untouched mount is followed to find when the sun would have been lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillKind:
    """One thing that may go wrong."""

    happened: str
    """In the past."""
    mended_by: frozenset[MarkKind]
    """Marks that say it was seen to; empty: there is nothing to be done."""
    usual: MarkKind | None
    """What the pretended helper notes."""
    silent: bool = False
    """No pictures come."""


KINDS: Mapping[str, DrillKind] = {
    "stop": DrillKind(happened="the mount stopped", mended_by=PLACED, usual="recentred"),
    "reverse": DrillKind(happened="the mount turned back", mended_by=PLACED, usual="unwound"),
    "cloud": DrillKind(happened="cloud came for 40 minutes", mended_by=frozenset(), usual=None),
    "filter": DrillKind(happened="the filter fell off", mended_by=frozenset({"visit"}), usual="visit"),
    "focus": DrillKind(happened="the focus slipped", mended_by=frozenset({"refocused"}), usual="refocused"),
    "no-frames": DrillKind(
        happened="the camera stopped taking pictures",
        mended_by=frozenset({"visit", "timer", "card", "battery"}),
        usual="timer",
        silent=True,
    ),
    "battery": DrillKind(
        happened="the camera's battery died of the cold",
        mended_by=frozenset({"battery"}),
        usual="battery",
        silent=True,
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

    def with_marks(self, marks: Sequence[Mark]) -> "Drill":
        """Return the drill after what was noted."""
        return replace(self, marks=tuple(marks))

    @property
    def mended_utc(self) -> datetime | None:
        """When it was seen to; None: not yet."""
        done = [m.time_utc for m in self.marks if m.kind in self.kind.mended_by and m.time_utc > self.at_utc]
        return min(done, default=None)

    def takes_pictures(self, time_utc: datetime) -> bool:
        """Whether the camera takes pictures at a time."""
        ended = self.mended_utc
        return not self.kind.silent or time_utc < self.at_utc or (ended is not None and time_utc >= ended)

    def scenario(self) -> Scenario:
        """Return the world as it has become."""
        middle = (self.calm.camera.width_px - 1) / 2, (self.calm.camera.height_px - 1) / 2
        end_utc = from_utc_s(self.calm.end_s)
        placed = [m for m in self.marks if m.kind in PLACED and m.time_utc < end_utc]
        put = [Recentre(at=m.time_utc, to_px=middle, hand_error_px=4.0) for m in placed]
        return self.calm.with_events(*self._trouble(end_utc), *put)

    def _trouble(self, end_utc: datetime) -> list[AnyEvent]:
        at, until = self.at_utc, self.mended_utc
        until = until if until is not None and until < end_utc else None
        if self.name == "stop":
            return [DriveStop(at=at, until=until)]
        if self.name == "reverse":
            return [Reverse(at=at, until=until)]
        if self.name == "cloud":
            return [CloudBank(at=at, until=at + CLOUD, transmission=0.02, patchiness=0.5)]
        if self.name == "filter":
            return [FilterLost(at=at, until=until)]
        if self.name == "focus":
            sharp = self.calm.camera.blur_px
            soft: list[AnyEvent] = [FocusDrift(at=at, until=at + SOFT, sigma_px=SOFT_BLUR * max(sharp, 0.8))]
            if until is not None:
                soft.append(FocusDrift(at=until, until=until + timedelta(minutes=1), sigma_px=sharp))
            return soft
        return []


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
    alone = drill.with_marks(()).scenario()
    longer = alone.changed(hours=alone.hours + LOOKED_AHEAD_H)
    return _first_touch(plan_session(longer), drill.at_utc)


def _first_touch(work: SessionPlan, from_utc: datetime) -> datetime | None:
    out = (work.seen.limb_in_frame < 1) & (work.truth.utc_s >= utc_s(from_utc))
    return from_utc_s(float(work.truth.utc_s[np.argmax(out)])) if out.any() else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """What came of it."""

    saved: bool | None
    """None: there was nothing to save."""
    sentence: str


def ending(drill: Drill, end_utc: datetime, woken: int) -> Ending:
    """Return whether the sun was saved, by what truly happened up to a time."""
    done = drill.mended_utc
    if drill.name == "cloud":
        if woken:
            return Ending(
                saved=None, sentence=f"Cloud mends itself, and yet somebody was woken {many(woken, 'time')}."
            )
        return Ending(saved=None, sentence="Cloud mends itself, and nobody was woken for it.")
    until_utc = min(done or end_utc, end_utc)
    minutes = (until_utc - drill.at_utc).total_seconds() / 60
    pictures = round(minutes * 60 / drill.calm.camera.interval_s)
    if drill.name in {"stop", "reverse"}:
        return _of_the_mount(drill, end_utc)
    lost = {
        "filter": f"the bare sun shone in for {minutes:.0f} min and spoilt {many(pictures, 'picture')}",
        "focus": f"about {many(pictures, 'picture')} soft",
    }.get(drill.name, f"{many(pictures, 'picture')} not taken")
    if done is None or done > end_utc:
        return Ending(saved=False, sentence=f"Not saved: nobody saw to it, and {lost}.")
    return Ending(saved=True, sentence=f"Saved {minutes:.0f} min after it happened; until then {lost}.")


def _of_the_mount(drill: Drill, end_utc: datetime) -> Ending:
    touch, done = touch_utc(drill), drill.mended_utc
    if touch is None:
        return Ending(saved=None, sentence="The sun would have stayed in the frame for hours all the same.")
    if done is not None and done <= min(touch, end_utc):
        left = (touch - done).total_seconds() / 60
        return Ending(
            saved=True,
            sentence=f"Saved: the disc was put back {left:.0f} min before its limb reached the edge.",
        )
    if touch > end_utc:
        left = (touch - end_utc).total_seconds() / 60
        return Ending(
            saved=None, sentence=f"Open at the end: {left:.0f} min more, and the limb had reached the edge."
        )
    back = min(done or end_utc, end_utc)
    pictures = round((back - touch).total_seconds() / drill.calm.camera.interval_s)
    sentence = (
        f"Not saved: the limb reached the edge at {touch:%H:%M}Z, and {many(pictures, 'picture')} lost."
    )
    return Ending(saved=False, sentence=sentence)
