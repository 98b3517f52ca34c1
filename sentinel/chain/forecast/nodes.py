"""The mounts that a fit follows side by side: rolls and rates still possible, and what was known of each."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sentinel.chain.forecast.fit import (
    RATE_SIGMA,
    TILT_SIGMA_DEG,
    Prior,
    Solved,
    level_of,
)
from sentinel.chain.forecast.geometry import RAMP, Indices, OtherSky, Points, SlowChange, TurnedSky
from sentinel.chain.forecast.noise import Change
from sentinel.chain.forecast.roll_prior import USUAL_ROLLS, RollPrior
from sentinel.sky.arrays import Array

CELLS = 12
MOVES = (SlowChange.TIPS, SlowChange.CREEPS)
"""Under these it is not the drive that changes."""
_MOST_KEPT = 8
_MOST_TURNED = 3
_WORTH_KEEPING = 1e-3
ROLL_STAYS_DEG = 0.3
JOLT_DEG = 0.3
NO_ROLL = RollPrior(np.zeros((1, 1)), np.zeros((1, 1)), np.ones((1, 1)))
_TURNS: tuple[tuple[float, float], ...] = ((np.pi, 0.4), (np.pi / 2, 0.15), (-np.pi / 2, 0.15))
"""A camera that does not sit as before is turned by a half, as when a mount crosses the meridian, by a
quarter, or anyhow."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A rate the drive may run at, and how likely that is before the track is seen."""

    rate_arcsec_s: float
    share: float
    sigma: float = RATE_SIGMA
    """How far it may be off that, in units of 1e-4."""
    slow_change: SlowChange = SlowChange.NONE
    """What else goes on changing meanwhile."""


@dataclass(frozen=True, slots=True)
class Nodes:
    """The rolls and rates still followed: where each one's part of the posterior is linearised."""

    points: Points
    prior: Prior
    log_prior: Array
    centre_rad: Array
    half_width_rad: Array
    kind: int = 9
    """The likeliest kind of flexure."""
    kinds: tuple[int, ...] = ()
    """Those that mattered when all were last weighed."""
    change: Change | None = None
    """The likeliest change of the drift, where one is likely."""
    age: int = 0
    """Fits since then."""
    wanders: float = 1.0
    """As `Carryover` has it."""

    def __len__(self) -> int:
        return len(self.points)

    def taken(self, which: Indices) -> "Nodes":
        """Return some of the nodes."""
        return replace(
            self,
            points=self.points.taken(which),
            prior=self.prior.taken(which),
            log_prior=self.log_prior[which],
            centre_rad=self.centre_rad[which],
            half_width_rad=self.half_width_rad[which],
        )

    def with_mirrored(self) -> "Nodes":
        """Return the same and those with the camera turned by a half on mirrored axes: nearly as likely."""
        both = self.taken(np.tile(np.arange(len(self)), 2))
        side, half = np.repeat([1.0, -1.0], len(self)), np.repeat([0.0, np.pi], len(self))
        points = replace(
            both.points,
            azimuth_deg=side * both.points.azimuth_deg,
            altitude_deg=side * both.points.altitude_deg,
            roll_rad=both.points.roll_rad + half,
        )
        flip = np.stack([side, side, np.ones(len(both))], axis=1)
        prior = replace(
            both.prior,
            mean=flip * both.prior.mean,
            covariance=flip[:, :, None] * both.prior.covariance * flip[:, None, :],
            mean_per_roll=flip * both.prior.mean_per_roll,
            mean_at_roll_rad=both.prior.mean_at_roll_rad + half,
        )
        return replace(both, points=points, prior=prior, centre_rad=both.centre_rad + half)

    def of_any_roll(self) -> "Nodes":
        """Return the same, of the roll no more known beforehand than of any camera's."""
        return replace(self, prior=replace(self.prior, roll=USUAL_ROLLS))

    def under_other_skies(self, places: Sequence[OtherSky], first_s: float, xy_arcsec: Array) -> "Nodes":
        """Return the same under each of some skies on one side of the equator, one sky after the other.

        The first disc is seen at (2,) in all of them.
        """
        sky = TurnedSky.of(places[0].geometry.latitude_deg, places)
        azimuth, altitude = sky.errors_deg(self.points.azimuth_deg, self.points.altitude_deg)
        place, slope = sky.with_slopes(self.prior.mean[:, 0], self.prior.mean[:, 1])
        every = self.taken(np.tile(np.arange(len(self)), len(places)))
        turn = np.tile(np.eye(3), (len(every), 1, 1))
        turn[:, :2, :2] = slope.reshape(-1, 2, 2)
        half = np.pi if places[0].across else 0.0
        prior = replace(
            every.prior,
            mean=np.column_stack([place.reshape(-1, 2), every.prior.mean[:, 2]]),
            covariance=turn @ every.prior.covariance @ np.swapaxes(turn, 1, 2),
            mean_per_roll=(turn @ every.prior.mean_per_roll[:, :, None])[..., 0],
            mean_at_roll_rad=every.prior.mean_at_roll_rad + half,
        )
        points = replace(
            every.points,
            azimuth_deg=azimuth.ravel(),
            altitude_deg=altitude.ravel(),
            roll_rad=every.points.roll_rad + half,
        )
        later_s = np.repeat([one.later_s for one in places], len(self))[:, None]
        points = places[0].geometry.posed(points, first_s, xy_arcsec, later_s)
        return replace(every, points=points, prior=prior, centre_rad=every.centre_rad + half)

    def knowing_nothing(self, latitude_deg: float) -> "Nodes":
        """Return the same where they stand, little known of the axis beforehand and nothing of the roll."""
        points, m = self.points, len(self)
        place = np.stack([points.azimuth_deg, points.altitude_deg, points.rate], axis=1)
        covariance = _set_by_day(latitude_deg, np.full(m, RATE_SIGMA))
        none = np.zeros((m, 3))
        prior = replace(self.prior, mean=place, covariance=covariance, mean_per_roll=none, roll=NO_ROLL)
        return replace(self, prior=prior)


def every_node(candidates: Sequence[Candidate], latitude_deg: float, roll: RollPrior) -> Nodes:
    """Return a node for every cell of the roll and every rate, on the true pole."""
    rates, shares, sigmas, slow_change = (
        np.repeat(values, CELLS)
        for values in np.array([(c.rate_arcsec_s, c.share, c.sigma, c.slow_change) for c in candidates]).T
    )
    m = len(rates)
    # The usual rolls lie in the middle of cells: one node then follows them.
    centre = np.tile(2 * np.arange(CELLS) * np.pi / CELLS, len(candidates))
    zero, none = np.zeros(m), np.zeros((m, 0))
    points = Points(rates, zero, zero, zero, centre, np.zeros(0), none, none, slow_change.astype(np.intp))
    covariance = _set_by_day(latitude_deg, sigmas)
    prior = Prior(np.zeros((m, 3)), covariance, np.zeros((m, 3)), zero, roll)
    return Nodes(points, prior, np.log(shares), centre, np.full(m, np.pi / CELLS))


def _set_by_day(latitude_deg: float, rate_sigmas: Array) -> Array:
    """Return covariances (m, 3, 3) of an axis set by day, and of drives so far off their rates."""
    covariance = np.zeros((len(rate_sigmas), 3, 3))
    covariance[:, 0, 0] = (TILT_SIGMA_DEG / level_of(latitude_deg)) ** 2
    covariance[:, 1, 1] = TILT_SIGMA_DEG**2
    covariance[:, 2, 2] = rate_sigmas**2
    return covariance


@dataclass(frozen=True, slots=True)
class Learnt:
    """What a track has told of m mounts: Gaussians of axis, rate and roll, one a node."""

    nodes: Nodes
    log_weight: Array
    mean: Array
    """(m, 3) azimuth and altitude error (deg), deviation of the rate (1e-4), at the roll"""
    covariance: Array
    """(m, 3, 3) the roll given"""
    mean_per_roll: Array
    """(m, 3) how the mean moves with the roll, for a radian"""
    roll_rad: Array
    roll_variance: Array

    @property
    def likeliest_axis_deg(self) -> tuple[float, float]:
        """Return the axis of the likeliest mount, azimuth and altitude error."""
        azimuth, altitude, _ = self.mean[int(self.log_weight.argmax())]
        return float(azimuth), float(altitude)

    def marginal(self, k: int) -> Array:
        """Return the covariance (3, 3) of one, the roll not given."""
        swing = self.mean_per_roll[k]
        return np.asarray(self.covariance[k] + self.roll_variance[k] * swing[:, None] * swing[None, :])


def learnt(nodes: Nodes, solved: Solved, rolls: Array, log: Array, now_s: float) -> Learnt:
    """Return what a fit has told, over all kinds of noise; rolls and log weights are (kinds, m, g)."""
    weights = np.exp(log - log.max(axis=(0, 2), keepdims=True))
    total = weights.sum(axis=(0, 2))
    roll = np.angle((weights * np.exp(1j * rolls)).sum(axis=(0, 2)))
    off = np.angle(np.exp(1j * (rolls - roll[None, :, None])))
    variance = (weights * off**2).sum(axis=(0, 2)) / total
    by_kind = weights.sum(axis=2) / total  # (c, m)
    c, m = (index.ravel() for index in np.indices(by_kind.shape))
    none = np.zeros((len(m), solved.terms.shape[-1]))
    told = np.tile(np.eye(solved.terms.shape[-1])[:, :3], (len(nodes), 1, 1))
    told[:, RAMP, 2] = nodes.points.gained(now_s)
    step = 1e-3
    here, beside = (
        np.einsum("dp,dpi->di", solved.means(c, m, roll[m] + turn, none), told[m]).reshape(*by_kind.shape, 3)
        for turn in (0.0, step)
    )
    mean = (by_kind[..., None] * here).sum(axis=0)
    inverse = solved.root_inverse @ told
    apart = here - mean
    covariance = np.swapaxes(inverse, 2, 3) @ inverse + apart[..., :, None] * apart[..., None, :]
    points = nodes.points
    return Learnt(
        nodes=nodes,
        log_weight=np.log(total) + log.max(axis=(0, 2)),
        mean=np.stack([points.azimuth_deg, points.altitude_deg, points.rate], axis=1) + mean,
        covariance=(by_kind[..., None, None] * covariance).sum(axis=0),
        mean_per_roll=(by_kind[..., None] * (beside - here)).sum(axis=0) / step,
        roll_rad=roll,
        roll_variance=variance,
    )


@dataclass(frozen=True, slots=True)
class Carryover:
    """How far what was learnt carries over into a new part of the track."""

    axis_moves_deg: float
    """1-sigma on the sky, either way; now and then much further"""
    roll_stays: float
    """How likely the camera sits on the mount as before."""
    rate_stays: float
    """How likely the drive runs as before; else at one of the candidates' rates."""
    jolted: float = 0.0
    """How likely the axis was knocked aside on that occasion, by some tenths of a degree."""
    wanders: float = 1.0
    """By how much likelier than usual the drift goes on becoming another."""
    mount_may_move: bool = True
    """Whether a leg or a clamp may begin to give way on that occasion."""


CHANGED = Carryover(axis_moves_deg=0.12, roll_stays=0.97, rate_stays=0.1, wanders=20.0)
"""What carries over when the drift became another, at once or little by little,"""
REBUILT = Carryover(axis_moves_deg=0.05, roll_stays=0.6, rate_stays=0.9)
"""when somebody changed the lens,"""
PAUSED = Carryover(axis_moves_deg=0.002, roll_stays=0.999, rate_stays=0.97, jolted=0.02, mount_may_move=False)
"""and when the drive paused for some minutes: nobody turns a camera meanwhile, or leans on the mount."""


def after_a_move(*, told: bool) -> Carryover:
    """Return what carries over once the disc was put elsewhere; untold, the mount may have been knocked."""
    return Carryover(axis_moves_deg=0.002, roll_stays=0.98, rate_stays=0.97, jolted=0.02 if told else 0.15)


@dataclass(frozen=True, slots=True)
class _Row:
    """One node to be."""

    rate_arcsec_s: float
    mean: Array
    covariance: Array
    mean_per_roll: Array
    roll_rad: float
    slow_change: SlowChange
    log_prior: float
    centre_rad: float
    half_width_rad: float
    roll_share: float
    sharpness: float


def nodes_after(
    before: Learnt, candidates: Sequence[Candidate], latitude_deg: float, since: Carryover
) -> Nodes:
    """Return the nodes for a new part of the track: what was learnt, and what may be otherwise since."""
    log = before.log_weight - np.logaddexp.reduce(before.log_weight)
    order = [int(k) for k in np.argsort(log)[::-1][:_MOST_KEPT] if log[k] > np.log(_WORTH_KEEPING)]
    level = level_of(latitude_deg)
    moves = np.diag([(since.axis_moves_deg / level) ** 2, since.axis_moves_deg**2, 0.01])
    jolt = np.diag([(JOLT_DEG / level) ** 2, JOLT_DEG**2, 0.0])
    rows: list[_Row] = []
    for rank, k in enumerate(order):
        stays = _staying(before, k, moves, float(log[k] + np.log(since.roll_stays * (1 - since.jolted))))
        if since.jolted > 0:
            aside = float(np.log(since.jolted / (1 - since.jolted)))
            rows.append(replace(stays, covariance=stays.covariance + jolt, log_prior=stays.log_prior + aside))
        rows.append(replace(stays, log_prior=stays.log_prior + float(np.log(since.rate_stays))))
        rows += [
            _at_rate(stays, candidate, 1 - since.rate_stays)
            for candidate in candidates
            if since.mount_may_move or candidate.slow_change not in MOVES
        ]
        if rank < _MOST_TURNED and since.roll_stays < 1:
            free = replace(
                stays,
                covariance=before.marginal(k) + moves,
                mean_per_roll=np.zeros(3),
                roll_share=0.0,
                log_prior=float(log[k] + np.log(1 - since.roll_stays)),
            )
            rows += _turned(free)
    return replace(_gathered(rows), wanders=since.wanders)


def _staying(before: Learnt, k: int, moves: Array, log_prior: float) -> _Row:
    nodes = before.nodes
    variance = float(before.roll_variance[k]) + np.radians(ROLL_STAYS_DEG) ** 2
    return _Row(
        rate_arcsec_s=float(nodes.points.base_arcsec_s[k]),
        mean=before.mean[k],
        covariance=before.covariance[k] + moves,
        mean_per_roll=before.mean_per_roll[k],
        roll_rad=float(before.roll_rad[k]),
        slow_change=SlowChange(nodes.points.slow_change[k]),
        log_prior=log_prior,
        centre_rad=float(nodes.centre_rad[k]),
        half_width_rad=float(nodes.half_width_rad[k]),
        roll_share=0.999,
        sharpness=1 / variance,
    )


def _at_rate(row: _Row, candidate: Candidate, share: float) -> _Row:
    """Return a node on the same axis whose drive runs at another rate: of the rate nothing is kept."""
    covariance = row.covariance.copy()
    covariance[2, :] = covariance[:, 2] = 0.0
    covariance[2, 2] = candidate.sigma**2
    return replace(
        row,
        rate_arcsec_s=candidate.rate_arcsec_s,
        mean=np.array([row.mean[0], row.mean[1], 0.0]),
        covariance=covariance,
        mean_per_roll=np.array([row.mean_per_roll[0], row.mean_per_roll[1], 0.0]),
        slow_change=candidate.slow_change,
        log_prior=row.log_prior + float(np.log(share * candidate.share)),
    )


def _turned(free: _Row) -> list[_Row]:
    """Return nodes for a camera that sits otherwise, in every cell of the roll."""
    centres = 2 * np.arange(CELLS) * np.pi / CELLS
    shares = np.full(CELLS, (1 - sum(share for _, share in _TURNS)) / CELLS)
    for turn, share in _TURNS:
        shares[int(np.abs(np.angle(np.exp(1j * (centres - free.roll_rad - turn)))).argmin())] += share
    return [
        replace(
            free,
            roll_rad=float(centre),
            centre_rad=float(centre),
            half_width_rad=np.pi / CELLS,
            # The even floor has this much in each cell already.
            log_prior=free.log_prior + float(np.log(share * CELLS)),
        )
        for centre, share in zip(centres, shares, strict=True)
    ]


def _gathered(rows: list[_Row]) -> Nodes:
    place, roll = np.stack([row.mean for row in rows]), np.array([row.roll_rad for row in rows])
    none = np.zeros((len(rows), 0))
    rates, slow_change = (
        np.array(of) for of in zip(*((row.rate_arcsec_s, row.slow_change) for row in rows), strict=True)
    )
    prior = Prior(
        mean=place,
        covariance=np.stack([row.covariance for row in rows]),
        mean_per_roll=np.stack([row.mean_per_roll for row in rows]),
        mean_at_roll_rad=roll,
        roll=RollPrior(
            np.array([[row.roll_share for row in rows]]),
            roll[None, :],
            np.array([[row.sharpness for row in rows]]),
        ),
    )
    return Nodes(
        points=Points(
            rates, place[:, 0], place[:, 1], place[:, 2], roll, np.zeros(0), none, none, slow_change
        ),
        prior=prior,
        log_prior=np.array([row.log_prior for row in rows]),
        centre_rad=np.array([row.centre_rad for row in rows]),
        half_width_rad=np.array([row.half_width_rad for row in rows]),
    )
