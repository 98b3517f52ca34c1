"""Keeps the fit going: linearises where the last one ended, follows each roll and rate still possible."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sentinel.forecast.bins import Arc
from sentinel.forecast.draws import Draws, draw
from sentinel.forecast.fit import Prior, Solved, Track, Whitener, roll_grid
from sentinel.forecast.geometry import COMMON, Aims, Geometry, Indices, Points
from sentinel.forecast.noise import FLEXURES, RESTLESS
from sentinel.forecast.worm import SIGMAS_ARCSEC
from sentinel.settings import Site
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

CELLS = 12
_FREE_RAD = np.radians(12.0)
_HOPELESS = 14.0
_SLIGHT = 4.5
_ROUNDS = 4
_WEIGH_EVERY = 5
_CLOSE = np.array([3e-3, 3e-3, 0.2])


@dataclass(frozen=True, slots=True)
class Candidate:
    """A rate the drive may run at, and how likely that is before the track is seen."""

    rate_arcsec_s: float
    share: float


@dataclass(frozen=True, slots=True)
class Nodes:
    """The rolls and rates still followed: where each one's part of the posterior is linearised."""

    points: Points
    log_prior: Array
    centre_rad: Array
    half_width_rad: Array
    stretches: tuple[int, ...]
    """Numbers of the stretches that the points have poses for."""
    kind: int
    """The likeliest kind of flexure."""
    kinds: tuple[int, ...] = ()
    """Those that mattered when all were last weighed."""
    age: int = 0
    """Fits since then."""

    def __len__(self) -> int:
        return len(self.points)

    def taken(self, which: Indices) -> "Nodes":
        """Return some of the nodes."""
        return replace(
            self,
            points=self.points.taken(which),
            log_prior=self.log_prior[which],
            centre_rad=self.centre_rad[which],
            half_width_rad=self.half_width_rad[which],
        )


@dataclass(frozen=True, slots=True)
class _Seen:
    """The track with what is needed to linearise it anywhere."""

    track: Track
    aims: Aims
    stretch: Indices
    worm: Array
    precision: Array

    def linear(self, geometry: Geometry, points: Points) -> tuple[Array, Array]:
        """Return track and slopes as `Geometry.linear` does, with the worm's columns put in."""
        base, slopes = geometry.linear(self.aims, self.stretch, points)
        if not self.worm.shape[1]:
            return base, slopes
        along = np.stack([self.worm, np.zeros_like(self.worm)], axis=1)
        along = np.broadcast_to(along, (len(points), *along.shape))
        return base, np.concatenate([slopes[..., :COMMON], along, slopes[..., COMMON:]], axis=-1)

    def without_worm(self, delta: Array) -> Array:
        """Return unknowns (m, p) as `Points.moved` takes them."""
        return np.concatenate([delta[:, :COMMON], delta[:, COMMON + self.worm.shape[1] :]], axis=1)

    def solve(self, points: Points, base: Array, slopes: Array, kinds: Sequence[int]) -> Solved:
        """Return `Track.solve`."""
        return self.track.solve(points, base, slopes, self.precision, kinds)


def every_node(candidates: tuple[Candidate, ...]) -> Nodes:
    """Return a node for every cell of the roll and every rate, on the true pole."""
    rates = np.repeat([candidate.rate_arcsec_s for candidate in candidates], CELLS)
    shares = np.repeat([candidate.share for candidate in candidates], CELLS)
    m = len(rates)
    # The usual rolls lie in the middle of cells: one node then follows them.
    centre = np.tile(2 * np.arange(CELLS) * np.pi / CELLS, len(candidates))
    zero, none = np.zeros(m), np.zeros((m, 0))
    points = Points(rates, zero, zero, zero, centre, np.zeros(0), none, none)
    return Nodes(points, np.log(shares), centre, np.full(m, np.pi / CELLS), (), 9)


class Estimator:
    """The fit, warm from one renewal to the next."""

    def __init__(self, site: Site, sun: Sun, candidates: tuple[Candidate, ...], prior: Prior) -> None:
        self._geometry = Geometry(site, sun)
        self._prior = prior
        self._nodes = every_node(candidates)

    @property
    def possible(self) -> int:
        """How many rolls and rates are still followed."""
        return len(self._nodes)

    def fit(
        self, arc: Arc, xy_arcsec: Array, variance: Array, worm: Array, now_s: float, *, keep: bool = True
    ) -> Draws:
        """Fit the arc.

        Parameters
        ----------
        arc, xy_arcsec, variance
            The bins, their positions (n, 2) in arcsec about the lens axis, and variances (n,).
        worm
            Columns (n, w) of a periodic error along the equator; w may be 0.
        now_s
            The time to draw for.
        keep
            Where false, the next fit starts as if this one had not been.
        """
        ids = tuple(int(i) for i in np.unique(arc.stretch))
        stretch = np.searchsorted(np.array(ids), arc.stretch)
        track = _Seen(
            Track(xy_arcsec, Whitener(arc.utc_s, variance, now_s)),
            self._geometry.aims(arc.utc_s),
            stretch,
            worm,
            self._prior.precision(len(ids), SIGMAS_ARCSEC[: worm.shape[1]]),
        )
        nodes = self._posed(ids, arc.utc_s, stretch, xy_arcsec)
        nodes, base, slopes, hope = self._settled(nodes, track)
        alive = np.flatnonzero(hope > -_HOPELESS)
        nodes, base, slopes = nodes.taken(alive), base[alive], slopes[alive]
        if not nodes.kinds or nodes.age >= _WEIGH_EVERY:
            lead = int(hope[alive].argmax())
            nodes = replace(nodes, kinds=_kinds_that_matter(nodes, track, base, slopes, lead), age=0)
        solved = track.solve(nodes.points, base, slopes, nodes.kinds)
        rolls, log = roll_grid(solved, nodes.centre_rad, nodes.half_width_rad)
        log = log + nodes.log_prior[None, :, None]
        draws = draw(self._geometry, nodes.points, solved, rolls, log)
        if keep:
            kind = int(np.bincount(draws.kind, minlength=len(FLEXURES)).argmax())
            lead = int(log.max(axis=(0, 2)).argmax())
            self._nodes = replace(_followed(nodes, lead), kind=kind, age=nodes.age + 1)
        return draws

    def _settled(self, nodes: Nodes, track: "_Seen") -> tuple[Nodes, Array, Array, Array]:
        """Move each node to the best point of its cell; with it the track there, and its hope."""
        for last in range(_ROUNDS):
            base, slopes = track.linear(self._geometry, nodes.points)
            solved = track.solve(nodes.points, base, slopes, [nodes.kind, RESTLESS])
            rolls, log = roll_grid(solved, nodes.centre_rad, nodes.half_width_rad)
            hope = _hope(log.max(axis=2) + nodes.log_prior)
            best = log[0].argmax(axis=1)
            roll = rolls[0, np.arange(len(nodes)), best]
            delta = track.without_worm(_mean(solved, roll))
            counts = hope > -2 * _HOPELESS
            near = (np.abs(delta[:, :3]) < _CLOSE).all(axis=1) & (np.abs(roll - nodes.points.roll_rad) < 0.01)
            if near[counts].all() or last == _ROUNDS - 1:
                return nodes, base, slopes, hope
            keep = np.flatnonzero(counts)
            nodes = nodes.taken(keep)
            nodes = replace(nodes, points=nodes.points.moved(delta[keep], roll[keep]))
        raise AssertionError("the last round returns")

    def _posed(self, ids: tuple[int, ...], utc_s: Array, stretch: Indices, xy_arcsec: Array) -> Nodes:
        """Return the nodes with poses for the stretches that are there now, new ones from their first bin."""
        nodes, old = self._nodes, self._nodes.points
        known = {number: i for i, number in enumerate(nodes.stretches)}
        reference, along, poleward = [], [], []
        for k, number in enumerate(ids):
            if number in known:
                i = known[number]
                reference.append(float(old.reference_s[i]))
                along.append(old.along_deg[:, i])
                poleward.append(old.poleward_deg[:, i])
                continue
            first = int(np.argmax(stretch == k))
            reference.append(float(utc_s[first]))
            pose = self._geometry.poses_for(float(utc_s[first]), xy_arcsec[first], old)
            along.append(pose[0])
            poleward.append(pose[1])
        points = replace(
            old,
            reference_s=np.array(reference),
            along_deg=np.stack(along, axis=1),
            poleward_deg=np.stack(poleward, axis=1),
        )
        return replace(nodes, points=points, stretches=ids)


def _kinds_that_matter(nodes: Nodes, track: _Seen, base: Array, slopes: Array, lead: int) -> tuple[int, ...]:
    """Return the kinds of flexure that explain the track not much worse than the best, at the best node."""
    one = slice(lead, lead + 1)
    only = nodes.taken(np.array([lead]))
    solved = track.solve(only.points, base[one], slopes[one], range(len(FLEXURES)))
    top = roll_grid(solved, only.centre_rad, only.half_width_rad)[1].max(axis=(1, 2))
    return tuple(int(kind) for kind in np.flatnonzero(top > top.max() - _SLIGHT))


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
