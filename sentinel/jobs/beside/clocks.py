"""By how much the clocks of two cameras at one place differ, as the low sun tells it. Pure.

The air flattens the disc the more the lower the sun stands: near the horizon within seconds by more than is
measured. Both cameras look through the same air, so what it does to the one at a moment it does to the other,
whatever it is; lens and sensor have ovals of their own, which stay with them. The place in the picture does
not tell: a clock that is off by some seconds and a camera pointed 15" aside for each of them draw one way.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares

from sentinel.chain.forecast.ovals import oval_and_place
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.sky import Sun, flattening
from sentinel.sky.arrays import Array

Complex = NDArray[np.complex128]

LOW_DEG = 10.0
"""Higher up the disc is flattened so evenly that a lens's own oval would pass for minutes."""
PASS_S = 3600.0
"""After a longer pause the air is another."""
FEWEST = 15
"""Pictures of each camera in one pass."""
STEP_S = 30.0
APART_KM, KM_DEG = 30.0, 1 / 111.2
"""Farther apart they look through other air; what a kilometre is on the Earth."""
TOLD_S = 2.0
"""1-sigma: with more doubt nothing is said of the clocks."""
_FLOOR = 5e-5
"""Of the radius: how far off an oval may be beside its own doubt."""
_CLOCK_S = 120.0
"""What a clock may be off."""
_AIR = np.array([0.2, 0.2, 0.1, 0.1])
"""Share by which the air may flatten otherwise than reckoned, and by how much that may change over a pass, as
powers of time."""
_TURNED, _OVAL, _GROWING = 0.05, 1e-3, 2e-3
"""How far up may be off, in radians of twice the angle; a lens's own oval, and what a corner has more."""


@dataclass(frozen=True, slots=True)
class ClockDifference:
    """By how much the first camera's clock is ahead of the other's, 1-sigma; NaN: not known."""

    ahead_s: float = nan
    sigma_s: float = inf
    pictures: int = 0
    km_s: float = nan
    """For how many seconds a kilometre passes that one of the places is wrong by."""

    @property
    def told(self) -> bool:
        """Whether it is known well enough to be said."""
        return self.sigma_s <= TOLD_S


@dataclass(frozen=True, slots=True)
class LowSunSeries:
    """A camera's pictures of a low sun, in order of exposure."""

    utc_s: Array
    """By the camera's own clock."""
    oval: Complex
    """In radii, turned so that the zenith is up: the air's part is positive."""
    sigma: Array
    turn: Complex
    """What turns an oval that stays with the sensor alike."""
    place: Complex
    """Of the disc, squared, the corner's being 1 in size; turned alike."""
    begin_s: float
    """From when the two below count their time: clocks are moved by less than a float tells of a date."""
    altitude_deg: CubicSpline
    squash: CubicSpline
    """What the air's oval is reckoned to be."""

    def within(self, begin_s: float, end_s: float) -> "LowSunSeries":
        """Return the pictures of a time."""
        some = (self.utc_s >= begin_s) & (self.utc_s <= end_s)
        names = ("utc_s", "oval", "sigma", "turn", "place")
        return replace(self, **{name: getattr(self, name)[some] for name in names})


def low_sun(frames: Sequence[MeasuredFrame], zenith_deg: Array, site: Site, sun: Sun) -> LowSunSeries | None:
    """Return the pictures of a session that tell of the sun's height; None: there are none.

    `zenith_deg`: where the zenith is in each, clockwise from up.
    """
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    told = np.array([frame.disc.found and 0 < frame.disc.oval_sigma_px < np.inf for frame in frames])
    low = np.flatnonzero(told & (np.atleast_1d(sun.altaz_deg(times)[0]) < LOW_DEG))
    if len(low) < FEWEST:
        return None
    kept = [frames[k] for k in low.tolist()]
    discs = [frame.disc for frame in kept]
    radius = np.array([disc.radius_px for disc in discs])
    oval, place = np.array([oval_and_place(one) for one in kept]).T
    turn = np.exp(-2j * np.radians(zenith_deg[low]))
    sigma = np.hypot(np.array([disc.oval_sigma_px for disc in discs]) / radius, _FLOOR)
    begin_s = float(times[low[0]])
    grid_s = np.arange(-10 * STEP_S, times[low[-1]] - begin_s + 11 * STEP_S, STEP_S)
    altitude_deg = np.atleast_1d(sun.altaz_deg(begin_s + grid_s)[0])
    squash = (1 - flattening(np.maximum(altitude_deg, 0.0), site.pressure_hpa, site.temperature_c)) / 2
    return LowSunSeries(
        times[low], oval * turn, sigma, turn, place * turn,
        begin_s, CubicSpline(grid_s, altitude_deg), CubicSpline(grid_s, squash),
    )  # fmt: skip


def clock_difference(one: LowSunSeries | None, other: LowSunSeries | None) -> ClockDifference:
    """Return by how much two clocks differ: the mean over all times at which the sun was low for both."""
    if one is None or other is None:
        return ClockDifference()
    every = np.union1d(one.utc_s, other.utc_s)
    breaks = np.flatnonzero(np.diff(every) > PASS_S)
    begins, ends = np.r_[every[0], every[breaks + 1]], np.r_[every[breaks], every[-1]]
    passes = [_overlap(one, other, begin, end) for begin, end in zip(begins, ends, strict=True)]
    told = [_of_a_pass(*both) for both in passes if min(len(side.utc_s) for side in both) >= FEWEST]
    if not told:
        return ClockDifference()
    weight = np.array([single.sigma_s**-2 for single in told])
    ahead = np.array([single.ahead_s for single in told])
    mean_s = float((weight * ahead).sum() / weight.sum())
    # Where passes contradict each other, none of them is as sure as it thinks.
    excess = float((weight * (ahead - mean_s) ** 2).sum()) / max(len(told) - 1, 1)
    sigma_s = sqrt(max(excess, 1.0) / float(weight.sum()))
    rate = np.abs(one.altitude_deg(one.utc_s - one.begin_s, 1))
    return ClockDifference(
        mean_s, sigma_s, sum(single.pictures for single in told), KM_DEG / max(float(np.median(rate)), 1e-9)
    )


def _overlap(
    one: LowSunSeries, other: LowSunSeries, begin_s: float, end_s: float
) -> tuple[LowSunSeries, LowSunSeries]:
    """Return both in the part of a pass that both saw."""
    both = one.within(begin_s, end_s), other.within(begin_s, end_s)
    if not all(len(side.utc_s) for side in both):
        return both
    begin_s, end_s = max(side.utc_s[0] for side in both), min(side.utc_s[-1] for side in both)
    return both[0].within(begin_s, end_s), both[1].within(begin_s, end_s)


def _of_a_pass(one: LowSunSeries, other: LowSunSeries) -> ClockDifference:
    """Fit one air and two lenses: unknown are the clocks, what the air does, and what each lens does."""
    sides = (one, other)
    middle_s, half_s = float(np.mean(one.utc_s)), max(float(np.ptp(one.utc_s)) / 2, 1.0)
    # In its own doubt, each unknown is a number about 0.
    scale = np.concatenate([[_CLOCK_S] * 2, _AIR, [_TURNED, *[_OVAL] * 2, *[_GROWING] * 2] * 2])

    def off(unknowns: Array) -> Array:
        ahead_s, air, lenses = np.split(unknowns * scale, [2, 2 + len(_AIR)])
        rows = [unknowns]
        for side, lens, own_s in zip(sides, lenses.reshape(2, 5), ahead_s, strict=True):
            true_s = side.utc_s - side.begin_s - own_s
            part = (true_s + side.begin_s - middle_s) / half_s
            of_air = side.squash(true_s) * np.exp(np.polynomial.polynomial.polyval(part, air))
            of_lens = complex(*lens[1:3]) * side.turn + complex(*lens[3:5]) * side.place
            left = (side.oval - of_air * (1 + 1j * lens[0]) - of_lens) / side.sigma
            rows += [left.real, left.imag]
        return np.concatenate(rows)

    found = least_squares(off, np.zeros(len(scale)))
    pictures = sum(len(side.utc_s) for side in sides)
    between = np.zeros(len(scale))
    between[:2] = _CLOCK_S, -_CLOCK_S
    variance = float(between @ np.linalg.solve(found.jac.T @ found.jac, between))
    left = found.fun[len(scale) :]
    # Scatter above what the ovals' sigmas say, and errors that stay alike from picture to picture.
    excess = max(float(left @ left) / max(2 * pictures - len(scale), 1), 1.0)
    alike = min(max(float(left[1:] @ left[:-1]) / float(left @ left), 0.0), 0.9)
    return ClockDifference(
        float(between @ found.x), sqrt(variance * excess * (1 + alike) / (1 - alike)), pictures
    )


def apart_km(one: Site, other: Site) -> float:
    """Return how far two places are from each other, on a round Earth."""
    here, there = (np.radians([site.latitude_deg, site.longitude_deg]) for site in (one, other))
    half = np.sin((here - there) / 2) ** 2
    share = float(half[0] + np.cos(here[0]) * np.cos(there[0]) * half[1])
    return float(np.degrees(2 * np.arcsin(np.sqrt(share)))) / KM_DEG
