"""Keeps the fit going: linearises where the last one ended, follows each roll and rate still possible."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from threadpoolctl import ThreadpoolController

from sentinel.chain.forecast.bins import Arc
from sentinel.chain.forecast.ensemble import Ensemble, draw
from sentinel.chain.forecast.fit import (
    ArcSeen,
    GaussianPrior,
    Solved,
    Whitener,
    change_odds,
    roll_grid,
)
from sentinel.chain.forecast.geometry import AIR, ONE_PART, Aims, Geometry, OtherSky, Points
from sentinel.chain.forecast.level import LevelSeen
from sentinel.chain.forecast.nodes import Learnt, Nodes, learnt
from sentinel.chain.forecast.noise import FLEXURES, RESTLESS, USUAL_FLEXURES, Change, possible_changes
from sentinel.chain.forecast.rolls import Pause
from sentinel.chain.forecast.zenith import ZenithSeen
from sentinel.core.settings import Site
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

_FREE_RAD = np.radians(12.0)
_HOPELESS = 14.0
_WEIGHTLESS = 9.0
_SLIGHT = 4.5
_ROUNDS = 4
_WEIGH_EVERY = 5
_CLOSE = np.array([3e-3, 3e-3, 0.2])
_MOST_CHANGES = 6
_OTHER_SKY_ROUNDS = 2
_LEARNT_EVERY_S = 600.0
_MOST_LEARNT = 36
"""A change is certain within six hours, or it is small."""
TELLING_ARC_S = 3600.0
"""A shorter track tells nothing of place and clock: to first order the air is one more drift."""
_LIKELY = 0.1
"""A change of the drift in so large a share of the draws is reckoned with where the fit settles."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """The track with what is needed to linearise it anywhere."""

    geometry: Geometry
    track: ArcSeen
    aims: Aims
    now_s: float
    roll_form: Array | None = None
    """What the drive's periodic error tells of the roll, as `PeriodicError.roll_form`."""
    pause: Pause | None = None
    """That of the drive with which the track ended."""
    zenith: ZenithSeen | None = None
    """What the discs' shapes tell of the roll."""
    level: LevelSeen | None = None
    """What the camera's level sensor tells of it."""

    def linear(self, points: Points) -> tuple[Array, Array]:
        """Return track and slopes as `Geometry.linear` does."""
        return self.geometry.linear(self.aims, ONE_PART, points)

    def prior(self, nodes: Nodes, slopes: Array) -> GaussianPrior:
        """Return the prior of some nodes, where they stand, the track linearised there."""
        prior = nodes.prior.about(nodes.points)
        if self.roll_form is not None:
            prior = replace(prior, power=prior.power + self.roll_form)
        if self.zenith is not None:
            upward = slopes[..., AIR]
            prior = self.zenith.added_to(prior, self.geometry, nodes.points, self.aims.direction, upward)
        return prior if self.pause is None else self.pause.added_to(prior, nodes.points)

    def solve(self, nodes: Nodes, base: Array, slopes: Array, kinds: Sequence[int]) -> Solved:
        """Return `Track.solve`."""
        roll = nodes.prior.roll
        if self.level is not None:
            roll = replace(roll, band=self.level.band(self.aims.direction, slopes[..., AIR]))
        return self.track.solve(base, slopes, self.prior(nodes, slopes), roll, kinds)


@cache
def _one_thread() -> ThreadpoolController:
    """Return the hold on the linear algebra's threads: for matrices so small they wait for each other."""
    return ThreadpoolController()


class Estimator:
    """The fit, warm from one renewal to the next."""

    def __init__(self, site: Site, sun: Sun, nodes: Nodes) -> None:
        self._geometry = Geometry(site, sun)
        self._nodes = nodes
        self._levelled = False
        """The camera's level sensor has had its say: a wrong one must not have it again with each part."""
        self._learnt: deque[tuple[float, Learnt]] = deque(maxlen=_MOST_LEARNT)
        """What the fits that were kept have told, and when: one every so often, and the last."""
        self._kept: tuple[_Seen, Nodes] | None = None
        """The track it stood on, and the likeliest mount, mirrored too, where it was linearised."""

    def begun_anew(self, nodes: Nodes) -> "Estimator":
        """Return one for the next part of the track, of which these nodes are known beforehand."""
        anew = Estimator(self._geometry.site, self._geometry.sun, nodes)
        anew._levelled = self._levelled or (self._kept is not None and self._kept[0].level is not None)
        return anew

    def _learn(self, now_s: float, told: Learnt) -> None:
        if len(self._learnt) > 1 and self._learnt[-1][0] - self._learnt[-2][0] < _LEARNT_EVERY_S:
            self._learnt.pop()
        self._learnt.append((now_s, told))

    def learnt(self, until_s: float = np.inf) -> Learnt | None:
        """Return what the last fit before a time has told, or else the first; None: there was none."""
        before = [told for now_s, told in self._learnt if now_s <= until_s]
        return before[-1] if before else self._learnt[0][1] if self._learnt else None

    @property
    def possible(self) -> int:
        """How many rolls and rates are still followed."""
        return len(self._nodes)

    def fit(
        self,
        arc: Arc,
        xy_arcsec: Array,
        covariance: Array,
        now_s: float,
        *,
        roll_form: Array | None = None,
        pause: Pause | None = None,
        zenith: ZenithSeen | None = None,
        keep: bool = True,
    ) -> Ensemble:
        """Fit the arc.

        `arc`, `xy_arcsec`, `covariance`: the bins, their positions (n, 2) in arcsec about the lens axis, the
            drive's periodic error taken out, and their covariance (n, n) in either coordinate.
        `now_s`: the time to draw for.
        `roll_form`: what the periodic error tells of the roll, as `PeriodicError.roll_form`.
        `pause`: of the drive, with which the arc ended.
        `zenith`: what the discs' shapes tell.
        `keep`: where false, the next fit starts as if this one had not been.
        """
        with _one_thread().limit(limits=1, user_api="blas"):
            track = _Seen(
                self._geometry,
                ArcSeen(xy_arcsec, Whitener(arc.utc_s, covariance, now_s, self._nodes.wanders)),
                self._geometry.aims(arc.utc_s, now_s),
                now_s,
                roll_form,
                pause,
                zenith,
                None if self._levelled else LevelSeen.of(arc),
            )
            return self._fit(track, keep=keep)

    def _fit(self, track: _Seen, *, keep: bool) -> Ensemble:
        nodes = self._posed(float(track.aims.utc_s[0]), track.track.xy_arcsec[0])
        nodes, base, slopes, hope = self._settled(nodes, track)
        alive = np.flatnonzero(hope > -_HOPELESS)
        nodes, base, slopes = nodes.taken(alive), base[alive], slopes[alive]
        if not nodes.kinds or nodes.age >= _WEIGH_EVERY:
            lead = int(hope[alive].argmax())
            nodes = replace(nodes, kinds=_kinds_that_matter(nodes, track, base, slopes, lead), age=0)
        # What is followed on but weighs nothing today need not be drawn from.
        heavy = np.flatnonzero(hope[alive] > -_WEIGHTLESS)
        drawn, base, slopes = nodes.taken(heavy), base[heavy], slopes[heavy]
        lead = int(hope[alive][heavy].argmax())
        kinds = (*nodes.kinds, *_changes_that_matter(drawn, track, base, slopes, lead))
        solved = track.solve(drawn, base, slopes, kinds)
        rolls, log = roll_grid(solved, drawn.centre_rad, drawn.half_width_rad)
        log = log + drawn.log_prior[None, :, None]
        draws = draw(
            self._geometry, drawn.points, solved, rolls, log, track.track.whitener.changes,
            now_s=track.now_s,
        )  # fmt: skip
        if keep:
            self._learn(track.now_s, learnt(drawn, solved, rolls, log, track.now_s))
            kind = int(np.bincount(draws.kind % len(FLEXURES), minlength=len(FLEXURES)).argmax())
            score = log.max(axis=(0, 2))
            self._kept = track, drawn.taken(np.array([score.argmax()])).with_mirrored()
            lead = int(heavy[score.argmax()])
            self._nodes = replace(
                _followed(nodes, lead), kind=kind, age=nodes.age + 1, change=_likeliest_change(draws)
            )
        return draws

    def under_other_skies(self, skies: Sequence[OtherSky], *, roll_told: bool = False) -> list[Ensemble]:
        """Return draws fitted again to the last track with the sun as in other skies, each sky as likely.

        An empty list while a change of the drift is likely: it is easily taken for another air.
        """
        if self._kept is None or self._nodes.change is not None:
            return []
        seen, both = self._kept
        found = []
        with _one_thread().limit(limits=1, user_api="blas"):
            for across, mirrors in ((False, False), (False, True), (True, True)):
                there = [sky for sky in skies if (sky.across, sky.mirrors) == (across, mirrors)]
                if there:
                    nodes = both.taken(np.array([0])) if roll_told or not mirrors else both
                    nodes = nodes.of_any_roll() if across or (not roll_told and mirrors) else nodes
                    found.append(self._drawn(there, seen, nodes))
        return found

    def _drawn(self, skies: Sequence[OtherSky], seen: _Seen, nodes: Nodes) -> Ensemble:
        geometry, later_s = skies[0].geometry, np.repeat([sky.later_s for sky in skies], len(nodes))
        track, nodes = self._moved(skies, seen, nodes)
        for _ in range(_OTHER_SKY_ROUNDS):
            points = nodes.points
            solved, rolls, log, nodes = self._round(nodes, track)
        log = np.where(np.isfinite(log), log, -np.inf)
        by_sky = log.swapaxes(0, 1).reshape(len(skies), -1)
        log = log - np.repeat(np.logaddexp.reduce(by_sky, axis=1), len(nodes) // len(skies))[:, None]
        return draw(geometry, points, solved, rolls, log, now_s=seen.now_s, later_s=later_s)

    @staticmethod
    def _moved(skies: Sequence[OtherSky], seen: _Seen, nodes: Nodes) -> tuple[_Seen, Nodes]:
        """Return track and nodes under each of some skies on one side of the equator."""
        utc_s = seen.aims.utc_s
        later_s = np.repeat([sky.later_s for sky in skies], len(nodes))[:, None]
        geometry = skies[0].geometry
        aims = geometry.aims(utc_s, float(utc_s[-1]), later_s)
        moved = nodes.under_other_skies(skies, float(utc_s[0]), seen.track.xy_arcsec[0])
        return replace(seen, geometry=geometry, aims=aims, pause=None), moved

    def _round(self, nodes: Nodes, seen: _Seen) -> tuple[Solved, Array, Array, Nodes]:
        """Return the posterior where nodes stand, its rolls and log weights, and the nodes at its top."""
        base, slopes = seen.linear(nodes.points)
        solved = seen.solve(nodes, base, slopes, (self._nodes.kind, RESTLESS))
        rolls, log = roll_grid(solved, nodes.centre_rad, nodes.half_width_rad)
        roll = rolls[0, np.arange(len(nodes)), log[0].argmax(axis=1)]
        points = nodes.points.moved(_mean(solved, roll), roll)
        return solved, rolls, log, replace(nodes, points=points)

    def evidence(self, skies: Sequence[OtherSky]) -> Array | None:
        """Return the log of the evidence of the track under other skies, (k,); None: not known.

        Axis and roll are taken as unknown: an axis turned with the sky explains the track as well, but for
        the air, and what looks mirrored by the settings need not be.
        """
        if self._kept is None or self._nodes.change is not None:
            return None
        seen, nodes = self._kept
        if np.ptp(seen.aims.utc_s) < TELLING_ARC_S:
            return None
        found = np.full(len(skies), -np.inf)
        sides = np.array([sky.across for sky in skies])
        with _one_thread().limit(limits=1, user_api="blas"):
            for side in np.unique(sides):
                there = [sky for sky in skies if sky.across == side]
                found[sides == side] = self._evidence(there, seen, nodes)
        return found

    def _evidence(self, skies: Sequence[OtherSky], seen: _Seen, nodes: Nodes) -> Array:
        """Return the same for skies on one side of the equator."""
        geometry = skies[0].geometry
        track, nodes = self._moved(skies, seen, nodes)
        for _ in range(_OTHER_SKY_ROUNDS):
            nodes = nodes.knowing_nothing(geometry.latitude_deg)
            _, _, log, nodes = self._round(nodes, track)
        log = log + nodes.log_prior[None, :, None]
        # A mount for which the sun would have been behind the camera explains nothing.
        log = np.where(np.isfinite(log), log, -np.inf).swapaxes(0, 1)
        return np.asarray(np.logaddexp.reduce(log.reshape(len(skies), -1), axis=1))

    def _settled(self, nodes: Nodes, track: "_Seen") -> tuple[Nodes, Array, Array, Array]:
        """Move each node to the best point of its cell; with it the track there, and its hope."""
        kinds = [nodes.kind, RESTLESS]
        if nodes.change is not None:
            track.track.whitener.changes = (nodes.change,)
            kinds += [nodes.kind + len(FLEXURES)]
        for last in range(_ROUNDS):
            base, slopes = track.linear(nodes.points)
            solved = track.solve(nodes, base, slopes, kinds)
            rolls, log = roll_grid(solved, nodes.centre_rad, nodes.half_width_rad)
            hope = _hope(log.max(axis=2) + nodes.log_prior)
            best = log[0].argmax(axis=1)
            roll = rolls[0, np.arange(len(nodes)), best]
            delta = _mean(solved, roll)
            counts = hope > -2 * _HOPELESS
            near = (np.abs(delta[:, :3]) < _CLOSE).all(axis=1) & (np.abs(roll - nodes.points.roll_rad) < 0.01)
            if near[counts].all() or last == _ROUNDS - 1:
                return nodes, base, slopes, hope
            keep = np.flatnonzero(counts)
            nodes = nodes.taken(keep)
            nodes = replace(nodes, points=nodes.points.moved(delta[keep], roll[keep]))
        raise AssertionError("the last round returns")

    def _posed(self, first_s: float, xy_arcsec: Array) -> Nodes:
        """Return the nodes with a pose, if they have none yet: from a part's first bin, (2,) at a time."""
        points = self._nodes.points
        if len(points.reference_s):
            return self._nodes
        return replace(self._nodes, points=self._geometry.posed(points, first_s, xy_arcsec))


def _kinds_that_matter(nodes: Nodes, track: _Seen, base: Array, slopes: Array, lead: int) -> tuple[int, ...]:
    """Return the kinds of flexure that explain the track not much worse than the best, at the best node."""
    one = slice(lead, lead + 1)
    only = nodes.taken(np.array([lead]))
    solved = track.solve(only, base[one], slopes[one], range(len(FLEXURES)))
    top = roll_grid(solved, only.centre_rad, only.half_width_rad)[1].max(axis=(1, 2))
    return tuple(int(kind) for kind in np.flatnonzero(top > top.max() - _SLIGHT))


def _changes_that_matter(
    nodes: Nodes, track: _Seen, base: Array, slopes: Array, lead: int
) -> tuple[int, ...]:
    """Return the kinds with a change that explain the track not much worse than the best, at the best node.

    Each is weighed on a few usual flexures and on the likeliest one. The whitener learns the changes.
    """
    whitener, utc_s = track.track.whitener, track.aims.utc_s
    whitener.changes = possible_changes(float(utc_s[-1]), float(utc_s[0]))
    if nodes.change is not None:
        whitener.changes = (nodes.change, *whitener.changes)
    if not whitener.changes:
        return ()
    one = nodes.taken(np.array([lead]))
    base, slopes = base[lead : lead + 1], slopes[lead : lead + 1]
    flexures = tuple({nodes.kind, *USUAL_FLEXURES})
    prior, roll = track.prior(one, slopes), float(one.points.roll_rad[0])
    # One flexure stands for what all may explain.
    shares = np.array([FLEXURES[flexure].prior for flexure in flexures])
    whitener.log_share = -float(np.log(shares.sum()))
    still = track.solve(one, base, slopes, flexures).log_density(np.full((len(flexures), 1, 1), roll))[
        :, 0, 0
    ]
    odds = [
        still[i] + change_odds(track.track, base, slopes, prior, roll, flexure)
        for i, flexure in enumerate(flexures)
    ]
    log = np.array(odds) + whitener.log_share
    top = max(float(log.max()), float(still.max()))
    likely = np.argsort(log, axis=None)[::-1][:_MOST_CHANGES]
    which, change = np.unravel_index(likely[log.flat[likely] > top - _SLIGHT], log.shape)
    return tuple(flexures[i] + len(FLEXURES) * (1 + int(k)) for i, k in zip(which, change, strict=True))


def _likeliest_change(draws: Ensemble) -> Change | None:
    """Return the commonest change among the draws, where a good part of them has one."""
    changed = draws.kind[draws.kind >= len(FLEXURES)] // len(FLEXURES) - 1
    if len(changed) < _LIKELY * len(draws):
        return None
    return draws.changes[int(np.bincount(changed).argmax())]


def _mean(solved: Solved, roll_rad: Array) -> Array:
    """Return the unknowns (m, p) at the top of each point's posterior, one kind of flexure."""
    m = np.arange(len(roll_rad))
    none = np.zeros((len(m), solved.terms.shape[-1]))
    return solved.means(np.zeros_like(m), m, roll_rad, none)


def _hope(scores: Array) -> Array:
    """Return how far each node falls short of the best, at most nought, (m,), from scores by kind (c, m).

    By the kind that is kindest to it: what little noise rules out today may be the truth once the mount has
    shown how restless it is. A mount for which the sun would have been behind the camera has no hope.
    """
    scores = np.where(np.isfinite(scores), scores, -np.inf)
    return np.asarray((scores - scores.max(axis=1, keepdims=True)).max(axis=0))


def _followed(nodes: Nodes, lead: int) -> Nodes:
    """Where all nodes lie side by side let one follow them."""
    apart = np.angle(np.exp(1j * (nodes.points.roll_rad - nodes.points.roll_rad[lead])))
    same = nodes.points.base_arcsec_s == nodes.points.base_arcsec_s[lead]
    if not same.all() or np.abs(apart).max() > _FREE_RAD * 0.5:
        return nodes
    one = nodes.taken(np.array([lead]))
    return replace(one, centre_rad=one.points.roll_rad, half_width_rad=np.array([_FREE_RAD]))
