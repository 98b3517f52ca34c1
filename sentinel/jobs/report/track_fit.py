"""The whole track against one mount: what is left over when six numbers and the sky have explained it.

This is the reverse of a forecast. A forecast knows only what came before it; here all of the session is
fitted at once, with the same geometry, to ask how well the sun's computed path explains where the disc was
seen.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from scipy.optimize import least_squares

from sentinel.chain.forecast.fit import RATE_SIGMA, TILT_SIGMA_DEG, level_of
from sentinel.chain.forecast.geometry import NO_SLOW_CHANGE, RATE_UNIT, Geometry, Points, rolled
from sentinel.core.records import Forecast, Mark
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.jobs.report.record import Columns
from sentinel.sky import Optics, Sun, rate_arcsec_s
from sentinel.sky.arrays import Array, Bools, Indices

BINS = 600
"""The fit works on so many means at most; the residuals are those of every disc."""
SHORTEST_BIN_S = 300.0
ROUNDS = 4
"""In each, how far off the means usually lie is told anew."""
ALIKE_S = 4500.0
"""Flexure keeps means alike for about so long: together they tell no more than one of them."""
JOIN_GAP_S = 600.0
JOINED_BY = 30
"""Discs of a stretch that tell whether it goes on with the pointing of the one before."""
SHORTEST = 5
"""Discs of a stretch."""
JOIN_ARCSEC = 150.0
"""Less than a tenth of a sun-width: nobody puts a disc back so exactly."""
COVERAGE = 0.08
LOWEST_DEG = -1.0
ASIDE_ARCSEC = 60.0
"""And in the place of a stretch."""
SIZES = np.array([0.5, 0.5, 1.5, 0.3])
"""How far the fit goes at first in the mount's unknowns, as in `STEPS`."""
STEPS = np.array([1e-3, 1e-3, 0.1, 1e-3])
"""By which slopes are taken: azimuth and altitude error (deg), rate (1e-4), roll (rad)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedMount:
    """One mount's part of the session: everything until the axis was set anew."""

    points: Points
    numbers: tuple[int, ...]
    """Of the stretches that it has poses for."""
    discs: Indices
    """Which of the discs it was fitted to, ascending."""
    residual_arcsec: Array
    """(discs, 2) seen less computed."""

    @property
    def azimuth_error_deg(self) -> float:
        """Of its axis."""
        return float(self.points.azimuth_deg[0])

    @property
    def altitude_error_deg(self) -> float:
        """Of its axis."""
        return float(self.points.altitude_deg[0])

    @property
    def rate_ratio(self) -> float:
        """Of its drive, over the mean solar rate."""
        return float(self.points.base_arcsec_s[0] * (1 + RATE_UNIT * self.points.rate[0])) / rate_arcsec_s(
            "solar"
        )

    @property
    def roll_deg(self) -> float:
        """Of the camera on it."""
        return float(np.degrees(self.points.roll_rad[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How far the discs lie from their computed places, arcsec."""

    discs: int
    left_out: int
    """Seen, and not compared."""
    median: float
    within: float
    """95 % of them."""
    across: float
    """Root mean square about the mean; the same up and down."""
    down: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackFit:
    """The discs of a session beside the computed track, both (n,) over all frames."""

    stretch: Indices
    """-1: no disc, or one that moved as no mount that follows lets it."""
    residual_px: Array
    """(n, 2) measured less computed; NaN where there is no stretch."""
    scale_arcsec_px: float
    mounts: tuple[FittedMount, ...]

    @property
    def off_arcsec(self) -> Array:
        """Distance from the computed place, (n,)."""
        return np.asarray(np.hypot(self.residual_px[:, 0], self.residual_px[:, 1]) * self.scale_arcsec_px)

    @property
    def used(self) -> Bools:
        """Which frames the comparison stands on."""
        return np.isfinite(self.residual_px[:, 0])

    def spread(self, found: Bools) -> Spread | None:
        """Return how far the discs that were found lie from their places; None: none was compared."""
        off, xy = self.off_arcsec[self.used], self.residual_px[self.used] * self.scale_arcsec_px
        if not off.size:
            return None
        across, down = xy.std(axis=0)
        return Spread(
            discs=len(off),
            left_out=int((found & ~self.used).sum()),
            median=float(np.median(off)),
            within=float(np.quantile(off, 0.95)),
            across=float(across),
            down=float(down),
        )

    @property
    def parts(self) -> int:
        """How many stretches have poses."""
        return sum(len(mount.numbers) for mount in self.mounts)

    @property
    def unknowns(self) -> int:
        """How many numbers were fitted."""
        return len(STEPS) * len(self.mounts) + 2 * self.parts


def scale_of(columns: Columns, nominal: float) -> float:
    """Return arcseconds a pixel by the disc's size, where one was seen whole; else by lens and sensor."""
    good = columns.whole & (columns.coverage > 0.5)
    if not good.any():
        return nominal
    return float(np.median(columns.sun_radius_arcsec[good] / columns.radius_px[good]))


def fit_track(
    columns: Columns,
    optics: Optics,
    settings: Settings,
    sun: Sun,
    *,
    parts: Sequence[int],
    forecasts: Sequence[Forecast],
    marks: Sequence[Mark],
) -> TrackFit:
    """Fit the session's track.

    `parts`: the part of the track that each frame belongs to, as `chain.track.parts_of` gives them.
    `marks`: those `realigned` divide one mount from the next.
    """
    scale, middle_px = scale_of(columns, optics.scale_arcsec_px), optics.middle_px
    usable = columns.found & (columns.coverage >= COVERAGE) & (columns.altitude_deg > LOWEST_DEG)
    # A camera that stands still sees the sun leave; what lies frames away is no measurement.
    usable &= np.abs(columns.x_px - middle_px[0]) < 4 * middle_px[0] + 1
    usable &= np.abs(columns.y_px - middle_px[1]) < 4 * middle_px[1] + 1
    at = np.flatnonzero(usable)
    track = _Track(
        utc_s=columns.utc_s[at],
        xy_arcsec=(np.stack([columns.x_px, columns.y_px], axis=1)[at] - np.array(middle_px)) * scale,
        settings=settings,
        geometry=Geometry(settings.site, sun),
        forecasts=forecasts,
        realigned_s=[utc_s(mark.time_utc) for mark in marks if mark.kind == "realigned"],
    )
    number = np.array(parts, dtype=np.intp)[at]
    mounts = track.mounts(number)
    moved_s = [utc_s(m.time_utc) for m in marks if m.kind in ("recentred", "unwound", "realigned")]
    settled = _without_short(track.joined(number, mounts, moved_s))
    if (settled != number).any():
        mounts = track.mounts(settled)
    residual = np.full((len(columns), 2), np.nan)
    stretch = np.full(len(columns), -1, dtype=np.intp)
    stretch[at] = settled
    for one in mounts:
        residual[at[one.discs]] = one.residual_arcsec / scale
    return TrackFit(stretch=stretch, residual_px=residual, scale_arcsec_px=scale, mounts=tuple(mounts))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Track:
    """The discs (n,) of a session, and what is known of the mount besides."""

    utc_s: Array
    xy_arcsec: Array
    """(n, 2) right and down of the frame's middle."""
    settings: Settings
    geometry: Geometry
    forecasts: Sequence[Forecast]
    realigned_s: Sequence[float]

    def mounts(self, number: Indices) -> list[FittedMount]:
        """Return the mounts between the marks `realigned`, each fitted to its discs in stretches (n,)."""
        found = []
        for begin_s, end_s in pairwise([-np.inf, *self.realigned_s, np.inf]):
            own = np.flatnonzero((number >= 0) & (self.utc_s >= begin_s) & (self.utc_s < end_s))
            if own.size < 3:
                continue
            ids, stretch = np.unique(number[own], return_inverse=True)
            utc_s, xy_arcsec = self.utc_s[own], self.xy_arcsec[own]
            means = _Means(self.geometry, utc_s, xy_arcsec, stretch)
            fits = map(means.fitted, self._guesses(begin_s, end_s))
            points = min(fits, key=lambda one: one[0])[1]
            off = xy_arcsec - track_arcsec(self.geometry, points, utc_s, stretch)
            if np.isfinite(off).all():
                numbers = tuple(ids.tolist())
                found.append(FittedMount(points=points, numbers=numbers, discs=own, residual_arcsec=off))
        return found

    def _guesses(self, begin_s: float, end_s: float) -> list[Points]:
        """Return where the forecast that knew most had the mount; or perfect ones of any roll."""
        known = ((f.mount, f.time_utc) for f in self.forecasts if begin_s <= utc_s(f.time_utc) < end_s)
        followed = [(m, at) for m, at in known if m is not None and m.departed_utc is None]
        if not followed:
            rate = rate_arcsec_s(self.settings.mount.tracking)
            return [_unposed(rate, 0.0, 0.0, roll) for roll in range(0, 360, 90)]
        mount, _ = max(followed, key=lambda one: (one[0].arc_h, one[1]))
        axis = (mount.axis.azimuth_error_deg, mount.axis.altitude_error_deg) if mount.axis else (0.0, 0.0)
        return [_unposed(mount.rate_ratio * rate_arcsec_s("solar"), *axis, mount.roll_deg)]

    def joined(self, number: Indices, mounts: Sequence[FittedMount], moved_s: Sequence[float]) -> Indices:
        """Return the stretches (n,) with those made one that the same pointing explains.

        Over a night or a long cloud a disc drifts so far that only the fitted mount can tell if it was
        touched.
        """
        first = np.arange(number.max(initial=-1) + 1)
        for one in mounts:
            stretches = [one.discs[number[one.discs] == own] for own in one.numbers]
            for k, (before, after) in enumerate(pairwise(stretches)):
                end, begin = self.utc_s[before[-1]], self.utc_s[after[0]]
                untouched = begin - end > JOIN_GAP_S and not any(end < at < begin for at in moved_s)
                if untouched and self._off_by(one.points, k, after[:JOINED_BY]) < JOIN_ARCSEC:
                    first[one.numbers[k + 1]] = first[one.numbers[k]]
        return _renumbered(np.where(number >= 0, first[number], -1) if first.size else number)

    def _off_by(self, points: Points, pose: int, some: Indices) -> float:
        """Return how far off some discs lie, arcsec, by one of a mount's poses."""
        computed = track_arcsec(self.geometry, points, self.utc_s[some], np.full(len(some), pose, np.intp))
        return float(np.hypot(*np.median(self.xy_arcsec[some] - computed, axis=0)))


def _without_short(number: Indices) -> Indices:
    """Return the stretches without those too short to tell anything of the mount, unless all are."""
    counts = np.bincount(number[number >= 0])
    if not (counts >= SHORTEST).any():
        return number
    return _renumbered(np.where((number >= 0) & (counts[number] >= SHORTEST), number, -1))


def _renumbered(number: Indices) -> Indices:
    """Return the numbers counted from 0, without gaps; -1 stays."""
    used, again = np.unique(number, return_inverse=True)
    return np.asarray(again.ravel() - (1 if used.size and used[0] < 0 else 0), dtype=np.intp)


def _unposed(rate: float, azimuth_deg: float, altitude_deg: float, roll_deg: float) -> Points:
    base, azimuth, altitude, none_off = (np.array([one]) for one in (rate, azimuth_deg, altitude_deg, 0.0))
    none = np.zeros((1, 0))
    return Points(
        base, azimuth, altitude, none_off, np.radians([roll_deg]), none[0], none, none, NO_SLOW_CHANGE
    )


class _Means:
    """What a mount is fitted to: means over a few minutes of discs (n,) in stretches counted from 0."""

    def __init__(self, geometry: Geometry, utc_s: Array, xy_arcsec: Array, stretch: Indices) -> None:
        self.geometry = geometry
        bin_s = max(SHORTEST_BIN_S, float(np.ptp(utc_s)) / BINS)
        _, which, count = np.unique(
            np.stack([stretch, utc_s // bin_s], axis=1), axis=0, return_inverse=True, return_counts=True
        )
        columns = [utc_s, *xy_arcsec.T, stretch]
        self.utc_s, x, y, own = (np.bincount(which.ravel(), weights=one) / count for one in columns)
        self.xy_arcsec, self.stretch = np.stack([x, y], axis=1), np.rint(own).astype(np.intp)
        self.direction = geometry.aims(self.utc_s, float(self.utc_s[-1])).direction
        parts = [np.flatnonzero(self.stretch == k) for k in range(stretch.max() + 1)]
        self.middles = np.array([part[len(part) // 2] for part in parts])
        # About what a forecast had found, as loose as a forecast begins.
        loose = np.array([TILT_SIGMA_DEG / level_of(geometry.latitude_deg), TILT_SIGMA_DEG, RATE_SIGMA])
        self.loose = loose * np.sqrt(min(bin_s / ALIKE_S, 1.0))

    def fitted(self, guess: Points) -> tuple[float, Points]:
        """Return how far off the means lie, arcsec, and the mount for which that is least, from a guess on.

        Unknown are the mount's own four, and how far aside of its middle each stretch is seen, arcsec.
        """
        common = [guess.azimuth_deg, guess.altitude_deg, guess.rate, guess.roll_rad]
        best = start = np.concatenate([*common, np.zeros(2 * len(self.middles))])
        sizes = np.concatenate([SIZES, np.full(2 * len(self.middles), ASIDE_ARCSEC)])
        for turn in range(ROUNDS):
            usual = max(2 * float(np.median(self._away(guess, best))), 1.0)
            if not np.isfinite(usual):
                break

            def off(unknowns: Array, usual: float = usual) -> Array:
                held = usual * (unknowns - start)[:3] / self.loose
                return np.concatenate([self._off(guess, unknowns).ravel(), held])

            best = least_squares(
                off,
                best,
                partial(self._slopes, off, turn > 0),
                loss=_robust,
                f_scale=usual,
                x_scale=sizes,
                ftol=1e-4,
            ).x
        points, away = self._mount(guess, best), float(self._away(guess, best).mean())
        turned = np.angle(np.exp(1j * points.roll_rad))
        return away if np.isfinite(away) else np.inf, replace(points, roll_rad=turned)

    def _mount(self, guess: Points, unknowns: Array) -> Points:
        azimuth, altitude, rate, roll = unknowns[: len(STEPS), None]
        points = replace(guess, azimuth_deg=azimuth, altitude_deg=altitude, rate=rate, roll_rad=roll)
        at, seen = (
            self.utc_s[self.middles],
            self.xy_arcsec[self.middles] + unknowns[len(STEPS) :].reshape(-1, 2),
        )
        each = points.taken(np.zeros(len(at), dtype=np.intp))
        along, poleward = self.geometry.poses_for(at[:, None], seen.T, each)
        return replace(points, reference_s=at, along_deg=along[None], poleward_deg=poleward[None])

    def _off(self, guess: Points, unknowns: Array) -> Array:
        """Return seen less computed (means, 2)."""
        points = self._mount(guess, unknowns)
        return self.xy_arcsec - _seen(self.geometry, points, self.direction, self.utc_s, self.stretch)

    def _away(self, guess: Points, unknowns: Array) -> Array:
        return np.asarray(np.hypot(*self._off(guess, unknowns).T))

    def _slopes(self, off: Callable[[Array], Array], rolls: bool, unknowns: Array) -> Array:
        """Return how what is off answers to each unknown, or to all but the roll."""
        here, ways = off(unknowns), np.eye(len(STEPS), len(unknowns)) * STEPS[:, None]
        own = [(off(unknowns + way) - here) / step for way, step in zip(ways, STEPS, strict=True)]
        # Before the axis is about known the track is nearly a point, which has no roll.
        own[-1] *= rolls
        # A pose that sees the disc elsewhere moves its whole stretch.
        moved = np.pad(-np.kron(np.eye(len(self.middles))[self.stretch], np.eye(2)), ((0, 3), (0, 0)))
        return np.concatenate([np.stack(own, axis=1), moved], axis=1)


def _robust(squares: Array) -> Array:
    """Return Cauchy's loss of what is seen, with its slopes; what is held beforehand counts in full."""
    free = 1 / (1 + squares)
    loss = np.stack([np.log1p(squares), free, -(free**2)])
    loss[:, -3:] = squares[-3:], np.ones(3), np.zeros(3)
    return loss


def track_arcsec(geometry: Geometry, points: Points, utc_s: Array, stretch: Indices) -> Array:
    """Return where a mount has the disc, (n, 2) arcsec right and down of the frame's middle."""
    return _seen(geometry, points, geometry.aims(utc_s, float(utc_s[-1])).direction, utc_s, stretch)


def _seen(geometry: Geometry, points: Points, direction: Array, utc_s: Array, stretch: Indices) -> Array:
    tangent = geometry.tangent(direction, utc_s, stretch, points)[0]
    return np.stack(rolled(tangent[:, 0], tangent[:, 1], float(points.roll_rad[0])), axis=1)
