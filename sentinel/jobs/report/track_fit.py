"""The whole track against one mount: what is left over when six numbers and the sky have explained it.

This is the reverse of a forecast. A forecast knows only what came before; here all of the session is fitted
at once, with the same geometry, to ask how well the sun's computed path explains where the disc was seen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sentinel.chain.forecast.fit import RATE_SIGMA, TILT_SIGMA_DEG, level_of
from sentinel.chain.forecast.geometry import COMMON, Aims, Geometry, Points, rolled
from sentinel.core.records import Forecast, Mark
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.jobs.report.record import Columns
from sentinel.sky import Sun, rate_arcsec_s
from sentinel.sky.arrays import Array, Bools, Indices

BINS = 600
"""The fit works on so many means at most; the residuals are those of every disc."""
SHORTEST_BIN_S = 300.0
ROUNDS = 25
ROUNDS_UNROLLED = 4
MOST_ROLL_RAD = 0.2
"""By so much the roll may change in a round."""
ALIKE_S = 4500.0
"""Flexure keeps means alike for about so long: together they tell no more than one of them."""
JOIN_GAP_S = 600.0
SHORTEST = 5
"""Discs of a stretch."""
JOIN_ARCSEC = 150.0
"""Less than a tenth of a sun-width: nobody puts a disc back so exactly."""
COVERAGE = 0.08
LOWEST_DEG = -1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedMount:
    """One mount's part of the session: everything until the axis was set anew."""

    points: Points
    numbers: tuple[int, ...]
    """Of the stretches that it has poses for."""


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


def scale_of(columns: Columns, nominal: float) -> float:
    """Return arcseconds a pixel by the disc's size, where one was seen whole; else by lens and sensor."""
    good = columns.whole & (columns.coverage > 0.5)
    if not good.any():
        return nominal
    return float(np.median(columns.sun_radius_arcsec[good] / columns.radius_px[good]))


def fit_track(
    columns: Columns,
    middle_px: tuple[float, float],
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
    scale = scale_of(columns, settings.camera.scale_arcsec_px)
    usable = columns.found & (columns.coverage >= COVERAGE) & (columns.altitude_deg > LOWEST_DEG)
    # A camera that stands still sees the sun leave; what lies frames away is no measurement.
    usable &= np.abs(columns.x_px - middle_px[0]) < 4 * middle_px[0] + 1
    usable &= np.abs(columns.y_px - middle_px[1]) < 4 * middle_px[1] + 1
    at = np.flatnonzero(usable)
    xy = (np.stack([columns.x_px, columns.y_px], axis=1)[at] - np.array(middle_px)) * scale
    moved = [utc_s(m.time_utc) for m in marks if m.kind in ("recentred", "unwound", "realigned")]
    number = np.array(parts, dtype=np.intp)[at]
    residual = np.full((len(columns), 2), np.nan)
    stretch = np.full(len(columns), -1, dtype=np.intp)
    stretch[at] = number
    fitted = _fitted(columns.utc_s[at], xy, number, settings, sun, forecasts=forecasts, marks=marks)
    settled = _without_short(_joined(number, fitted, moved))
    if (settled != number).any():
        fitted = _fitted(columns.utc_s[at], xy, settled, settings, sun, forecasts=forecasts, marks=marks)
        stretch[at] = settled
    for one in fitted:
        residual[at[one.discs]] = one.fit.residuals(one.points) / scale
    mounts = tuple(FittedMount(points=one.points, numbers=one.fit.ids) for one in fitted)
    return TrackFit(stretch=stretch, residual_px=residual, scale_arcsec_px=scale, mounts=mounts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    """A mount with what it was fitted to."""

    fit: "_Fit"
    discs: Indices
    """Which of the discs, ascending."""
    points: Points


def _fitted(
    utc_s_: Array,
    xy_arcsec: Array,
    number: Indices,
    settings: Settings,
    sun: Sun,
    *,
    forecasts: Sequence[Forecast],
    marks: Sequence[Mark],
) -> list[_Fitted]:
    """Return the mounts between the marks `realigned`, each fitted to its discs in their stretches (n,)."""
    anew = [utc_s(m.time_utc) for m in marks if m.kind == "realigned"]
    found = []
    for begin, end in pairwise([-np.inf, *anew, np.inf]):
        own = np.flatnonzero((number >= 0) & (utc_s_ >= begin) & (utc_s_ < end))
        if own.size < 3:
            continue
        fit = _Fit(utc_s_[own], xy_arcsec[own], number[own], settings, sun)
        points = fit.best(_first_guesses(forecasts, begin, end, settings, len(fit.ids)))
        if np.isfinite(fit.residuals(points)).all():
            found.append(_Fitted(fit=fit, discs=own, points=points))
    return found


def _joined(number: Indices, fitted: Sequence[_Fitted], moved_s: Sequence[float]) -> Indices:
    """Return the stretches with those made one that the same pointing explains.

    Over a night or a long cloud a disc drifts so far that only the fitted mount can tell if it was touched.
    """
    first = np.arange(number.max() + 1) if number.size else np.zeros(0, dtype=np.intp)
    for one in fitted:
        for before, after in pairwise(one.fit.ids):
            end, begin = one.fit.ends(before)[1], one.fit.ends(after)[0]
            untouched = begin - end > JOIN_GAP_S and not any(end < at < begin for at in moved_s)
            if untouched and one.fit.off_by(one.points, before, after) < JOIN_ARCSEC:
                first[after] = first[before]
    return _renumbered(np.where(number >= 0, first[number], -1) if first.size else number)


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


def _first_guesses(
    forecasts: Sequence[Forecast], begin_s: float, end_s: float, settings: Settings, stretch_count: int
) -> list[Points]:
    """Return where the forecast that knew most had the mount; or perfect ones, the camera rolled any way."""
    known = ((f.mount, f.time_utc) for f in forecasts if begin_s <= utc_s(f.time_utc) < end_s)
    followed = [(m, at) for m, at in known if m is not None and m.departed_utc is None]
    best = max(followed, key=lambda one: (one[0].arc_h, one[1]), default=None)
    if best is None:
        rate = rate_arcsec_s(settings.mount.tracking)
        return [_points(rate, 0.0, 0.0, roll, stretch_count) for roll in range(0, 360, 45)]
    mount, _ = best
    return [
        _points(
            mount.rate_ratio * rate_arcsec_s("solar"),
            mount.axis.azimuth_error_deg if mount.axis is not None else 0.0,
            mount.axis.altitude_error_deg if mount.axis is not None else 0.0,
            mount.roll_deg,
            stretch_count,
        )
    ]


def _points(rate: float, azimuth_deg: float, altitude_deg: float, roll_deg: float, count: int) -> Points:
    poses = np.zeros((1, count))
    return Points(
        base_arcsec_s=np.array([rate]),
        azimuth_deg=np.array([azimuth_deg]),
        altitude_deg=np.array([altitude_deg]),
        rate=np.zeros(1),
        roll_rad=np.radians([roll_deg]),
        reference_s=np.zeros(count),
        along_deg=poses,
        poleward_deg=poses,
    )


class _Fit:
    """Least squares, robust, over means of a few minutes."""

    def __init__(self, utc_s: Array, xy_arcsec: Array, number: Indices, settings: Settings, sun: Sun) -> None:
        self._geometry = Geometry(settings.site, sun)
        self._level = level_of(settings.site.latitude_deg)
        self._utc_s, self._xy = utc_s, xy_arcsec
        ids, self._stretch = np.unique(number, return_inverse=True)
        self.ids = tuple(int(i) for i in ids)
        self._bin()

    def _bin(self) -> None:
        span = float(self._utc_s[-1] - self._utc_s[0])
        bin_s = max(SHORTEST_BIN_S, span / BINS)
        self._share = min(bin_s / ALIKE_S, 1.0)
        slot = (self._utc_s // bin_s).astype(np.intp)
        _, inverse, count = np.unique(
            np.stack([self._stretch, slot], axis=1), axis=0, return_inverse=True, return_counts=True
        )
        inverse = inverse.ravel()

        def mean(values: Array) -> Array:
            return np.asarray(np.bincount(inverse, weights=values) / count)

        self._bin_s = mean(self._utc_s)
        self._bin_xy = np.stack([mean(self._xy[:, 0]), mean(self._xy[:, 1])], axis=1)
        self._bin_stretch = mean(self._stretch.astype(float)).astype(np.intp)
        self._aims = self._geometry.aims(self._bin_s, float(self._bin_s[-1]))

    def best(self, guesses: Sequence[Points]) -> Points:
        """Return the mount that explains the track best, searched from each first guess."""
        found = min((self._solved(self._posed(guess)) for guess in guesses), key=lambda one: one[0])[1]
        return replace(found, roll_rad=np.angle(np.exp(1j * found.roll_rad)))

    def _solved(self, points: Points) -> tuple[float, Points]:
        """Return how far off the means lie, and the mount for which that is least."""
        prior = np.zeros(COMMON + 2 * len(self.ids) + 1)
        # About what a forecast had found, as loose as a forecast begins.
        prior[:3] = np.array([TILT_SIGMA_DEG / self._level, TILT_SIGMA_DEG, RATE_SIGMA]) ** -2.0
        start = _common(points)
        best, damping = (np.inf, points), 1e-3
        for turn in range(ROUNDS):
            off, slopes = self._linear(self._aims, points)
            cost = float(np.hypot(off[:, 0], off[:, 1]).mean())
            if cost < best[0]:
                best, damping = (cost, points), max(damping / 5, 1e-9)
            weight = _weights(off) * self._share
            away = np.zeros_like(prior)
            away[:3] = _common(points) - start
            normal = np.einsum("nip,n,niq->pq", slopes, weight, slopes)
            right = np.einsum("nip,n,ni->p", slopes, weight, off) - prior * away
            # The air is left as computed, the mount as firm; a little damping keeps what the track cannot
            # tell where it was.
            normal += np.diag(prior + damping * np.diag(normal) + 1e-9)
            # Before the axis is about known the track is nearly a point, which has no roll.
            for held in (*range(3, COMMON), -1) if turn < ROUNDS_UNROLLED else range(3, COMMON):
                normal[held] = 0.0
                normal[held, held], right[held] = 1.0, 0.0
            step = np.linalg.solve(normal, right)
            step[-1] = np.clip(step[-1], -MOST_ROLL_RAD, MOST_ROLL_RAD)
            settled = np.abs(np.delete(step, 2)).max() < 1e-5 and abs(step[2]) < 1e-3
            if not np.isfinite(step).all() or (settled and turn > ROUNDS_UNROLLED):
                break
            points = points.moved(step[None, :-1], points.roll_rad + step[-1])
        return best

    def _posed(self, guess: Points) -> Points:
        """Give each stretch the pose that puts its middle where it was seen."""
        reference, along, poleward = [], [], []
        for k in range(len(self.ids)):
            own = np.flatnonzero(self._bin_stretch == k)
            middle = own[len(own) // 2]
            pose = self._geometry.poses_for(float(self._bin_s[middle]), self._bin_xy[middle], guess)
            reference.append(float(self._bin_s[middle]))
            along.append(pose[0])
            poleward.append(pose[1])
        return replace(
            guess,
            reference_s=np.array(reference),
            along_deg=np.stack(along, axis=1),
            poleward_deg=np.stack(poleward, axis=1),
        )

    def _linear(self, aims: Aims, points: Points) -> tuple[Array, Array]:
        """Return seen less computed (n, 2), and how the computed answers to each unknown, roll last."""
        base, slopes = self._geometry.linear(aims, self._bin_stretch, points)
        roll = float(points.roll_rad[0])
        x, y = rolled(base[0, :, 0], base[0, :, 1], roll)
        dx, dy = rolled(slopes[0, :, 0], slopes[0, :, 1], roll)
        slope = np.concatenate([np.stack([dx, dy], axis=1), np.stack([y, -x], axis=1)[..., None]], axis=2)
        return self._bin_xy - np.stack([x, y], axis=1), slope

    def ends(self, stretch: int) -> tuple[float, float]:
        """Return when a stretch has its first and last disc."""
        own = self._utc_s[self._stretch == self.ids.index(stretch)]
        return float(own[0]), float(own[-1])

    def off_by(self, points: Points, before: int, after: int) -> float:
        """Return how far off a stretch's first discs lie, arcsec, by the pointing of another before it."""
        own = np.flatnonzero(self._stretch == self.ids.index(after))[:30]
        as_before = np.full(len(own), self.ids.index(before), dtype=np.intp)
        off = self._xy[own] - track_arcsec(self._geometry, points, self._utc_s[own], as_before)
        return float(np.hypot(*np.median(off, axis=0)))

    def residuals(self, points: Points) -> Array:
        """Return seen less computed (n, 2), arcsec, of every disc."""
        return self._xy - track_arcsec(self._geometry, points, self._utc_s, self._stretch)


def track_arcsec(geometry: Geometry, points: Points, utc_s: Array, stretch: Indices) -> Array:
    """Return where a mount has the disc, (n, 2) arcsec right and down of the frame's middle."""
    tangent = geometry.tangent(geometry.aims(utc_s, float(utc_s[-1])).direction, utc_s, stretch, points)[0]
    x, y = rolled(tangent[:, 0], tangent[:, 1], float(points.roll_rad[0]))
    return np.stack([x, y], axis=1)


def _common(points: Points) -> Array:
    """Return azimuth and altitude error and the rate of one mount, (3,)."""
    return np.array([points.azimuth_deg[0], points.altitude_deg[0], points.rate[0]])


def _weights(off: Array) -> Array:
    """Return Cauchy's weights (n,), by how far off each mean lies and how far they usually do."""
    size = np.hypot(off[:, 0], off[:, 1])
    usual = max(float(np.median(size)) * 2.0, 1.0)
    return np.asarray(1 / (1 + (size / usual) ** 2) / usual**2)
