"""The geometry of an equatorial mount that is not quite aligned, and of the camera on it, both ways.

Four frames, each right for one question:

* *local*: east, north, up. Where the sun is.
* *equator*: front, right, pole; it stands still with the mount's base. `pole` is the mount's polar axis,
  `front` lies where the axis's equator crosses its meridian, `right` is on the right hand of whoever looks
  to the front with the pole overhead: west in the north, east in the south. (front, right, pole) is a
  left-handed triple, as hour angle and declination are.
* *mount*: the equator frame carried round by the drive. The camera is fixed in it.
* *picture*: pixels, x right, y down, the centre of the first pixel (0, 0).

Time turns the sky the same way as the drive: towards `right` in the north, away from it in the south.
"""

from dataclasses import dataclass
from math import nan
from typing import Literal

import numpy as np

from sentinel.core.angles import ARCSEC_PER_RAD
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S, Camera
from sentinel.sky.arrays import Array, Numbers, floats

Tracking = Literal["solar", "sidereal", "lunar", "none"]

_RATES_ARCSEC_S: dict[Tracking, float] = {
    "solar": MEAN_SOLAR_RATE_ARCSEC_S,
    # The equator turns once a mean sidereal day of 86 164.0905 s (Aoki et al. 1982).
    "sidereal": 15.041_068_6,
    # The mean moon returns to the meridian after 24 h 50 min 28.3 s. Some drives call 14.685"/s lunar, which
    # is no rate of the moon's; the two differ by 4.6 degrees a day, which a fit sees at once.
    "lunar": 14.492,
    "none": 0.0,
}

LUNAR_DRIVE_ARCSEC_S = 14.685
"""What some drives call lunar."""


def rate_arcsec_s(tracking: Tracking) -> float:
    """Return the drive's rate about the polar axis, in arcseconds of turn a second."""
    return _RATES_ARCSEC_S[tracking]


def axis_vector(
    latitude_deg: float, azimuth_error_deg: Numbers = 0.0, altitude_error_deg: Numbers = 0.0
) -> Array:
    """Return the polar axis as unit vectors (..., 3), east, north, up; the errors broadcast.

    The axis points up, at the pole that is above the horizon. Azimuth error: clockwise seen from above, from
    the true pole's (0 in the north, 180 in the south): positive is east of north, west of south. Altitude
    error: positive is too high. At the equator itself the northern pole is meant.
    """
    azimuth, altitude = np.broadcast_arrays(
        np.radians(floats(azimuth_error_deg) + (180.0 if latitude_deg < 0 else 0.0)),
        np.radians(floats(altitude_error_deg) + abs(latitude_deg)),
    )
    level = np.cos(altitude)
    axis = np.empty((*altitude.shape, 3))
    axis[..., 0] = level * np.sin(azimuth)
    axis[..., 1] = level * np.cos(azimuth)
    axis[..., 2] = np.sin(altitude)
    return axis


def axis_errors_deg(axis: Array, latitude_deg: float) -> tuple[Array, Array]:
    """Return azimuth and altitude error of axes (..., 3): the inverse of `axis_vector`.

    Within 90 degrees of azimuth of the true pole; an axis tipped past the zenith counts as too high, not as
    pointing the other way.
    """
    east, north, up = axis[..., 0], axis[..., 1], axis[..., 2]
    sign = -1.0 if latitude_deg < 0 else 1.0
    past = np.where(sign * north < 0, -1.0, 1.0)
    azimuth = np.degrees(np.arctan2(sign * past * east, sign * past * north))
    altitude = np.degrees(np.arctan2(up, past * np.hypot(east, north)))
    return floats(azimuth), floats(altitude) - abs(latitude_deg)


def equator_frame(axis: Array, *, south: bool) -> Array:
    """Return the rows front, right, pole (..., 3, 3), in local coordinates, for axes (..., 3).

    `right` is the local west (east) freed of its part along the axis, not the horizontal direction across
    the axis: so a small error of azimuth tips the frame and does not also twist it about the axis, where the
    twist would look like an offset of the camera. It also stays defined where the axis is vertical. On a
    perfect axis the angle along this equator is the hour angle in the north and its negative in the south.
    """
    west = np.array([1.0 if south else -1.0, 0.0, 0.0])
    right = west - (axis @ west)[..., None] * axis
    right = right / np.sqrt((right * right).sum(axis=-1, keepdims=True))
    frame = np.empty((*axis.shape[:-1], 3, 3))
    # The cross product of axis and right, written out: for a few axes numpy's own takes thrice as long.
    for k, i, j in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        frame[..., 0, k] = axis[..., i] * right[..., j] - axis[..., j] * right[..., i]
    frame[..., 1, :] = right
    frame[..., 2, :] = axis
    return frame


def in_mount_frame(direction: Array, axis: Array, theta_rad: Numbers, *, south: bool) -> Array:
    """Return local directions in the mount frame (front, right, pole), after the drive has turned by theta.

    `direction`: unit vectors, (3,) or (times, 3).
    `axis`: one axis (3,), or one a draw, (draws, 3).
    `theta_rad`: turn of the drive since it stood in the equator frame, positive the way of the sky in either
        hemisphere: a number, (times,), or (draws, times).
    The result has shape (times, 3), or (draws, times, 3) where there are draws; the axis of times is left
    out where neither direction nor theta has one. A polar axis that changes with time is one draw a time:
    directions (times, 1, 3) and theta (times, 1) then give (times, 1, 3).
    """
    standing = np.atleast_2d(direction) @ np.swapaxes(equator_frame(axis, south=south), -1, -2)
    turn = floats(theta_rad) * (-1.0 if south else 1.0)
    mounted = _turned(standing, turn)
    if direction.ndim == 1 and turn.ndim == 0:
        mounted = mounted[..., 0, :]
    return mounted


def from_mount_frame(mounted: Array, axis: Array, theta_rad: Numbers, *, south: bool) -> Array:
    """Return the local directions of mount-frame unit vectors: the inverse of `in_mount_frame`.

    `mounted` is (3,), (times, 3) or (draws, times, 3); the rest as there.
    """
    turn = floats(theta_rad) * (-1.0 if south else 1.0)
    local = _turned(np.atleast_2d(mounted), -turn) @ equator_frame(axis, south=south)
    if mounted.ndim == 1 and turn.ndim == 0:
        local = local[..., 0, :]
    return local


def _turned(vectors: Array, turn_rad: Array) -> Array:
    """Return vectors (..., 3) with front and right turned about the pole."""
    cosine, sine = np.cos(turn_rad), np.sin(turn_rad)
    front, right = vectors[..., 0], vectors[..., 1]
    turned = np.empty((*np.broadcast_shapes(front.shape, turn_rad.shape), 3))
    turned[..., 0] = front * cosine + right * sine
    turned[..., 1] = right * cosine - front * sine
    turned[..., 2] = vectors[..., 2]
    return turned


@dataclass(frozen=True, slots=True)
class Optics:
    """A lens without distortion before a sensor."""

    focal_length_mm: float
    pixel_pitch_um: float
    width_px: int
    height_px: int

    @classmethod
    def of(cls, camera: Camera, width_px: int, height_px: int) -> "Optics":
        """Return the lens that the settings name, before a sensor of so many pixels."""
        return cls(camera.focal_length_mm, camera.pixel_pitch_um, width_px, height_px)

    @classmethod
    def of_scale(
        cls, scale_arcsec_px: float, pixel_pitch_um: float, width_px: int, height_px: int
    ) -> "Optics":
        """Return the lens that gives a pixel this angle: as the discs show it, whatever the settings say."""
        return cls(
            pixel_pitch_um / scale_arcsec_px * ARCSEC_PER_RAD / 1000, pixel_pitch_um, width_px, height_px
        )

    @property
    def focal_px(self) -> float:
        """Focal length in pixels: a small angle in radians times this is pixels."""
        return self.focal_length_mm * 1000 / self.pixel_pitch_um

    @property
    def scale_arcsec_px(self) -> float:
        """Angle that one pixel subtends on the lens axis."""
        return ARCSEC_PER_RAD / self.focal_px

    @property
    def middle_px(self) -> tuple[float, float]:
        """Where the lens axis meets the sensor."""
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    def local_scale_arcsec_px(self, x_px: Array, y_px: Array) -> Array:
        """Return the angle that a pixel subtends at a place, in the mean over all directions.

        A flat sensor stretches what is off the lens axis: by sec along the circle, sec^2 along the radius.
        """
        middle_x, middle_y = self.middle_px
        off_axis = np.hypot(x_px - middle_x, y_px - middle_y) / self.focal_px
        return np.asarray(self.scale_arcsec_px / (1 + off_axis**2) ** 0.75)


@dataclass(frozen=True, slots=True)
class Pose:
    """How the camera is fixed to the mount; numbers, or arrays that broadcast with what is projected."""

    along_deg: Numbers
    """Angle of the lens axis along the equator, from `front` towards `right`."""
    poleward_deg: Numbers
    """Angle of the lens axis from the equator to the visible pole: declination, times -1 in the south."""
    roll_deg: Numbers = 0.0
    """0: sensor level with the equator, picture's up towards the visible pole, so that x grows to the west in
    the north and to the east in the south. Positive: the camera is turned clockwise, seen from behind it."""


def project(mounted: Array, pose: Pose, optics: Optics) -> tuple[Array, Array]:
    """Return (x_px, y_px) of mount-frame directions (..., 3), each of shape (...): gnomonic, not mirrored.

    The pose's fields broadcast against (...): for (draws, times, 3) give them as (draws, 1). What stands 90
    degrees or more from the lens axis has no place in the picture: NaN.
    """
    ahead, rightward, poleward = _camera_axes(mounted, pose)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(ahead > 0, optics.focal_px / ahead, nan)
    roll = np.radians(pose.roll_deg)
    cosine, sine = np.cos(roll), np.sin(roll)
    middle_x, middle_y = optics.middle_px
    x = middle_x + scale * (rightward * cosine - poleward * sine)
    y = middle_y - scale * (rightward * sine + poleward * cosine)
    return floats(x), floats(y)


def _camera_axes(mounted: Array, pose: Pose) -> tuple[Array, Array, Array]:
    """Return the parts along the lens axis, along the equator, and towards the pole."""
    along, poleward = np.radians(pose.along_deg), np.radians(pose.poleward_deg)
    cos_along, sin_along = np.cos(along), np.sin(along)
    cos_poleward, sin_poleward = np.cos(poleward), np.sin(poleward)
    front, right, pole = mounted[..., 0], mounted[..., 1], mounted[..., 2]
    level = front * cos_along + right * sin_along
    across = right * cos_along - front * sin_along
    ahead = level * cos_poleward + pole * sin_poleward
    upward = pole * cos_poleward - level * sin_poleward
    return ahead, across, upward


def _camera_vector(
    x_px: Numbers, y_px: Numbers, roll_deg: Numbers, optics: Optics
) -> tuple[Array, Array, Array]:
    """Return the unit vector of a pixel: its parts along the lens axis, along the equator, to the pole."""
    middle_x, middle_y = optics.middle_px
    across = (floats(x_px) - middle_x) / optics.focal_px
    down = (floats(y_px) - middle_y) / optics.focal_px
    roll = np.radians(roll_deg)
    cosine, sine = np.cos(roll), np.sin(roll)
    rightward, poleward = across * cosine - down * sine, -across * sine - down * cosine
    ahead = 1 / np.sqrt(1 + rightward**2 + poleward**2)
    return ahead, rightward * ahead, poleward * ahead


def unproject(x_px: Numbers, y_px: Numbers, pose: Pose, optics: Optics) -> Array:
    """Return mount-frame unit vectors (..., 3) of pixels: undoes `project`. Everything broadcasts."""
    ahead, across, upward = _camera_vector(x_px, y_px, pose.roll_deg, optics)
    along, poleward = np.radians(pose.along_deg), np.radians(pose.poleward_deg)
    level = ahead * np.cos(poleward) - upward * np.sin(poleward)
    pole = ahead * np.sin(poleward) + upward * np.cos(poleward)
    front = level * np.cos(along) - across * np.sin(along)
    right = level * np.sin(along) + across * np.cos(along)
    return np.stack(np.broadcast_arrays(front, right, pole), axis=-1)


def pose_seeing(
    mounted: Array, x_px: Numbers, y_px: Numbers, optics: Optics, *, roll_deg: Numbers = 0.0
) -> Pose:
    """Return the pose at a given roll that puts mount-frame directions (..., 3) on a pixel: re-centring.

    Exact. Where no pose can (a pixel too far from the lens axis for something near the pole): NaN.
    """
    ahead, across, upward = _camera_vector(x_px, y_px, roll_deg, optics)
    front, right, pole = mounted[..., 0], mounted[..., 1], mounted[..., 2]
    # What the pixel sees has the part ahead sin(d) + upward cos(d) along the pole, d the poleward angle.
    with np.errstate(invalid="ignore"):
        poleward = np.arcsin(pole / np.hypot(ahead, upward)) - np.arctan2(upward, ahead)
    level = ahead * np.cos(poleward) - upward * np.sin(poleward)
    along = np.arctan2(right, front) - np.arctan2(across, level)
    return Pose(np.degrees(along), np.degrees(poleward), roll_deg)


def up_angle_deg(
    direction: Array, axis: Array, theta_rad: Numbers, pose: Pose, optics: Optics, *, south: bool
) -> Array:
    """Return which way the zenith is in the picture from a local direction: degrees clockwise from up.

    A picture turned counter-clockwise by this angle is upright. Shapes as `in_mount_frame` and `project`.
    """
    # A step of an arcsecond either way along the vertical, carried through the whole geometry: a formula of
    # its own could disagree with `project`.
    step = 5e-6
    level = np.maximum(np.hypot(direction[..., 0], direction[..., 1]), 1e-12)
    up = direction[..., 2]
    toward = np.stack([-direction[..., 0] * up / level, -direction[..., 1] * up / level, level], axis=-1)
    lower, upper = (
        project(in_mount_frame(direction + sign * step * toward, axis, theta_rad, south=south), pose, optics)
        for sign in (-1, 1)
    )
    return floats(np.degrees(np.arctan2(upper[0] - lower[0], lower[1] - upper[1])))


def zenith_in_picture_deg(
    direction: Array,
    at_px: tuple[Numbers, Numbers],
    axis: Array,
    roll_deg: float,
    optics: Optics,
    *,
    south: bool,
) -> Array:
    """Return `up_angle_deg` for a camera of known roll that sees a local direction at `at_px`, (x, y)."""
    pose = pose_seeing(in_mount_frame(direction, axis, 0.0, south=south), *at_px, optics, roll_deg=roll_deg)
    return up_angle_deg(direction, axis, 0.0, pose, optics, south=south)


def separation_deg(first: Array, second: Array) -> Array:
    """Return the angle between unit vectors (..., 3), by the chord: exact at small angles too."""
    across = np.sqrt(((first - second) ** 2).sum(axis=-1))
    return floats(np.degrees(2 * np.arcsin(np.clip(across / 2, 0, 1))))


def position_angle_deg(first: Array, second: Array, latitude_deg: float) -> Array:
    """Return in which direction `second` lies from `first`: from celestial north through east, 0 to 360.

    Local unit vectors (..., 3); the true pole's latitude may be south (negative).
    """
    latitude = np.radians(latitude_deg)
    pole = np.array([0.0, np.cos(latitude), np.sin(latitude)])
    east = np.cross(pole, first)
    north = np.cross(first, east)
    return floats(np.degrees(np.arctan2((second * east).sum(axis=-1), (second * north).sum(axis=-1))) % 360)
