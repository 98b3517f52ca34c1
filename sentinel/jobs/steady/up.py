"""Which way is up in each frame of a session, and how well that is known."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.jobs.steady.roll import Attitude
from sentinel.sky import Optics, Orientation, Sun, axis_vector, in_mount_frame, pose_seeing, up_angle_deg
from sentinel.sky.angles import half_turn_deg
from sentinel.sky.arrays import Array

Up = Literal["solar-north", "celestial-north", "zenith", "camera"]

UP_WORDS: dict[Up, str] = {
    "solar-north": "solar north up",
    "celestial-north": "celestial north up",
    "zenith": "zenith up",
    "camera": "as the camera stores it",
}


@dataclass(frozen=True, slots=True)
class UpAngles:
    """For n frames: what is to be up, in the stored frame."""

    deg: Array
    """(n,) degrees clockwise from the frame's up; 0 where the session does not tell."""
    sigma_deg: Array
    """(n,) 1-sigma; infinite where the session does not tell."""


def up_angles(
    frames: Sequence[MeasuredFrame],
    attitudes: Sequence[Attitude],
    up: Up,
    settings: Settings,
    sun: Sun,
) -> UpAngles:
    """Return which way is up in frames; `attitudes` as `steady.roll` has them, one a frame."""
    deg, sigma_deg = np.zeros(len(frames)), np.zeros(len(frames))
    if up == "camera":
        return UpAngles(deg, sigma_deg)
    for attitude in set(attitudes):
        own = np.array([k for k, one in enumerate(attitudes) if one == attitude])
        if not attitude.known:
            sigma_deg[own] = np.inf
            continue
        times = np.array([utc_s(frames[k].time_utc) for k in own])
        zenith_deg = _zenith_deg([frames[k] for k in own], times, attitude, settings, sun)
        deg[own] = _turned(zenith_deg, times, up, sun)
        # An axis that is off by an angle turns what the camera sees by as much, and more off the equator.
        aside = attitude.axis_sigma_deg / np.cos(np.radians(np.atleast_1d(sun.declination_deg(times))))
        sigma_deg[own] = np.hypot(attitude.roll_sigma_deg, aside)
    return UpAngles(deg, sigma_deg)


def _turned(zenith_deg: Array, times_s: Array, up: Up, sun: Sun) -> Array:
    if up == "zenith":
        return zenith_deg
    if up == "solar-north":
        return np.asarray(Orientation(sun).north_in_picture_deg(times_s, zenith_deg))
    # Seen on the sky the zenith stands the parallactic angle counter-clockwise of north.
    return np.asarray(half_turn_deg(zenith_deg + sun.parallactic_angle_deg(times_s)))


def _zenith_deg(
    frames: Sequence[MeasuredFrame], times_s: Array, attitude: Attitude, settings: Settings, sun: Sun
) -> Array:
    """Return which way the zenith is, from the disc where one was found, else from the frame's middle."""
    south = settings.site.latitude_deg < 0
    axis = axis_vector(settings.site.latitude_deg, attitude.azimuth_error_deg, attitude.altitude_error_deg)
    # Counted from each frame's own middle: a session may hold frames of several sizes.
    optics = Optics.of_scale(attitude.scale_arcsec_px, settings.camera.pixel_pitch_um, 1, 1)
    x, y = np.array(
        [
            (frame.disc.x_px - (frame.width_px - 1) / 2, frame.disc.y_px - (frame.height_px - 1) / 2)
            if frame.disc.found
            else (0.0, 0.0)
            for frame in frames
        ]
    ).T
    direction = sun.direction(times_s)
    pose = pose_seeing(
        in_mount_frame(direction, axis, 0.0, south=south), x, y, optics, roll_deg=attitude.roll_deg
    )
    return up_angle_deg(direction, axis, 0.0, pose, optics, south=south)
