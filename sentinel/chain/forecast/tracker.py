"""Which discs to believe: one track, cut at re-centrings, free of strays, and the moment it is left for good.

Every disc is compared with where the last fit expects it. One that is far off waits; what follows tells a
stray (the next is back), a jump (the next ones are as far off and steady: re-centred or knocked), a
departure (they go on moving as fast as when the mount has stopped or turned back) and a change (they go on
moving slowly: the drive slips or runs at another rate, the axis gives). There is nothing else: what is none
of these for long is a change, too, so that no disc waits for ever.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from itertools import islice

import numpy as np

from sentinel.chain.forecast.bins import Arc, Bins
from sentinel.chain.forecast.periodic_error import PeriodicError, find_periodic_error
from sentinel.sky.arrays import Array

RECENT = 5
RECENT_S = 1200.0
EARLY_S = 600.0
SUSPECTS = 90
RECENT_DISCS = 360
WORM_SPAN_S = 3 * 3600.0
PRIOR_FREEDOM = 4.0
PRIOR_JITTER_ARCSEC = 8.0
_LEAST_STEP_ARCSEC = 60.0
_DRIVE_ARCSEC_S = 15.0
_SLOW = 0.25
"""Of the drive's rate: what goes more slowly is a drive that slips, not one that stopped."""
_HELD_LONGEST_S = 1500.0
_HELD_MOST = 8


class Verdict(Enum):
    """What became of a disc."""

    USED = "used"
    HELD = "held"
    JUMPED = "jumped"
    DEPARTED = "departed"
    CHANGED = "changed"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class TrackedDisc:
    """One disc worth looking at."""

    utc_s: float
    x_px: float
    y_px: float
    radius_px: float
    sigma_px: float

    @property
    def xy(self) -> Array:
        """Centre, (2,)."""
        return np.array([self.x_px, self.y_px])


@dataclass(frozen=True, slots=True)
class Expected:
    """Where the last fit expects the disc: its middle and how far the draws spread, at times (n,)."""

    utc_s: Array
    xy_px: Array
    spread_px: Array

    @classmethod
    def of(cls, utc_s: Array, tracks_px: Array, now: int) -> "Expected":
        """Return it for draws' tracks (2, n, d) at times (n,); at the index `now` they count as one."""
        x, y = tracks_px
        spread = np.hypot(x.std(axis=1), y.std(axis=1))
        middle = np.stack([np.median(x, axis=1), np.median(y, axis=1)], axis=1)
        return cls(utc_s, middle, np.maximum(spread - spread[now], 0.0))

    def at(self, utc_s: float) -> tuple[Array, float]:
        """Return the expected centre (2,) and its spread at a time; held beyond the ends."""
        i = min(max(int(self.utc_s.searchsorted(utc_s)), 1), len(self.utc_s) - 1)
        before, after = float(self.utc_s[i - 1]), float(self.utc_s[i])
        share = min(max((utc_s - before) / (after - before), -1.0), 1.0)
        xy = self.xy_px[i - 1] + share * (self.xy_px[i] - self.xy_px[i - 1])
        spread = self.spread_px[i - 1] + max(share, 0.0) * (self.spread_px[i] - self.spread_px[i - 1])
        return xy, float(spread)


@dataclass(frozen=True, slots=True)
class Unrest:
    """What moves the disc from one frame to the next."""

    jitter_arcsec: float = PRIOR_JITTER_ARCSEC
    """Wind and seeing, and the worm where it is not known: 1-sigma in one coordinate."""
    worm: PeriodicError | None = None

    @property
    def all_arcsec(self) -> float:
        """The same, the worm always in it."""
        return float(np.hypot(self.jitter_arcsec, self.worm.amplitude_arcsec if self.worm else 0.0))


class Tracker:
    """Sorts discs into the track."""

    def __init__(self, scale_arcsec_px: float) -> None:
        self.scale_arcsec_px = scale_arcsec_px
        self.bins = Bins()
        self.stretch = 0
        self.began_utc_s = np.inf
        """When the present stretch began; inf before any disc."""
        self.expected: Expected | None = None
        self.moves_px: Callable[[Array, Array], Array] | None = None
        """Takes times (n,) and a place (2,); gives the way (n, 2) of a disc put there at the first."""
        self.departed_utc_s: float | None = None
        self.suspects: deque[TrackedDisc] = deque(maxlen=SUSPECTS)
        self.last: TrackedDisc | None = None
        self.unrest = Unrest()
        self._recent: deque[tuple[TrackedDisc, int]] = deque(maxlen=RECENT_DISCS)
        self.first_utc_s = np.inf
        self.told_of_jump = False
        """Whether the operator says that the disc may soon be elsewhere."""
        self.stands_since_s: float | None = None
        """Since when the mount has not turned with the sun, as the disc's steps show; None: they do not."""

    def tell_of_jump(self) -> None:
        """Take it that the disc may soon be elsewhere: the operator says so."""
        self.told_of_jump = True

    def take(self, sight: TrackedDisc) -> Verdict:
        """Sort one disc."""
        if self.last is not None and sight.utc_s <= self.last.utc_s:
            return self._take_late(sight)
        if self.last is None or self.expected is None:
            self._accept(sight)
            return Verdict.USED
        if self.stands_since_s is not None:
            self.suspects.append(sight)
            known, self.departed_utc_s = self.departed_utc_s is not None, self.stands_since_s
            return Verdict.HELD if known else Verdict.DEPARTED
        off = self._off(sight)
        if self.departed_utc_s is None and float(np.hypot(*off)) <= self._limit_px(sight.utc_s):
            self.suspects.clear()
            self._accept(sight)
            return Verdict.USED
        self.suspects.append(sight)
        return self._weigh_suspects()

    def renew_unrest(self) -> None:
        """Work out worm and jitter anew from the last discs: too dear to do for every one."""
        rows = [
            (sight.utc_s, sight.x_px, sight.y_px, stretch)
            for sight, stretch in self._recent
            if sight.utc_s > self._recent[-1][0].utc_s - WORM_SPAN_S
        ]
        table = np.array(rows).reshape(-1, 4)
        discs = table[:, 0], table[:, 1:3] * self.scale_arcsec_px, table[:, 3]
        found = find_periodic_error(*discs, self.unrest.worm)
        if found[0] is None and self.unrest.worm is not None:
            found = find_periodic_error(*discs)
        worm, squares, freedom = found
        squares = squares / 2 + PRIOR_JITTER_ARCSEC**2 * PRIOR_FREEDOM
        self.unrest = Unrest(float(np.sqrt(squares / (freedom + PRIOR_FREEDOM))), worm)

    def unrest_of(self, arc: Arc, interval_s: float) -> tuple[Array, Array]:
        """Return the variance (n,) that unrest leaves in the bins, arcsec^2, and the worm's columns."""
        jitter, worm = self.unrest.jitter_arcsec, self.unrest.worm
        if worm is None:
            # A worm may well be there: what neighbouring discs err, they err together.
            return jitter**2 / np.maximum(arc.count / 2.5, 1.0), np.zeros((len(arc), 0))
        variance = jitter**2 / np.maximum(arc.count / 1.5, 1.0)
        variance = variance + worm.variance(arc.utc_s, arc.count, interval_s)
        return variance, worm.columns(arc.utc_s, arc.count, interval_s)

    def _off(self, sight: TrackedDisc) -> Array:
        """Return how far a disc lies from where it is expected, freed of how far the last ones did."""
        if self.expected is None or self.last is None:
            return np.zeros(2)
        recent = [
            sight
            for sight, stretch in list(islice(reversed(self._recent), RECENT))
            if stretch == self.stretch and sight.utc_s > self.last.utc_s - RECENT_S
        ]
        before = np.median([s.xy - self.expected.at(s.utc_s)[0] for s in recent], axis=0)
        return np.asarray(sight.xy - self.expected.at(sight.utc_s)[0] - before)

    def _limit_px(self, utc_s: float) -> float:
        spread = self.expected.at(utc_s)[1] if self.expected is not None else 0.0
        least = max(6 * self.unrest.all_arcsec, _LEAST_STEP_ARCSEC) / self.scale_arcsec_px
        return least + 4 * spread

    def _weigh_suspects(self) -> Verdict:
        last = list(self.suspects)[-3:]
        offs = np.array([self._off(s) for s in last])
        still = max(4 * self.unrest.all_arcsec, 30.0) / self.scale_arcsec_px
        needed = 2 if self.told_of_jump else 3
        if len(last) >= needed and np.ptp(self._strays(last), axis=0).max() <= still:
            creeping = self._creeping(last, still)
            return self._begin_stretch(creeping or last, Verdict.CHANGED if creeping else Verdict.JUMPED)
        speed = self._even_speed(last, offs, still)
        if speed is None:
            return self._held(last)
        if self.last is not None and self.last.utc_s - self.first_utc_s < self._early_s(speed):
            # With so little track nothing is established that could be departed from.
            for sight in self.suspects:
                self._accept(sight)
            self.suspects.clear()
            return Verdict.USED
        if speed < _SLOW * _DRIVE_ARCSEC_S:
            if len(last) < 3:
                return Verdict.HELD
            since = last if self.departed_utc_s is not None else list(self.suspects)
            return self._begin_stretch(since, Verdict.CHANGED)
        if self.departed_utc_s is not None:
            return Verdict.HELD
        self.departed_utc_s = self.suspects[0].utc_s
        return Verdict.DEPARTED

    @staticmethod
    def _early_s(speed: float) -> float:
        """Return before how much track nothing is established; what goes at the sky's rate is soon plain."""
        return EARLY_S if speed < 0.7 * _DRIVE_ARCSEC_S else EARLY_S / 3

    def _held(self, last: list[TrackedDisc]) -> Verdict:
        """Wait for what comes next, but not for ever."""
        seconds = self.suspects[-1].utc_s - self.suspects[0].utc_s
        if len(self.suspects) < _HELD_MOST or seconds < _HELD_LONGEST_S or self.departed_utc_s is not None:
            return Verdict.HELD
        return self._begin_stretch(last, Verdict.CHANGED)

    def _creeping(self, last: list[TrackedDisc], still: float) -> list[TrackedDisc] | None:
        """Return the discs of a slow, even motion that was taken for jump after jump; None: no such."""
        before = [sight for sight, stretch in self._recent if stretch == self.stretch]
        if self.stretch == 0 or not before or len(before) > 2 * _HELD_MOST:
            return None
        discs = before + last
        seconds = np.array([s.utc_s for s in discs]) - discs[0].utc_s
        strays = self._strays(discs)
        line = np.polynomial.polynomial.polyfit(seconds, strays, 1)
        left = strays - line[0] - seconds[:, None] * line[1]
        if np.abs(left).max() > still or float(np.hypot(*line[1])) * seconds[-1] < 1.5 * still:
            return None
        return discs

    def _strays(self, last: list[TrackedDisc]) -> Array:
        """Return how far discs lie off the way of one that was put where the first is, (n, 2)."""
        xy = np.array([s.xy for s in last])
        if self.moves_px is None:
            return xy
        return np.asarray(xy - self.moves_px(np.array([s.utc_s for s in last]), xy[0]))

    def _even_speed(self, last: list[TrackedDisc], offs: Array, still: float) -> float | None:
        """Return how fast the last suspects move away evenly, arcsec a second; None: they do not."""
        if len(last) < 2 or self.last is None:
            return None
        steps = np.diff(offs, axis=0)
        seconds = np.diff([s.utc_s for s in last])
        speed = np.hypot(steps[:, 0], steps[:, 1]) * self.scale_arcsec_px / seconds
        if speed.max() > 4 * _DRIVE_ARCSEC_S:
            return None
        if len(last) == 2:
            # As fast as it would have had to go to get to the first of the two from where it was last fine.
            lead = (last[0].utc_s - self.last.utc_s) * float(np.hypot(*steps[0])) / seconds[0]
            ahead = float(offs[0] @ steps[0]) / max(float(np.hypot(*offs[0]) * np.hypot(*steps[0])), 1e-9)
            fits = ahead > 0.8 and float(np.hypot(*offs[0])) <= 1.5 * lead + still
            return float(speed[0]) if fits else None
        share = seconds[0] / seconds.sum()
        bend = offs[1] - offs[0] - share * (offs[2] - offs[0])
        way = float(np.hypot(*(offs[2] - offs[0])))
        if way <= still or np.hypot(*bend) > 0.5 * still + 0.2 * way:
            return None
        return way * self.scale_arcsec_px / float(seconds.sum())

    def begin_stretch_with(self, sight: TrackedDisc) -> None:
        """Begin a new stretch with a disc, whatever it is: it is seen through another lens."""
        self.expected = None
        self._begin_stretch([sight], Verdict.CHANGED)

    def _begin_stretch(self, discs: list[TrackedDisc], verdict: Verdict) -> Verdict:
        self.stretch += 1
        self.bins, self.began_utc_s = Bins(), np.inf
        self.departed_utc_s = None
        self.told_of_jump = False
        self.suspects.clear()
        for sight in discs:
            self._accept(sight)
        return verdict

    def _accept(self, sight: TrackedDisc) -> None:
        self.began_utc_s = min(self.began_utc_s, sight.utc_s)
        self.bins.add(sight.utc_s, sight.x_px, sight.y_px, sight.sigma_px)
        self.first_utc_s = min(self.first_utc_s, sight.utc_s)
        self.last = sight
        self._recent.append((sight, self.stretch))

    def _take_late(self, sight: TrackedDisc) -> Verdict:
        """Put a late disc into its bin where the discs about it agree with it; else leave it."""
        if sight.utc_s >= self.began_utc_s:
            near = self.bins.near(sight.utc_s, RECENT_S)
            limit = max(6 * self.unrest.all_arcsec, _LEAST_STEP_ARCSEC) / self.scale_arcsec_px
            if near is not None and float(np.hypot(*(near - sight.xy))) <= limit:
                self.bins.add(sight.utc_s, sight.x_px, sight.y_px, sight.sigma_px)
        return Verdict.LATE
