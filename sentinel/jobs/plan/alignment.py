"""How good the polar alignment and the drive must be: the geometry asked the other way round."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from sentinel.chain.forecast.dwell import Mounting, stays_s
from sentinel.chain.forecast.exits import Frame
from sentinel.chain.forecast.sun_path import HORIZON_H, SunPath, sun_path
from sentinel.core.settings import Settings
from sentinel.core.times import DAY_S, utc_s
from sentinel.jobs.plan.records import AlignmentNeeds, Stays, Sunlight, Tolerance, Trip
from sentinel.sky import Sun, above_line, axis_errors_deg, axis_vector, rate_arcsec_s
from sentinel.sky.arrays import Array

STAYS_H = (6.0, 12.0, 24.0, 48.0)
ERRORS_DEG = (0.1, 0.25, 0.5, 1.0)
STARTS = 12
DIRECTIONS = 16
LARGEST_DEG = 20.0
LARGEST_FRACTION = 0.3
_TRIED_DEG = np.concatenate([[0.0], np.geomspace(0.02, LARGEST_DEG, 24)])
_TRIED_FRACTION = np.concatenate([[0.0], np.geomspace(1e-4, LARGEST_FRACTION, 24)])
_HALVINGS = 6
"""Of the step between two tried errors: to half a per cent of the error."""

Shortest = Callable[[Array], Array]
"""How long a disc stays at worst, in seconds, with errors of sizes (k,)."""


def starts(settings: Settings, sun: Sun, trip: Trip) -> tuple[SunPath, ...]:
    """Return the days ahead from up to `STARTS` times with the sun up, at all times of day and over the trip.

    Time of day and day go through their values at different paces, so that no hour is tried on one day alone.
    """
    begin_s, days = utc_s(trip.from_utc), int(trip.length_s / DAY_S)
    share = (np.arange(96) + 0.5) / 96
    if days:
        day = np.floor(days * (np.arange(96) * 0.618_034 % 1.0))
        times = begin_s + DAY_S * (share + day)
    else:
        times = begin_s + trip.length_s * share
    up = times[above_line(sun, times)]
    chosen = np.unique(np.linspace(0, len(up) - 1, min(STARTS, len(up))).round().astype(int))
    return tuple(sun_path(settings, sun, float(time)) for time in up[chosen])


def alignment(
    settings: Settings, sun: Sun, trip: Trip, light: Sunlight, begun: tuple[SunPath, ...]
) -> AlignmentNeeds | None:
    """Return how good the mount must be; None: it cannot be said (no size of the frame, no sun, no room)."""
    if trip.frame_px is None or not begun or settings.mount.tracking == "none":
        return None
    frame = Frame(*trip.frame_px, settings.frames.margin_px)
    hours = _hours(light)
    tried = _tried(settings, sun, frame, hours, begun)
    axis, rate = tried.axis_deg, tried.rate
    if not tried.aligned_s.any():
        return None
    return AlignmentNeeds(
        tolerances=tuple(
            Tolerance(
                stays_h=stays_h,
                axis_worst_deg=_or_none(axis[:, i].min()),
                axis_usual_deg=_or_none(_middle(axis[:, i])),
                rate_worst_fraction=_or_none(rate[:, i].min()),
                rate_usual_fraction=_or_none(_middle(rate[:, i])),
            )
            for i, stays_h in enumerate(hours)
        ),
        stays=tuple(
            Stays(
                axis_error_deg=error_deg,
                worst_h=_hours_or_none(tried.fixed_s[:, i].min()),
                usual_h=_hours_or_none(_middle(tried.fixed_s[:, i])),
            )
            for i, error_deg in enumerate(ERRORS_DEG)
        ),
        largest_tried_deg=LARGEST_DEG,
        largest_tried_fraction=LARGEST_FRACTION,
        azimuth_ratio=float(np.cos(np.radians(settings.site.latitude_deg))),
        aligned_worst_h=_hours_or_none(tried.aligned_s.min()),
    )


@dataclass(frozen=True, slots=True)
class _Tried:
    """What came of it from each start."""

    axis_deg: Array
    """(starts, durations) the largest error with which it stays; -1: none"""
    rate: Array
    """(starts, durations) likewise, a fraction"""
    fixed_s: Array
    """(starts, errors, directions) how long it stays with `ERRORS_DEG`"""
    aligned_s: Array
    """(starts,) how long on a perfect axis"""


def _tried(
    settings: Settings, sun: Sun, frame: Frame, hours: list[float], begun: tuple[SunPath, ...]
) -> _Tried:
    axis, rate, fixed, aligned = [], [], [], []
    for ahead in begun:
        off = _off_axis(settings, sun, frame, ahead)
        axis.append(_largest(partial(_worst, off), _TRIED_DEG, hours))
        rate.append(_largest(_off_rate(settings, sun, frame, ahead), _TRIED_FRACTION, hours))
        fixed.append(off(np.array(ERRORS_DEG)))
        aligned.append(off(np.zeros(1)).min())
    return _Tried(np.array(axis), np.array(rate), np.array(fixed), np.array(aligned))


def _worst(off: Callable[[Array], Array], sizes: Array) -> Array:
    return np.asarray(off(sizes).min(axis=1))


def _hours(light: Sunlight) -> list[float]:
    """Return how long it is to stay: round numbers, and the longest stretch of sun, where it is another."""
    longest_h = min(light.longest.hours, HORIZON_H) if light.longest else 0.0
    others = [] if any(abs(longest_h - hours) < 0.5 for hours in STAYS_H) else [longest_h]
    return sorted([*STAYS_H, *(hours for hours in others if hours > 0.5)])


def off_pole_deg(latitude_deg: float, error_deg: Array, toward_rad: Array) -> tuple[Array, Array]:
    """Return azimuth and altitude error of an axis that is off by an angle in a direction; they broadcast.

    The direction is 0 where the axis is too high, a quarter turn where it is turned clockwise in azimuth.
    """
    pole, higher = axis_vector(latitude_deg), axis_vector(latitude_deg, 0.0, 90.0)
    aside = np.array([1.0 if latitude_deg >= 0 else -1.0, 0.0, 0.0])
    off, toward = (np.asarray(a)[..., None] for a in np.broadcast_arrays(np.radians(error_deg), toward_rad))
    axis = np.cos(off) * pole + np.sin(off) * (np.cos(toward) * higher + np.sin(toward) * aside)
    return axis_errors_deg(axis, latitude_deg)


def _off_axis(settings: Settings, sun: Sun, frame: Frame, ahead: SunPath) -> Callable[[Array], Array]:
    """Return a function of axis errors (k,) giving how long a disc stays, (k, directions)."""
    toward = np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS
    rate = rate_arcsec_s(settings.mount.tracking)

    def stays(sizes_deg: Array) -> Array:
        azimuth, altitude = off_pole_deg(sun.site.latitude_deg, sizes_deg[:, None], toward)
        mounting = Mounting(azimuth.ravel(), altitude.ravel(), rate)
        return stays_s(settings, sun, frame, mounting, ahead).reshape(azimuth.shape)

    return stays


def _off_rate(settings: Settings, sun: Sun, frame: Frame, ahead: SunPath) -> Shortest:
    """Return the same of a perfect axis and a drive off the sun's mean rate by fractions (k,), either way."""
    solar = rate_arcsec_s("solar")

    def stays(sizes: Array) -> Array:
        rates = solar * (1 + np.concatenate([sizes, -sizes]))
        both = stays_s(settings, sun, frame, Mounting(0.0, 0.0, rates), ahead).reshape(2, -1)
        return np.asarray(both.min(axis=0))

    return stays


def _largest(shortest: Shortest, tried: Array, hours: list[float]) -> Array:
    """Return the error up to which the disc stays for so long with every smaller one too; -1: with none."""
    wanted = np.array(hours) * 3600
    short = shortest(tried)[:, None] < wanted
    fails = np.where(short.any(axis=0), short.argmax(axis=0), len(tried))
    low = tried[np.clip(fails - 1, 0, None)]
    high = tried[np.clip(fails, None, len(tried) - 1)]
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        lasts = shortest(middle) >= wanted
        low, high = np.where(lasts, middle, low), np.where(lasts, high, middle)
    return np.where(fails == 0, -1.0, low)


def _middle(values: Array) -> float:
    """Return the median, the lower of two: none and never are no numbers to take a mean with."""
    return float(np.quantile(values, 0.5, method="lower"))


def _or_none(value: float) -> float | None:
    return None if value < 0 else float(value)


def _hours_or_none(seconds: float) -> float | None:
    return float(seconds) / 3600 if np.isfinite(seconds) else None
