"""By how much the clocks of two cameras at one place differ, as the low sun tells it. Pure.

The air flattens the disc the more the lower the sun stands: near the horizon within seconds by more than is
measured. Both cameras look through the same air, so what it does to the one at a moment it does to the other,
whatever it is; lens and sensor have ovals of their own, which stay with them. The place in the picture does
not tell: a clock that is off by some seconds and a camera pointed 15" aside for each of them draw one way.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from math import hypot, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.ovals import oval_and_place
from sentinel.core.other_cameras import ClockDifference, LowSunSeen
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.sky import flattening
from sentinel.sky.arrays import Array

Complex = NDArray[np.complex128]

LOW_DEG = 10.0
"""Higher up the disc is flattened so evenly that a lens's own oval would pass for minutes."""
PASS_S = 3600.0
"""After a longer pause the air is another."""
FEWEST = 15
"""Pictures of each camera in one pass."""
KM_DEG = 1 / 111.2
"""What a kilometre is on the Earth."""
_FLOOR = 5e-5
"""Of the radius: how far off an oval may be beside its own doubt."""
_CLOCK_S = 120.0
"""What a clock may be off."""
_AIR = np.array([0.2, 0.2, 0.1, 0.1])
"""Share by which the air may flatten otherwise than reckoned, and by how much that may change over a pass, as
powers of time."""
_TURNED, _OVAL, _GROWING = 0.05, 1e-3, 2e-3
"""How far up may be off, in radians of twice the angle; a lens's own oval, and what a corner has more."""
_STEP, _STEPS, _SETTLED = 1e-4, 30, 1e-6
"""Of the unknowns, each in its own doubt: to differentiate; so often the fit is bettered at most, and until
that moves none by more."""


def low_sun_in(
    frame: MeasuredFrame,
    zenith_deg: float,
    altitude_deg: float,
    rising_deg_s: float,
    late_s: float | None = None,
) -> LowSunSeen | None:
    """Return what a picture tells of its camera's clock; None: the sun is too high, or its shape not told.

    `zenith_deg`: where the zenith is in it, clockwise from up.
    `altitude_deg`, `rising_deg_s`: of the sun, apparent, for the camera's place and the picture's time.
    """
    disc = frame.disc
    if not (altitude_deg < LOW_DEG and disc.found and 0 < disc.oval_sigma_px < inf):
        return None
    seen, place = oval_and_place(frame)
    oval = seen * complex(np.exp(-2j * np.radians(zenith_deg)))
    return LowSunSeen(
        time_utc=frame.time_utc,
        altitude_deg=altitude_deg,
        rising_deg_s=rising_deg_s,
        oval_up=oval.real,
        oval_aside=oval.imag,
        oval_sigma=hypot(disc.oval_sigma_px / disc.radius_px, _FLOOR),
        zenith_deg=zenith_deg,
        corner_cos2=place.real,
        corner_sin2=place.imag,
        late_s=late_s,
    )


@dataclass(frozen=True, slots=True)
class _Pass:
    """A camera's pictures of a low sun, (n,) each."""

    utc_s: Array
    """By the camera's own clock."""
    altitude_deg: Array
    rising_deg_s: Array
    oval: Complex
    """In radii, the zenith up."""
    sigma: Array
    turn: Complex
    """What turns an oval that stays with the sensor alike."""
    place: Complex
    """Of the disc, squared, the corner's being 1 in size; turned alike."""

    @classmethod
    def of(cls, pictures: Sequence[LowSunSeen]) -> "_Pass":
        """Return them as arrays."""
        turn = np.exp(-2j * np.radians([one.zenith_deg for one in pictures]))
        return cls(
            np.array([utc_s(one.time_utc) for one in pictures]),
            np.array([one.altitude_deg for one in pictures]),
            np.array([one.rising_deg_s for one in pictures]),
            np.array([complex(one.oval_up, one.oval_aside) for one in pictures]),
            np.array([one.oval_sigma for one in pictures]),
            turn,
            np.array([complex(one.corner_cos2, one.corner_sin2) for one in pictures]) * turn,
        )

    def squash(self, own_s: float, site: Site) -> Array:
        """Return what the air's oval is reckoned to be if the clock is ahead by so much."""
        altitude_deg = np.maximum(self.altitude_deg - own_s * self.rising_deg_s, 0.0)
        return np.asarray((1 - flattening(altitude_deg, site.pressure_hpa, site.temperature_c)) / 2)


def clock_difference(one: Sequence[LowSunSeen], other: Sequence[LowSunSeen], site: Site) -> ClockDifference:
    """Return by how much two clocks differ: the mean over all times at which the sun was low for both.

    Both in order of exposure; `site` tells air pressure and temperature.
    """
    if min(len(one), len(other)) < FEWEST:
        return ClockDifference()
    every = np.unique([utc_s(picture.time_utc) for side in (one, other) for picture in side])
    breaks = np.flatnonzero(np.diff(every) > PASS_S)
    begins, ends = np.r_[every[0], every[breaks + 1]], np.r_[every[breaks], every[-1]]
    passes = [_overlap(one, other, begin, end) for begin, end in zip(begins, ends, strict=True)]
    told = [_of_a_pass(*both, site) for both in passes if min(map(len, both)) >= FEWEST]
    if not told:
        return ClockDifference()
    weight = np.array([single.sigma_s**-2 for single in told])
    ahead = np.array([single.ahead_s for single in told])
    mean_s = float((weight * ahead).sum() / weight.sum())
    # Where passes contradict each other, none of them is as sure as it thinks.
    excess = float((weight * (ahead - mean_s) ** 2).sum()) / max(len(told) - 1, 1)
    sigma_s = sqrt(max(excess, 1.0) / float(weight.sum()))
    rate = float(np.median([abs(picture.rising_deg_s) for picture in one]))
    return ClockDifference(mean_s, sigma_s, sum(single.pictures for single in told), KM_DEG / max(rate, 1e-9))


def _overlap(
    one: Sequence[LowSunSeen], other: Sequence[LowSunSeen], begin_s: float, end_s: float
) -> tuple[list[LowSunSeen], list[LowSunSeen]]:
    """Return both in the part of a pass that both saw."""

    def within(side: Sequence[LowSunSeen]) -> list[LowSunSeen]:
        return [picture for picture in side if begin_s <= utc_s(picture.time_utc) <= end_s]

    both = within(one), within(other)
    if all(both):
        begin_s = max(utc_s(side[0].time_utc) for side in both)
        end_s = min(utc_s(side[-1].time_utc) for side in both)
    return within(both[0]), within(both[1])


def _of_a_pass(one: Sequence[LowSunSeen], other: Sequence[LowSunSeen], site: Site) -> ClockDifference:
    """Fit one air and two lenses: unknown are the clocks, what the air does, and what each lens does."""
    sides = (_Pass.of(one), _Pass.of(other))
    middle_s = float(np.mean(sides[0].utc_s))
    half_s = max(float(np.ptp(sides[0].utc_s)) / 2, 1.0)
    # In its own doubt, each unknown is a number about 0.
    scale = np.concatenate([[_CLOCK_S] * 2, _AIR, [_TURNED, *[_OVAL] * 2, *[_GROWING] * 2] * 2])

    @cache
    def squash(which: int, own_s: float) -> Array:
        # Of all that is varied only the clocks alter it, and it is the dear part.
        return sides[which].squash(own_s, site)

    def off(unknowns: Array) -> Array:
        ahead_s, air, lenses = np.split(unknowns * scale, [2, 2 + len(_AIR)])
        rows = [unknowns]
        for k, (side, lens, own_s) in enumerate(
            zip(sides, lenses.reshape(2, 5), ahead_s.tolist(), strict=True)
        ):
            part = (side.utc_s - own_s - middle_s) / half_s
            of_air = squash(k, own_s) * np.exp(np.polynomial.polynomial.polyval(part, air))
            of_lens = complex(*lens[1:3]) * side.turn + complex(*lens[3:5]) * side.place
            left = (side.oval - of_air * (1 + 1j * lens[0]) - of_lens) / side.sigma
            rows += [left.real, left.imag]
        return np.concatenate(rows)

    found, rest, slopes = _fitted(off, np.zeros(len(scale)))
    pictures = sum(len(side.utc_s) for side in sides)
    between = np.zeros(len(scale))
    between[:2] = _CLOCK_S, -_CLOCK_S
    variance = float(between @ np.linalg.solve(slopes.T @ slopes, between))
    left = rest[len(scale) :]
    # Scatter above what the ovals' sigmas say, and errors that stay alike from picture to picture.
    excess = max(float(left @ left) / max(2 * pictures - len(scale), 1), 1.0)
    alike = min(max(float(left[1:] @ left[:-1]) / float(left @ left), 0.0), 0.9)
    return ClockDifference(
        float(between @ found), sqrt(variance * excess * (1 + alike) / (1 - alike)), pictures
    )


def _fitted(off: Callable[[Array], Array], unknowns: Array) -> tuple[Array, Array, Array]:
    """Return the unknowns of least squares (Gauss and Newton), what is left over, and its slopes.

    The unknowns' own doubts are among the squares, so there is always one answer to a step.
    """
    rest = off(unknowns)
    for _ in range(_STEPS):
        slopes = np.stack(
            [(off(unknowns + step) - rest) / _STEP for step in _STEP * np.eye(len(unknowns))], axis=1
        )
        step = -np.linalg.solve(slopes.T @ slopes, slopes.T @ rest)
        # A step that makes it worse was too long.
        while (new := off(unknowns + step)) @ new > rest @ rest and np.abs(step).max() > _SETTLED:
            step = step / 4
        unknowns, rest = unknowns + step, new
        if np.abs(step).max() <= _SETTLED:
            break
    return unknowns, rest, slopes
