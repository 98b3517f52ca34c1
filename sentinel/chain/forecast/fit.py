"""Fit of the mount to its track, in closed form for every kind of flexure and every roll.

For a given kind of flexure and a given roll the unknowns enter linearly and their posterior is a Gaussian;
so is the evidence, which in the roll is a polynomial of sines of order two. Flexure and roll are therefore
summed over a grid exactly, with no search that could stick in a wrong roll: in the first hours several
rolls explain a track, and a forecast must know all of them. Everything is done for m linearisations and c
kinds of flexure at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sentinel.chain.forecast.geometry import COMMON, SLOW_CHANGE, SLOW_CHANGE_SIGMA, Indices, Points
from sentinel.chain.forecast.noise import FLEXURES, Change, Flexure, wander_covariance
from sentinel.chain.forecast.roll_prior import RollPrior
from sentinel.sky.arrays import Array

POSE_SIGMA_DEG = 3.0
TILT_SIGMA_DEG = 0.95
"""How far off a polar axis set by day is, either way on the sky."""
TAIL = 5.0
"""Degrees of freedom of the prior's tails."""
RATE_SIGMA = 1.5
"""How far a drive is off its nominal rate, in units of 1e-4."""
_LEAST_LEVEL = 0.02
"""At the very pole an azimuth means nothing: there it is known as badly as 1.1 degrees from it."""
_GRID = 32
_FINE = np.linspace(-4.5, 4.5, _GRID)
_EVEN = (2 * np.arange(_GRID) + 1) / _GRID - 1


def level_of(latitude_deg: float) -> float:
    """Return what a small angle of azimuth of the axis is on the sky: the cosine of the latitude."""
    return max(float(np.cos(np.radians(latitude_deg))), _LEAST_LEVEL)


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of axis and rate before the track, for m mounts; of the pose nothing.

    Azimuth error (deg), altitude error (deg) and deviation of the rate (1e-4), correlated in any way, lie
    about a mean, and now and then much further off than their covariance says (Student's t): by day an axis
    is set by compass and level, and a compass errs by ten degrees near a magnetic pole. The mean may move
    with the camera's roll, which a track determines only together with the axis.
    """

    mean: Array
    """(m, 3)"""
    covariance: Array
    """(m, 3, 3)"""
    mean_per_roll: Array
    """(m, 3) how the mean moves, for a radian of roll"""
    mean_at_roll_rad: Array
    """(m,) the roll for which the mean holds"""
    roll: RollPrior

    def taken(self, which: Indices) -> "Prior":
        """Return that of some of the mounts."""
        return Prior(
            self.mean[which],
            self.covariance[which],
            self.mean_per_roll[which],
            self.mean_at_roll_rad[which],
            self.roll.taken(which),
        )

    def about(self, points: Points) -> "GaussianPrior":
        """Return the Gaussian that stands for it about some points.

        A Gaussian under Student's t that touches it at the point: the fit, repeated, ends where the t would.
        """
        m, k = points.along_deg.shape
        sigma = np.ones((m, COMMON + 2 * k))
        sigma[:, SLOW_CHANGE] = SLOW_CHANGE_SIGMA[points.slow_change]
        sigma[:, COMMON:] = POSE_SIGMA_DEG
        precision = np.zeros((m, sigma.shape[1], sigma.shape[1]))
        precision[:, np.arange(3, sigma.shape[1]), np.arange(3, sigma.shape[1])] = sigma[:, 3:] ** -2.0
        inverse = np.linalg.inv(self.covariance)
        here = np.stack([points.azimuth_deg, points.altitude_deg, points.rate], axis=1)
        sine, cosine = np.sin(self.mean_at_roll_rad)[:, None], np.cos(self.mean_at_roll_rad)[:, None]
        offset = np.stack([-self.mean_per_roll * sine, self.mean_per_roll * cosine, self.mean - here], axis=2)
        turn = np.stack([np.cos(points.roll_rad), np.sin(points.roll_rad), np.ones(m)], axis=1)
        off = np.einsum("mij,mj->mi", offset, turn)
        squares = np.einsum("mi,mij,mj->m", off, inverse, off)
        weight = (TAIL + 3) / (TAIL + squares)
        log = -np.log(sigma[:, 3:]).sum(axis=1) + 0.5 * np.linalg.slogdet(inverse)[1] + 0.5 * weight * squares
        log -= (TAIL + 3) / 2 * np.log1p(squares / TAIL)
        precision[:, :3, :3] = weight[:, None, None] * inverse
        held = precision[:, :, :3]
        pull = np.einsum("mpi,mij->mjp", held, offset)
        power = np.einsum("mik,mij,mjl->mkl", offset, held[:, :3], offset)
        return GaussianPrior(precision, pull, power, log)


@dataclass(frozen=True, slots=True)
class GaussianPrior:
    """Gaussians for p unknowns of m points; their means are linear in (cos roll, sin roll, 1)."""

    precision: Array
    """(m, p, p)"""
    pull: Array
    """(m, 3, p) precision times mean, for cos roll, sin roll and 1"""
    power: Array
    """(m, 3, 3) the means' quadratic form in (cos roll, sin roll, 1)"""
    log_norm: Array
    """(m,)"""

    def knowing(self, seen: Array, answers: Array, sigma: float) -> "GaussianPrior":
        """Return the same once something more was measured, to within sigma.

        It is a linear form in (cos roll, sin roll, 1), (m, 3), and answers to the unknowns, (m, p).
        """
        weight = sigma**-2.0
        return replace(
            self,
            precision=self.precision + weight * answers[:, :, None] * answers[:, None, :],
            pull=self.pull + weight * seen[:, :, None] * answers[:, None, :],
            power=self.power + weight * seen[:, :, None] * seen[:, None, :],
        )


def flexure_of(kind: int) -> Flexure:
    """Return the flexure of a kind, numbered as `Whitener` counts them."""
    return FLEXURES[kind % len(FLEXURES)]


class Whitener:
    """Takes the noise out of columns: n bins, of known covariance and age, under any kind of noise.

    A kind is a flexure, and a change or none: its number is that of the flexure, and as many times the number
    of flexures more as the change's place in `changes`, from one. `wanders` is by how much likelier than
    usual it is that the drift goes on becoming another.
    """

    def __init__(self, utc_s: Array, covariance: Array, now_s: float, wanders: float = 1.0) -> None:
        self._log_wanders = float(np.log(wanders))
        self.changes: tuple[Change, ...] = ()
        self.log_share = 0.0
        """Added to the prior of each kind with a change: its flexure stands for all the flexures."""
        self.utc_s = utc_s
        self._lag = utc_s[:, None] - utc_s[None, :]
        self._ages = now_s - utc_s
        self._covariance = covariance
        self._wander = wander_covariance(self._ages)
        self._whitening: dict[int, Array] = {}

    def whitening(self, kind: int) -> Array:
        """Return the inverse (n, n) of the lower Cholesky root of the covariance under a kind of flexure."""
        if kind not in self._whitening:
            flexure, change = flexure_of(kind), self.change(kind)
            covariance = flexure.covariance(self._lag) + self._covariance + flexure.wander * self._wander
            if change is not None:
                covariance += change.covariance(self.utc_s)
            self._whitening[kind] = np.linalg.inv(np.linalg.cholesky(covariance))
        return self._whitening[kind]

    def change(self, kind: int) -> Change | None:
        """Return the change of a kind; None: nothing changed."""
        place = kind // len(FLEXURES)
        return self.changes[place - 1] if place else None

    def log_prior(self, kind: int) -> float:
        """Return how likely a kind is beforehand; of those with a change only one flexure stands for all."""
        change, flexure = self.change(kind), flexure_of(kind)
        log = float(np.log(flexure.prior)) + (self._log_wanders if flexure.wanders else 0.0)
        return log + (change.log_prior + self.log_share if change is not None else 0.0)

    def white(self, kind: int, columns: Array) -> tuple[Array, Array]:
        """Return whitened columns (n, q) and the whitened covariance of value and slope now (n, 2)."""
        flexure = flexure_of(kind)
        now = np.stack([flexure.covariance(self._ages), flexure.slope_covariance(self._ages)], axis=1)
        both = self.whitening(kind) @ np.concatenate([columns, now], axis=1)
        return both[:, :-2], both[:, -2:]


@dataclass(frozen=True, slots=True)
class Solved:
    """Posteriors under c kinds of flexure at m points: Gaussian in the p unknowns given the roll."""

    roll: RollPrior
    kinds: Indices
    """(c,) numbers, as `Whitener` counts them"""
    root_inverse: Array
    """(c, m, p, p) inverse of the lower Cholesky root of the normal matrix"""
    terms: Array
    """(c, m, 3, p): the right-hand side is terms[0] cos roll + terms[1] sin roll + terms[2]."""
    wave: Array
    """(c, m, 3, 3): chi-squared is the quadratic form of (cos roll, sin roll, 1) in it."""
    log_norm: Array
    """(c, m)"""
    state: Array
    """(c, m, 2, 4 + 2 p): the flexure's value and slope now, as weights of picture, track and slopes."""
    state_root: Array
    """(c, 2, 2) lower root of its covariance, given the unknowns."""

    def log_density(self, roll_rad: Array) -> Array:
        """Return the log of the posterior density (c, m, g) at rolls (c, m, g) or what broadcasts to it."""
        wave = self.wave[:, :, :, :, None]
        c, s = np.cos(roll_rad), np.sin(roll_rad)
        # c (c w00 + 2 s w01 + 2 w02) + s (s w11 + 2 w12) + w22: new arrays would cost more than the sums.
        chi2 = c * wave[:, :, 0, 0]
        part = 2 * s * wave[:, :, 0, 1]
        chi2 += part
        chi2 += 2 * wave[:, :, 0, 2]
        chi2 *= c
        np.multiply(s, wave[:, :, 1, 1], out=part)
        part += 2 * wave[:, :, 1, 2]
        part *= s
        chi2 += part
        chi2 += wave[:, :, 2, 2]
        chi2 *= 0.5
        log = np.subtract(self.log_norm[:, :, None], chi2, out=chi2)
        log += self.roll.log(roll_rad)
        return np.asarray(log)

    def means(self, c: Indices, m: Indices, roll_rad: Array, normals: Array) -> Array:
        """Return unknowns (d, p) for picks of kind, point and roll (d,), off the mean by normals (d, p)."""
        terms = self.terms[c, m]
        right = (
            np.cos(roll_rad)[:, None] * terms[:, 0] + np.sin(roll_rad)[:, None] * terms[:, 1] + terms[:, 2]
        )
        inverse = self.root_inverse[c, m]
        half = np.einsum("dij,dj->di", inverse, right) + normals
        return np.asarray(np.einsum("dji,dj->di", inverse, half))


class ArcSeen:
    """What was seen: n bins in picture arcseconds from the lens axis, and what noise they carry."""

    def __init__(self, xy_arcsec: Array, whitener: Whitener) -> None:
        self.xy_arcsec = xy_arcsec
        self.whitener = whitener

    def solve(
        self, base: Array, slopes: Array, prior: GaussianPrior, roll: RollPrior, kinds: Sequence[int]
    ) -> Solved:
        """Return the posteriors at m points, the track linearised there as `Geometry.linear` gives it."""
        columns = self.columns(base, slopes)
        parts = [self._solve_kind(kind, columns, prior) for kind in kinds]
        gathered = [np.stack(part) for part in zip(*parts, strict=True)]
        return Solved(roll, np.array(kinds, dtype=np.intp), *gathered)

    def columns(self, base: Array, slopes: Array) -> Array:
        """Return what is to be whitened: the picture's x, y; then by point u, v of track and slopes."""
        own = np.concatenate([base[..., None], slopes], axis=3).transpose(1, 0, 3, 2)
        return np.concatenate([self.xy_arcsec, own.reshape(len(own), -1)], axis=1)

    def _solve_kind(self, kind: int, columns: Array, prior: GaussianPrior) -> tuple[Array, ...]:
        m, p = prior.precision.shape[:2]
        white, now = self.whitener.white(kind, columns)
        data = white[:, :2]
        own = white[:, 2:].reshape(len(white), m, 1 + p, 2)
        stacked = own.transpose(1, 3, 0, 2).reshape(m, -1, 1 + p)  # (m, 2 n, 1 + p)
        turned = _unrolled(data)
        product = np.swapaxes(stacked, 1, 2) @ stacked  # (m, 1 + p, 1 + p)
        cross = np.swapaxes(stacked, 1, 2) @ turned  # (m, 1 + p, 2)
        normal = product[:, 1:, 1:] + prior.precision
        root = np.linalg.cholesky(normal)
        inverse = np.linalg.inv(root)
        seen = np.stack([cross[:, 1:, 0], cross[:, 1:, 1], -product[:, 1:, 0]], axis=1)
        terms = seen + prior.pull  # (m, 3, p)
        half = terms @ np.swapaxes(inverse, 1, 2)
        wave = -half @ np.swapaxes(half, 1, 2)
        power = (data * data).sum()
        wave[:, 0, 0] += power
        wave[:, 1, 1] += power
        for side in (0, 1):
            wave[:, side, 2] -= cross[:, 0, side]
            wave[:, 2, side] -= cross[:, 0, side]
        wave[:, 2, 2] += product[:, 0, 0]
        wave += prior.power
        log_norm = (
            self.whitener.log_prior(kind)
            + 2 * np.log(np.diag(self.whitener.whitening(kind))).sum()
            - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
            + prior.log_norm
        )
        weights = (now.T @ white[:, 2:]).reshape(2, m, -1).transpose(1, 0, 2)
        state = np.concatenate([np.broadcast_to(now.T @ data, (m, 2, 2)), weights], axis=2)
        covariance = flexure_of(kind).state_covariance() - now.T @ now
        return inverse, terms, wave, log_norm, state, _root_2(covariance)


def _unrolled(xy: Array) -> Array:
    """Return a picture (n, 2) unrolled by 0 and by 90 degrees, one coordinate below the other, (2 n, 2)."""
    return np.stack([np.concatenate([xy[:, 0], xy[:, 1]]), np.concatenate([-xy[:, 1], xy[:, 0]])], axis=1)


def _root_2(covariance: Array) -> Array:
    """Return the lower root of a (2, 2) covariance that may be singular."""
    first = np.sqrt(max(covariance[0, 0], 0.0))
    link = covariance[0, 1] / first if first > 0 else 0.0
    return np.array([[first, 0.0], [link, np.sqrt(max(covariance[1, 1] - link**2, 0.0))]])


def change_odds(  # noqa: PLR0917 - a track, linearised at one point, and what it is weighed on
    track: ArcSeen, base: Array, slopes: Array, prior: GaussianPrior, roll_rad: float, kind: int
) -> Array:
    """Return the log odds (changes,) of each of the whitener's changes over none, at one point and flexure.

    The change of slope enters as two unknowns more, along and across, of known column: their evidence is
    closed.
    """
    changes = track.whitener.changes
    distinct, which = np.unique([change.utc_s for change in changes], return_inverse=True)
    kinks = np.stack([np.maximum(at - track.whitener.utc_s, 0.0) for at in distinct], axis=1)
    columns = np.concatenate([track.columns(base, slopes), kinks], axis=1)
    white, _ = track.whitener.white(kind, columns)
    kink = white[:, -len(distinct) :]
    own = (
        white[:, 2 : -len(distinct)].reshape(len(white), -1, 2).transpose(2, 0, 1).reshape(2 * len(white), -1)
    )
    picture = _unrolled(white[:, :2]) @ np.array([np.cos(roll_rad), np.sin(roll_rad)])
    slope = own[:, 1:]
    normal = slope.T @ slope + prior.precision[0]
    turn = np.array([np.cos(roll_rad), np.sin(roll_rad), 1.0])
    mean = np.linalg.solve(normal, slope.T @ (picture - own[:, 0]) + turn @ prior.pull[0])
    left = (picture - own[:, 0] - slope @ mean).reshape(2, -1)
    pull = kink.T @ left.T  # (distinct, 2)
    halves = np.stack([kink.T @ half for half in np.split(slope, 2)], axis=1)  # (distinct, 2, p)
    gain = -halves @ np.linalg.solve(normal, np.swapaxes(halves, 1, 2))
    gain = gain + (kink**2).sum(axis=0)[:, None, None] * np.eye(2)
    power = np.array([change.slope_arcsec_s**2 for change in changes])
    gain, pull = gain[which], pull[which]
    explained = (
        pull * np.linalg.solve(gain + np.eye(2) / power[:, None, None], pull[..., None])[..., 0]
    ).sum(axis=1)
    spread = np.linalg.slogdet(np.eye(2) + power[:, None, None] * gain)[1]
    return np.asarray(0.5 * explained - 0.5 * spread + [change.log_prior for change in changes])


def roll_grid(solved: Solved, centre_rad: Array, half_width_rad: Array) -> tuple[Array, Array]:
    """Return rolls (c, m, g) that cover the posterior in cells about centres (m,), and their log weights.

    Even over the cell; where the posterior is much narrower than that, fine about its top.
    """
    # The same for every kind: worked out once.
    even = (centre_rad[:, None] + half_width_rad[:, None] * _EVEN)[None]
    log = solved.log_density(even)
    top = np.take_along_axis(even, log.argmax(axis=2)[..., None], axis=2)
    width = half_width_rad[None, :, None]
    step = np.array([-1e-3, 0.0, 1e-3])
    bend = np.zeros_like(top)
    for _ in range(3):
        near = solved.log_density(top + step)
        bend = -(near[..., :1] - 2 * near[..., 1:2] + near[..., 2:]) / 1e-6
        slope = (near[..., 2:] - near[..., :1]) / 2e-3
        top = top + np.clip(slope / np.maximum(bend, 1.0), -width / 8, width / 8)
    sigma = 1 / np.sqrt(np.maximum(bend, 1e-6))
    centre = centre_rad[None, :, None]
    narrow = (bend > 0) & (5 * sigma < width) & (np.abs(top - centre) < width)
    rolls = np.where(narrow, top + sigma * _FINE, even)
    cell = np.where(narrow, sigma * (_FINE[1] - _FINE[0]), width * (_EVEN[1] - _EVEN[0]))
    # What lies beyond the cell is the neighbour's to count.
    share = np.where(np.abs(rolls - centre) <= width, 0.0, -np.inf)
    return rolls, solved.log_density(rolls) + np.log(cell) + share
