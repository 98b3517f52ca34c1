"""The two adjustments of the axis: how far each is off, how well that is known, what turning it will show.

Bolts are turned against the live view, one at a time. So each turn is told as what the disc does in the
picture meanwhile, in as many steps as the frame has room for.
"""

from dataclasses import dataclass
from math import ceil, hypot
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from sentinel.jobs.align.fitted import Fit
from sentinel.sky import in_mount_frame, pose_seeing, project
from sentinel.sky.arrays import Array

BoltName = Literal["azimuth", "altitude"]

# Known well enough to act on: with 95 % certainty a turn by what was found leaves no more of the error than
# this share, or so little that it does not matter; both on the sky. In a day an axis carries the disc about
# by twice what it is off at most: if each bolt leaves this share of the frame's room, both together by half
# of it, and the other half is for the drive, the tube and the hand that puts the disc.
LEFT_SHARE = 1 / 3
LEFT_ROOM_SHARE = 1 / 6
LEFT_DEG = 0.1
"""In a frame of less room an axis is recentred anyhow: there so much does not matter."""
ROLL_SURE_SHARE = 0.99
"""A bolt turned by the mirrored answer is turned the wrong way: the watch may live with less."""
TELLING_SIGMAS = 2.0
"""An error smaller than this cannot be told from none."""
SHOWS_WIDTHS_DEG = 0.3
"""A bolt that moves the disc by less per degree hardly shows in the live view."""
SPARE_WIDTHS = 0.25
"""Room kept to the frame's edge in a turn of several steps: nobody puts the disc exactly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltStep:
    """A part of a turn: where the disc is put before it and where it stands after; from the middle."""

    turn_deg: float
    from_right_widths: float
    from_up_widths: float
    to_right_widths: float
    to_up_widths: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bolt:
    """One of the two adjustments of the axis."""

    name: BoltName
    error_deg: float
    """Of the bolt: in azimuth the axis itself is off by less, the more so the higher the pole stands."""
    sigma_deg: float
    right_widths: float
    """What the disc does in the stored picture while the error is turned out, in sun-widths."""
    up_widths: float
    may_be_left_deg: float = LEFT_DEG
    """What may be left of the error, on the sky, and does not matter in this frame."""
    sky_share: float = 1.0
    """By how much of a degree of the bolt the axis moves on the sky."""
    roll_share: float = 1.0
    """How likely the camera's roll is that the errors stand on, 0 to 1."""
    settings_hold: bool = True
    """Whether nothing contradicts place and clock: else the axis stands elsewhere than the errors say."""
    fits: bool = True
    """Whether the frame has room for the whole turn, from where the disc is now and from the middle."""
    steps: tuple[BoltStep, ...] = ()
    """How to go where it has not; none: it has no room even for a part."""

    @property
    def mirrored(self) -> bool:
        """Whether a camera turned by half a turn on a mirrored axis is still to be reckoned with."""
        return self.roll_share < ROLL_SURE_SHARE

    @property
    def sky_error_deg(self) -> float:
        """By how much the bolt leaves the axis off on the sky."""
        return self.error_deg * self.sky_share

    @property
    def determined(self) -> bool:
        """Whether it is known well enough to act on."""
        allowed = max(self.may_be_left_deg, LEFT_SHARE * abs(self.sky_error_deg))
        return self.settings_hold and not self.mirrored and 2 * self.sigma_deg * self.sky_share <= allowed

    @property
    def is_off(self) -> bool:
        """Whether there is an error that the frames can tell."""
        return abs(self.error_deg) > TELLING_SIGMAS * self.sigma_deg

    @property
    def shows(self) -> bool:
        """Whether turning it moves the disc at this hour."""
        return hypot(self.right_widths, self.up_widths) > SHOWS_WIDTHS_DEG * abs(self.error_deg)


def bolts_of(fit: Fit) -> tuple[Bolt, Bolt]:
    """Return azimuth and altitude."""
    azimuth, altitude = fit.errors
    return (
        _bolt(fit, "azimuth", azimuth, float(np.cos(np.radians(fit.settings.site.latitude_deg)))),
        _bolt(fit, "altitude", altitude, 1.0),
    )


def _bolt(fit: Fit, name: BoltName, error: tuple[float, float], sky_share: float) -> Bolt:
    middle_px = np.array(fit.optics.middle_px)
    begin_px = np.array(fit.expected_px)
    moved_px = np.nan_to_num(_moved_px(fit, _turn(fit, name, -error[0]), fit.axis, begin_px))
    fits = all(_fits(fit, place) and _fits(fit, place + moved_px) for place in (begin_px, middle_px))
    width_px = 2 * fit.radius_px
    return Bolt(
        name=name,
        error_deg=error[0],
        sigma_deg=error[1],
        right_widths=float(moved_px[0]) / width_px,
        up_widths=float(-moved_px[1]) / width_px,
        may_be_left_deg=max(LEFT_DEG, LEFT_ROOM_SHARE * fit.room_deg),
        sky_share=sky_share,
        roll_share=fit.mount.roll_share,
        settings_hold=not (fit.forecast.contradiction and fit.forecast.contradiction.sure),
        fits=fits,
        steps=() if fits else _steps(fit, name, -error[0]),
    )


def turned_azimuth(clockwise_deg: float) -> Rotation:
    """Return how a mount turns in azimuth, clockwise seen from above; local frame (east, north, up)."""
    return Rotation.from_rotvec([0.0, 0.0, -np.radians(clockwise_deg)])


def turned_altitude(up_deg: float, axis: Array) -> Rotation:
    """Return how a mount turns in altitude: its axis (3,) comes up by the angle, in its own vertical."""
    level = np.array([axis[0], axis[1], 0.0]) / np.hypot(axis[0], axis[1])
    return Rotation.from_rotvec(np.cross(level, [0.0, 0.0, 1.0]) * np.radians(up_deg))


def _turn(fit: Fit, name: BoltName, by_deg: float) -> Rotation:
    return turned_azimuth(by_deg) if name == "azimuth" else turned_altitude(by_deg, fit.axis)


def _moved_px(fit: Fit, turn: Rotation, axis: Array, begin_px: Array) -> Array:
    """Return by how much (2,) the disc moves from a place in the picture while the whole mount is turned."""
    south, optics = fit.settings.site.latitude_deg < 0, fit.optics
    direction = fit.sun.middle_direction(fit.now_s)
    mounted = in_mount_frame(direction, axis, 0.0, south=south)
    pose = pose_seeing(
        mounted, float(begin_px[0]), float(begin_px[1]), optics, roll_deg=fit.mounting.roll_deg
    )
    # The mount turns one way: seen from it, the sun goes the other.
    seen = in_mount_frame(turn.inv().apply(direction), axis, 0.0, south=south)
    return np.array(project(seen, pose, optics), dtype=float) - begin_px


def _fits(fit: Fit, at_px: Array) -> bool:
    """Whether the whole disc is in the frame there."""
    return bool(fit.frame.room_px(at_px[0], at_px[1], fit.radius_px).min() >= 0)


def _steps(fit: Fit, name: BoltName, by_deg: float) -> tuple[BoltStep, ...]:
    """Return a turn in as few equal steps, each through the frame's middle, as the frame has room for.

    None where it has no room for any: then the bolt must be turned by its scale.
    """
    middle = np.array(fit.optics.middle_px)
    half = np.array([fit.like.width_px, fit.like.height_px]) / 2 - fit.frame.margin_px
    half -= fit.radius_px * (1 + 2 * SPARE_WIDTHS)
    if half.min() <= 0:
        return ()
    whole = np.abs(_moved_px(fit, _turn(fit, name, by_deg), fit.axis, middle))
    # A turn of a quarter and more takes the sun out of the picture's plane; a tenth more for the arc.
    count = max(ceil(float((whole / (2 * half)).max()) * 1.1), 1) if np.isfinite(whole).all() else 90
    axis, width_px = fit.axis, 2 * fit.radius_px
    steps = []
    for _ in range(count):
        turn = turned_azimuth(by_deg / count) if name == "azimuth" else turned_altitude(by_deg / count, axis)
        begin = middle - _moved_px(fit, turn, axis, middle) / 2
        end = begin + _moved_px(fit, turn, axis, begin)
        (right, down), (to_right, to_down) = ((place - middle) / width_px for place in (begin, end))
        steps.append(
            BoltStep(
                turn_deg=abs(by_deg) / count,
                from_right_widths=float(right),
                from_up_widths=float(-down),
                to_right_widths=float(to_right),
                to_up_widths=float(-to_down),
            )
        )
        axis = turn.apply(axis)
    return tuple(steps)
