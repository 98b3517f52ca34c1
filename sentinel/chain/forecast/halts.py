"""A drive that halts now and then and goes on without catching up: what has come again comes again.

A brown-out, a dry joint, a tooth, a clutch that lets go: each time the disc is carried west by as much as the
sky turns meanwhile. To the fit that is a disc put elsewhere, and nothing of it foretells the next.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.core.records import Mark
from sentinel.sky.arrays import Array

KEPT_S = 6 * 3600.0
FEWEST = 2
"""Once is no habit: somebody may have paused the drive."""
LONGEST_S = 900.0
"""Who stands for longer has stopped, and somebody came."""
_LEAST_SHARE, _MOST_SHARE = 0.02, 1.12
"""Of the time between the discs before and after: it cannot have stood for longer than that."""
_ASIDE_SHARE, _ASIDE_JITTERS = 0.12, 4.0
"""How far off the sky's way a halt may end: by its way's share, and by what shakes the disc."""
_SAME_WAY = 0.95
_GOES_ON, _GOES_ON_AFTER_VISIT = 0.8, 0.4
"""How likely what has come again comes once more: somebody may have mended it since."""
_FROM_AFAR = frozenset({"seen", "remark", "undo"})
"""Marks that need nobody at the mount."""
TOLD_SHARE = 0.2
ROLL_SURE = 0.9
"""Where the camera's roll is less sure, east may be west."""
_SEED = 20_270_621
"""Of the draws' chances: the same events give the same forecasts."""


class Halt(NamedTuple):
    """The drive stood for a while."""

    utc_s: float
    """By when it went on."""
    stood_s: float
    way_px: complex
    """Of the disc, x + i y."""

    def went_as(self, other: "Halt") -> bool:
        """Whether the disc went the same way in another."""
        return (self.way_px * other.way_px.conjugate()).real > _SAME_WAY * abs(self.way_px * other.way_px)


@dataclass(frozen=True, slots=True)
class Halts:
    """Those of the last hours, in order."""

    known: tuple[Halt, ...] = ()
    visited: bool = False
    """Whether somebody has been at the mount since the last."""

    def after(self, halt: Halt) -> "Halts":
        """Return them with one more; those that went another way were something else."""
        kept = [one for one in self.known if one.utc_s > halt.utc_s - KEPT_S and one.went_as(halt)]
        return Halts((*kept, halt))

    def after_mark(self, mark: Mark) -> "Halts":
        """Return them once somebody has noted something."""
        return self if mark.kind in _FROM_AFAR else self.after_visit()

    def after_visit(self) -> "Halts":
        """Return them once somebody has been at the mount."""
        return replace(self, visited=True)

    def since_s(self, now_s: float) -> float | None:
        """Return since when the drive has been halting; None: it hardly does."""
        return self.known[0].utc_s if self.going_on(now_s) >= TOLD_SHARE else None

    def going_on(self, now_s: float) -> float:
        """Return how likely it is that more will come.

        A Poisson process whose rate nobody knew (a gamma law after n - 1 intervals in T): that it is quiet
        for another time q has a chance of (T / (T + q))^(n - 1).
        """
        if len(self.known) < FEWEST:
            return 0.0
        first, last = self.known[0].utc_s, self.known[-1].utc_s
        quiet = ((last - first) / max(now_s - first, last - first)) ** (len(self.known) - 1)
        more = _GOES_ON_AFTER_VISIT if self.visited else _GOES_ON
        return more * quiet / (more * quiet + 1 - more)

    def added_to(self, tracks_px: Array, now_s: float, offsets_s: Array) -> Array:
        """Return tracks (2, n, draws) at times after now with the halts to come in them.

        In the share of draws in which they go on, each with a rate of its own: what comes in a while has the
        mean and the variance of halts as long as those known, exponentially so (a gamma process).
        """
        share, draws = self.going_on(now_s), tracks_px.shape[2]
        if share == 0.0:
            return tracks_px
        rng = np.random.default_rng(_SEED)
        stood_s = sum(one.stood_s for one in self.known)
        pace = sum(one.way_px for one in self.known) / stood_s
        active = rng.permutation(draws) < share * draws
        span_s = max(now_s, self.known[-1].utc_s) - self.known[0].utc_s
        often = rng.standard_gamma(len(self.known) - 1, draws) / span_s
        steps = np.diff(np.maximum(offsets_s, 0.0), prepend=0.0)
        halting = np.cumsum(rng.standard_gamma(np.outer(steps, often) / 2), axis=0) * active
        lost_s = 2 * stood_s / len(self.known) * halting
        return np.asarray(tracks_px + np.stack([pace.real * lost_s, pace.imag * lost_s]))


def halt_between(
    before: TrackedDisc,
    after: TrackedDisc,
    goes_px: complex,
    sky_px: complex,
    jitter_px: float,
    *,
    either_way: bool,
) -> Halt | None:
    """Return the halt of the drive between two discs, None where there was none that can be told.

    `goes_px`: how far the mount would have carried the disc meanwhile, x + i y,
    `sky_px`: and how far the disc goes on a mount that stands.
    `jitter_px`: how far wind and seeing shake a disc.
    `either_way`: whether the camera may sit the other way up: then east is west.
    """
    seconds = after.utc_s - before.utc_s
    if seconds <= 0 or sky_px == 0:
        return None
    way = complex(after.x_px - before.x_px, after.y_px - before.y_px) - goes_px
    along = way * sky_px.conjugate() / abs(sky_px)
    gone_px = abs(along.real) if either_way else along.real
    stood_s = gone_px / abs(sky_px) * seconds
    on_line = abs(along.imag) < max(_ASIDE_SHARE * gone_px, _ASIDE_JITTERS * jitter_px)
    might = _LEAST_SHARE * seconds < stood_s < min(_MOST_SHARE * seconds, LONGEST_S)
    return Halt(after.utc_s, stood_s, way) if on_line and might else None
