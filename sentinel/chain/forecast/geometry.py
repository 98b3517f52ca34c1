"""The mount's track and how it answers to each unknown: `sky.mount` linearised about many points at once.

Positions here are tangent-plane arcseconds about the lens axis of an unrolled camera: along the axis's
equator, and away from the pole. Roll turns them into the picture and is treated exactly, not linearised.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import erfa
import numpy as np
from numpy.typing import NDArray

from sentinel.core.angles import ARCSEC_RAD, half_turn_deg
from sentinel.core.settings import Site
from sentinel.sky.arrays import Array, Bools
from sentinel.sky.mount import (
    Optics,
    Pose,
    axis_errors_deg,
    axis_vector,
    in_mount_frame,
    pose_seeing,
    project,
)
from sentinel.sky.refraction import refraction_sigma_deg
from sentinel.sky.sun import Sun

Indices = NDArray[np.intp]
# One pixel is one arcsecond, and the lens axis falls on (0, 0).
ARCSEC_OPTICS = Optics.of_scale(1.0, 1.0, 1, 1)
COMMON = 6
"""Unknowns before the poses: azimuth error (deg), altitude error (deg), rate (1e-4), air (sigmas), and two of
what goes on changing, whichever that is (`SlowChange`)."""
AIR = 3
SLOW_CHANGE = slice(4, 6)
RAMP = CREEP = 4
ONE_PART = np.zeros(1, dtype=np.intp)
"""The pose at any time of one part of a track: it has one, and its sines are worked out once."""
RATE_UNIT = 1e-4
NO_SLOW_CHANGE = np.zeros(1, dtype=np.intp)
"""`SlowChange.NONE` of one mount."""
_STEP = np.array([1e-3, 1e-3, 0.1, 0.1, 1e-3, 1e-3])
_TIP_STEP = 1e-3
_MIRRORS_DEG = 30.0
"""The sun so far from where it is thought to be, what its height does is no longer like it."""
_EAST_NORTH_UP = np.eye(3)


class SlowChange(IntEnum):
    """What of a mount goes on changing at an even rate, and the two unknowns that describe it."""

    NONE = 0
    """Nothing; neither unknown does anything."""
    TIPS = 1
    """The whole mount tips over, about the east and about the north (deg/h): a leg sinks."""
    RAMPS = 2
    """The drive's rate, since the stretch began (1e-4 an hour): in the cold, with a bolt that creeps, by a
    straight screw against an arm. The second unknown does nothing."""
    CREEPS = 3
    """A clamp gives way: that of the declination axis or the tube, poleward, and that about the vertical, on
    which the whole mount turns (deg/h)."""


SLOW_CHANGE_SIGMA: Array = np.array([[1.0, 1.0], [0.12, 0.12], [20.0, 1.0], [0.1, 0.1]])
"""How fast each is, 1 sigma of both unknowns."""
_TURNS = ((SlowChange.TIPS, 0, 4), (SlowChange.TIPS, 1, 5), (SlowChange.CREEPS, 2, 5))
"""On which mounts a turn about the east, the north or the vertical is which of the unknowns."""


@dataclass(frozen=True, slots=True)
class Points:
    """Where the track is linearised: m mounts, each with poses for k stretches between re-centrings."""

    base_arcsec_s: Array
    """(m,) the drive's nominal rate"""
    azimuth_deg: Array
    altitude_deg: Array
    rate: Array
    """(m,) relative deviation from the nominal rate, in `RATE_UNIT`"""
    roll_rad: Array
    reference_s: Array
    """(k,) time at which the drive counts as unturned in each stretch"""
    along_deg: Array
    poleward_deg: Array
    """(m, k) poses"""
    slow_change: Indices
    """(m,) what goes on changing, as `SlowChange`"""

    def __len__(self) -> int:
        return len(self.azimuth_deg)

    def moved(self, delta: Array, roll_rad: Array) -> "Points":
        """Return the points displaced by (m, unknowns): `COMMON`, then along and poleward by stretch.

        Air and what goes on changing stay at nought: they are linear enough, and so never linearised
        elsewhere.
        """
        return replace(
            self,
            azimuth_deg=self.azimuth_deg + delta[:, 0],
            altitude_deg=self.altitude_deg + delta[:, 1],
            rate=self.rate + delta[:, 2],
            along_deg=self.along_deg + delta[:, COMMON::2],
            poleward_deg=self.poleward_deg + delta[:, COMMON + 1 :: 2],
            roll_rad=roll_rad,
        )

    def taken(self, which: Indices) -> "Points":
        """Return some of the points."""
        return Points(
            self.base_arcsec_s[which],
            self.azimuth_deg[which],
            self.altitude_deg[which],
            self.rate[which],
            self.roll_rad[which],
            self.reference_s,
            self.along_deg[which],
            self.poleward_deg[which],
            self.slow_change[which],
        )

    def gained(self, now_s: float) -> Array:
        """Return what the first of what goes on changing adds to the drives' rates by then, (m,)."""
        hours = float(now_s - self.reference_s[-1]) / 3600
        return np.where(self.slow_change == SlowChange.RAMPS, hours, 0.0)

    def theta_rad(self, utc_s: Array, reference_s: Array) -> Array:
        """Return the drives' turn (m, n) since the reference, at times (n,)."""
        rate = self.base_arcsec_s * (1 + self.rate * RATE_UNIT) * ARCSEC_RAD
        return np.asarray(rate[:, None] * (utc_s - reference_s))


@dataclass(frozen=True, slots=True)
class Aims:
    """Where the sun is at n times, for as many linearisations as are wanted."""

    utc_s: Array
    direction: Array
    """(n, 3) to the middle between the limbs: what is measured; (m, n, 3) where each mount has its own"""
    air: Array
    """(n, 3) or (m, n, 3) how far the real air may lift it off that, 1-sigma in radians"""
    tips: Array
    """(3, n, 3) or (3, m, n, 3) where it seems to go, in radians, for a mount that turns by a degree an hour
    about the east, the north and the vertical and stands at `now_s` as it is said to"""


class Geometry:
    """Evaluates tracks for one site."""

    def __init__(self, site: Site, sun: Sun) -> None:
        self.site = site
        self.latitude_deg = site.latitude_deg
        self.sun = sun
        self.south = site.latitude_deg < 0

    def axis(self, points: Points) -> Array:
        """Return the polar axes (m, 3), east, north, up."""
        return axis_vector(self.latitude_deg, points.azimuth_deg, points.altitude_deg)

    def tangent(self, direction: Array, utc_s: Array, stretch: Indices, points: Points) -> Array:
        """Return (m, n, 2) arcseconds of directions (n, 3), or (m, n, 3), at times (n,), in stretches."""
        theta = points.theta_rad(utc_s, points.reference_s[stretch])
        mounted = in_mount_frame(direction, self.axis(points), theta, south=self.south)
        pose = Pose(points.along_deg[:, stretch], points.poleward_deg[:, stretch])
        return np.stack(project(mounted, pose, ARCSEC_OPTICS), axis=-1)

    def aims(self, utc_s: Array, now_s: float, later_s: Array | float = 0.0) -> Aims:
        """Return where the sun is at times (n,), or so much later, (m, 1); axis and tilt are of `now_s`."""
        direction = self.sun.middle_direction(utc_s + later_s)
        east, north, up = np.moveaxis(direction, -1, 0)
        level = np.maximum(np.hypot(east, north), 1e-9)
        zenithward = np.stack([-east * up / level, -north * up / level, level], axis=-1)
        altitude = np.degrees(np.arctan2(up, level))
        sigma = refraction_sigma_deg(altitude, self.site.pressure_hpa, self.site.temperature_c)
        turned = np.radians((utc_s - now_s) / 3600)[:, None]
        # The mount turns one way: seen from it, the sun goes the other.
        tips = np.stack([turned * np.cross(direction, axis) for axis in _EAST_NORTH_UP])
        return Aims(utc_s, direction, zenithward * np.radians(sigma)[..., None], tips)

    def linear(self, aims: Aims, stretch: Indices, points: Points) -> tuple[Array, Array]:
        """Return tracks (m, n, 2) in arcsec and their derivatives (m, n, 2, unknowns)."""
        utc_s, direction = aims.utc_s, aims.direction
        m, n = len(points), len(utc_s)
        nudged = _nudged(points)
        every = direction if direction.ndim == 2 else np.tile(direction, (6, 1, 1))
        sides = self.tangent(every, utc_s, stretch, nudged).reshape(6, m, n, 2)
        base = sides[0]
        lifted = direction + _STEP[3] * aims.air
        slopes = np.zeros((m, n, 2, COMMON + 2 * len(points.reference_s)))
        slopes[..., 0] = (sides[1] - base) / _STEP[0]
        slopes[..., 1] = (sides[2] - base) / _STEP[1]
        slopes[..., 2] = (sides[3] - base) / _STEP[2]
        slopes[..., 3] = (self.tangent(lifted, utc_s, stretch, points) - base) / _STEP[3]
        for change, axis, column in _TURNS:
            some = np.flatnonzero(points.slow_change == change)
            if len(some):
                tipped = direction + _TIP_STEP * aims.tips[axis]
                tipped = tipped if tipped.ndim == 2 else tipped[some]
                seen = self.tangent(tipped, utc_s, stretch, points.taken(some))
                slopes[some, ..., column] = (seen - base[some]) / _TIP_STEP
        rows = np.arange(n)
        for side, column in ((4, 0), (5, 1)):
            slope = (sides[side] - base) / _STEP[side]
            # Advanced indices on the second and fourth axis put those first: (n, m, 2).
            slopes[:, rows, :, COMMON + 2 * stretch + column] = slope.transpose(1, 0, 2)
            hours = (utc_s - points.reference_s[stretch])[:, None] / 3600
            if column == 0:
                # The drive turns about the axis as the pose along the equator does.
                some = np.flatnonzero(points.slow_change == SlowChange.RAMPS)
                turned_deg = points.base_arcsec_s[some, None, None] * (hours**2 / 2 * RATE_UNIT)
                slopes[some, ..., RAMP] = (-1.0 if self.south else 1.0) * turned_deg * slope[some]
            else:
                some = np.flatnonzero(points.slow_change == SlowChange.CREEPS)
                slopes[some, ..., CREEP] = hours * slope[some]
        return base, slopes

    def poses_for(self, at_s: Array | float, xy_arcsec: Array, points: Points) -> tuple[Array, Array]:
        """Return along and poleward (deg), (m,) each, that see the sun at (2,) arcsec, the drive unturned.

        At one time and place for all mounts, or at one for each, (m, 1) and (2, m).
        """
        mounted = in_mount_frame(
            self.sun.middle_direction(np.atleast_2d(at_s)),
            self.axis(points),
            np.zeros((len(points), 1)),
            south=self.south,
        )[:, 0]
        pose = pose_seeing(
            mounted, xy_arcsec[0], xy_arcsec[1], ARCSEC_OPTICS, roll_deg=np.degrees(points.roll_rad)
        )
        return np.asarray(pose.along_deg), np.asarray(pose.poleward_deg)

    def posed(self, points: Points, at_s: float, xy_arcsec: Array, later_s: Array | float = 0.0) -> Points:
        """Return points of one pose: that of `poses_for`, the sun as it stands so much later, (m, 1)."""
        along, poleward = (pose[:, None] for pose in self.poses_for(at_s + later_s, xy_arcsec, points))
        return replace(points, reference_s=np.array([at_s]), along_deg=along, poleward_deg=poleward)


@dataclass(frozen=True, slots=True)
class OtherSky:
    """The sky if place or clock are not as set: the sun at another hour, or across the equator."""

    geometry: Geometry
    """Of the site, or of the place across the equator."""
    later_s: float
    """The sun stood where the settings have it so much later."""
    across: bool
    """The place is as far on the other side of the equator as the settings say."""

    @property
    def mirrors(self) -> bool:
        """Whether the air that tells a roll from the opposite one may tell it the wrong way round there."""
        return self.across or abs(half_turn_deg(15 * self.later_s / 3600)) >= _MIRRORS_DEG

    def axis_errors_deg(self, azimuth_deg: Array, altitude_deg: Array) -> tuple[Array, Array]:
        """Return the errors that axes must have to draw the same track under this sky, air apart."""
        azimuth, altitude = TurnedSky.of(self.geometry.latitude_deg, (self,)).errors_deg(
            azimuth_deg, altitude_deg
        )
        return azimuth[0], altitude[0]


@dataclass(frozen=True, slots=True)
class TurnedSky:
    """What k other skies make of an axis: the whole sky is turned about the pole, and the mount with it.

    Across the equator the other end of the axis is the one that points up: what was too high is too low.
    """

    latitude_deg: float
    turn: Array
    """(k, 3, 3)"""
    across: Bools

    @classmethod
    def of(cls, latitude_deg: float, skies: Sequence[OtherSky]) -> "TurnedSky":
        """Return that of some skies over a site."""
        across = np.array([sky.across for sky in skies])
        later = np.array([sky.later_s for sky in skies]) * (1.0 if latitude_deg < 0 else -1.0)
        about = np.radians(15.0 * np.where(across, 0.0, later) / 3600)[:, None] * axis_vector(latitude_deg)
        return cls(latitude_deg, erfa.rv2m(-about), across)

    def errors_deg(self, azimuth_deg: Array, altitude_deg: Array) -> tuple[Array, Array]:
        """Return the errors (k, n) that draw the same tracks under each sky, from the given (n,)."""
        axis = axis_vector(self.latitude_deg, azimuth_deg, altitude_deg) @ np.swapaxes(self.turn, 1, 2)
        azimuth, altitude = axis_errors_deg(axis, self.latitude_deg)
        return azimuth, np.where(self.across[:, None], -altitude, altitude)

    def with_slopes(self, azimuth_deg: Array, altitude_deg: Array) -> tuple[Array, Array]:
        """Return the same as (k, n, 2), and slopes by their own, (k, n, 2, 2)."""
        step, n = 0.01, len(azimuth_deg)
        shift = np.repeat(step * np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]), n, axis=1)
        both = self.errors_deg(np.tile(azimuth_deg, 3) + shift[0], np.tile(altitude_deg, 3) + shift[1])
        here, *beside = np.stack(both, axis=2).reshape(-1, 3, n, 2).swapaxes(0, 1)
        return here, np.stack([half_turn_deg(one - here) / step for one in beside], axis=3)

    def axis_deg(self, at_deg: tuple[float, float], which: Bools) -> tuple[Array, Array]:
        """Return the errors (j, 2) of one axis under some of the skies, and slopes by its own, (j, 2, 2)."""
        some = TurnedSky(self.latitude_deg, self.turn[which], self.across[which])
        axis, slope = some.with_slopes(np.array(at_deg[:1]), np.array(at_deg[1:]))
        return axis[:, 0], slope[:, 0]


def _nudged(points: Points) -> Points:
    """Return 6 m points: as they are, then each of azimuth, altitude, rate, along and poleward a step on."""
    shift = np.zeros((6, 1))

    def spread(values: Array, side: int | None, step: float = 0.0) -> Array:
        more = shift.copy()
        if side is not None:
            more[side] = step
        return np.asarray((values[None] + more.reshape(6, *[1] * values.ndim)).reshape(-1, *values.shape[1:]))

    return Points(
        spread(points.base_arcsec_s, None),
        spread(points.azimuth_deg, 1, _STEP[0]),
        spread(points.altitude_deg, 2, _STEP[1]),
        spread(points.rate, 3, _STEP[2]),
        spread(points.roll_rad, None),
        points.reference_s,
        spread(points.along_deg, 4, _STEP[4]),
        spread(points.poleward_deg, 5, _STEP[5]),
        np.tile(points.slow_change, 6),
    )


def rolled(u: Array, v: Array, roll_rad: Array | float) -> tuple[Array, Array]:
    """Return picture coordinates (x right, y down) of tangent ones, for rolls that broadcast."""
    cosine, sine = np.cos(roll_rad), np.sin(roll_rad)
    return cosine * u + sine * v, cosine * v - sine * u
