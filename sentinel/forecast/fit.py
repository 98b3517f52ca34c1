"""Fit of the mount to its track, in closed form for every kind of flexure and every roll.

For a given kind of flexure and a given roll the unknowns enter linearly and their posterior is a Gaussian;
so is the evidence, which in the roll is a polynomial of sines of order two. Flexure and roll are therefore
summed over a grid exactly, with no search that could stick in a wrong roll: in the first hours several
rolls explain a track, and a forecast must know all of them. Everything is done for m linearisations and c
kinds of flexure at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.special import i0e

from sentinel.forecast.geometry import Indices, Points
from sentinel.forecast.noise import FLEXURES
from sentinel.sky.arrays import Array

POSE_SIGMA_DEG = 3.0
_ANY_ROLL = 0.3
_USUAL_ROLLS = ((0.0, 0.42), (np.pi / 2, 0.08), (np.pi, 0.12), (-np.pi / 2, 0.08))
_ROLL_SHARPNESS = 6.0
_ROLL_NORM = 2 * np.pi * float(i0e(_ROLL_SHARPNESS))
_GRID = 32
_FINE = np.linspace(-4.5, 4.5, _GRID)
_EVEN = (2 * np.arange(_GRID) + 1) / _GRID - 1


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of axis and rate before the track: Gaussian about true pole and nominal rate."""

    azimuth_sigma_deg: float = 0.9
    altitude_sigma_deg: float = 0.8
    rate_sigma: float = 1.5
    """In units of 1e-4."""

    def precision(self, stretches: int, worm: Sequence[float] = ()) -> Array:
        """Return the diagonal of the prior's inverse covariance, (unknowns,).

        The worm's columns, of the given 1-sigma, stand between the common unknowns and the poses.
        """
        common = [self.azimuth_sigma_deg, self.altitude_sigma_deg, self.rate_sigma, 1.0]
        return np.array([*common, *worm, *[POSE_SIGMA_DEG] * (2 * stretches)]) ** -2.0


class Whitener:
    """Takes the noise out of columns: n bins, of known variance and age, under any kind of flexure."""

    def __init__(self, utc_s: Array, variance: Array, now_s: float) -> None:
        self._lag = utc_s[:, None] - utc_s[None, :]
        self._ages = now_s - utc_s
        self._variance = np.diag(variance)
        self._wander = wander_covariance(self._ages)
        self._roots: dict[int, Array] = {}

    def root(self, kind: int) -> Array:
        """Return the lower Cholesky root (n, n) of the covariance under a kind of flexure."""
        if kind not in self._roots:
            flexure = FLEXURES[kind]
            covariance = flexure.covariance(self._lag) + self._variance + flexure.wander * self._wander
            self._roots[kind] = cholesky(covariance, lower=True, overwrite_a=True, check_finite=False)
        return self._roots[kind]

    def white(self, kind: int, columns: Array) -> tuple[Array, Array]:
        """Return whitened columns (n, q) and the whitened covariance of value and slope now (n, 2)."""
        flexure = FLEXURES[kind]
        now = np.stack([flexure.covariance(self._ages), flexure.slope_covariance(self._ages)], axis=1)
        both = solve_triangular(
            self.root(kind), np.concatenate([columns, now], axis=1), lower=True, check_finite=False
        )
        return both[:, :-2], both[:, -2:]


@dataclass(frozen=True, slots=True)
class Solved:
    """Posteriors under c kinds of flexure at m points: Gaussian in the p unknowns given the roll."""

    kinds: Indices
    """(c,) index into `FLEXURES`"""
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
        chi2 = c * (c * wave[:, :, 0, 0] + 2 * s * wave[:, :, 0, 1] + 2 * wave[:, :, 0, 2])
        chi2 = chi2 + s * (s * wave[:, :, 1, 1] + 2 * wave[:, :, 1, 2]) + wave[:, :, 2, 2]
        return np.asarray(self.log_norm[:, :, None] - 0.5 * chi2 + log_roll_prior(roll_rad))

    def means(self, c: Indices, m: Indices, roll_rad: Array, normals: Array) -> Array:
        """Return unknowns (d, p) for picks of kind, point and roll (d,), off the mean by normals (d, p)."""
        terms = self.terms[c, m]
        right = (
            np.cos(roll_rad)[:, None] * terms[:, 0] + np.sin(roll_rad)[:, None] * terms[:, 1] + terms[:, 2]
        )
        inverse = self.root_inverse[c, m]
        half = np.einsum("dij,dj->di", inverse, right) + normals
        return np.asarray(np.einsum("dji,dj->di", inverse, half))


class Track:
    """What was seen: n bins in picture arcseconds from the lens axis, and what noise they carry."""

    def __init__(self, xy_arcsec: Array, whitener: Whitener) -> None:
        self.xy_arcsec = xy_arcsec
        self.whitener = whitener

    def solve(
        self, points: Points, base: Array, slopes: Array, precision: Array, kinds: Sequence[int]
    ) -> Solved:
        """Return the posteriors at points, the track linearised there as `Geometry.linear` gives it."""
        m, n, _, p = slopes.shape
        # Columns: x, y of the picture; then by point u, v of the track and of each slope.
        own = np.concatenate([base[..., None], slopes], axis=3).transpose(1, 0, 3, 2).reshape(n, -1)
        columns = np.concatenate([self.xy_arcsec, own], axis=1)
        offset = np.zeros((m, p))
        offset[:, :3] = -np.stack([points.azimuth_deg, points.altitude_deg, points.rate], axis=1)
        parts = [self._solve_kind(kind, columns, precision, offset) for kind in kinds]
        gathered = [np.stack(part) for part in zip(*parts, strict=True)]
        return Solved(np.array(kinds, dtype=np.intp), *gathered)

    def _solve_kind(self, kind: int, columns: Array, precision: Array, offset: Array) -> tuple[Array, ...]:
        m, p = offset.shape
        white, now = self.whitener.white(kind, columns)
        data = white[:, :2]
        own = white[:, 2:].reshape(len(white), m, 1 + p, 2)
        stacked = own.transpose(1, 3, 0, 2).reshape(m, -1, 1 + p)  # (m, 2 n, 1 + p)
        turned = np.stack(
            [
                np.concatenate([data[:, 0], data[:, 1]]),
                np.concatenate([-data[:, 1], data[:, 0]]),
            ],
            axis=1,
        )  # the picture unrolled by 0 and by 90 degrees, (2 n, 2)
        product = np.swapaxes(stacked, 1, 2) @ stacked  # (m, 1 + p, 1 + p)
        cross = np.swapaxes(stacked, 1, 2) @ turned  # (m, 1 + p, 2)
        normal = product[:, 1:, 1:] + np.diag(precision)
        root = np.linalg.cholesky(normal)
        inverse = np.linalg.inv(root)
        terms = np.stack(
            [cross[:, 1:, 0], cross[:, 1:, 1], precision * offset - product[:, 1:, 0]], axis=1
        )  # (m, 3, p)
        half = terms @ np.swapaxes(inverse, 1, 2)
        wave = -half @ np.swapaxes(half, 1, 2)
        power = (data * data).sum()
        wave[:, 0, 0] += power
        wave[:, 1, 1] += power
        for side in (0, 1):
            wave[:, side, 2] -= cross[:, 0, side]
            wave[:, 2, side] -= cross[:, 0, side]
        wave[:, 2, 2] += product[:, 0, 0] + (offset**2) @ precision
        flexure = FLEXURES[kind]
        log_norm = (
            np.log(flexure.prior)
            - 2 * np.log(np.diag(self.whitener.root(kind))).sum()
            - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
            + 0.5 * np.log(precision).sum()
        )
        weights = (now.T @ white[:, 2:]).reshape(2, m, -1).transpose(1, 0, 2)
        state = np.concatenate([np.broadcast_to(now.T @ data, (m, 2, 2)), weights], axis=2)
        covariance = flexure.state_covariance() - now.T @ now
        return inverse, terms, wave, log_norm, state, _root_2(covariance)


def _root_2(covariance: Array) -> Array:
    """Return the lower root of a (2, 2) covariance that may be singular."""
    first = np.sqrt(max(covariance[0, 0], 0.0))
    link = covariance[0, 1] / first if first > 0 else 0.0
    return np.array([[first, 0.0], [link, np.sqrt(max(covariance[1, 1] - link**2, 0.0))]])


def wander_covariance(ages_s: Array) -> Array:
    """Return the covariance (n, n) of how the past track differs from what today's axis would have drawn.

    An integrated random walk of unit power, anchored at now in value and slope: this is what forgets old arc.
    """
    a = np.maximum(ages_s, 0.0)
    less, more = np.minimum(a[:, None], a[None, :]), np.maximum(a[:, None], a[None, :])
    return np.asarray(less**2 * (3 * more - less) / 6)


def roll_grid(solved: Solved, centre_rad: Array, half_width_rad: Array) -> tuple[Array, Array]:
    """Return rolls (c, m, g) that cover the posterior in cells about centres (m,), and their log weights.

    Even over the cell; where the posterior is much narrower than that, fine about its top.
    """
    even = np.broadcast_to(
        (centre_rad[:, None] + half_width_rad[:, None] * _EVEN)[None],
        (len(solved.kinds), len(centre_rad), _GRID),
    )
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


def log_roll_prior(roll_rad: Array) -> Array:
    """Return the log density of rolls before the track is seen.

    A track alone hardly tells a roll from the opposite one with the opposite axis error: to first order
    they draw the same line, and only refraction and the sun's own motion part them. So what is usual
    counts, weakly: cameras stand level or on their side, seldom upside down, and anything is possible.
    """
    density = np.full_like(roll_rad, _ANY_ROLL / (2 * np.pi))
    for turn, share in _USUAL_ROLLS:
        density += share * np.exp(_ROLL_SHARPNESS * (np.cos(roll_rad - turn) - 1)) / _ROLL_NORM
    return np.asarray(np.log(density))
