"""How long a disc stays in the frame on a mount whose errors are given: for planning and aligning."""

from dataclasses import dataclass

import numpy as np

from sentinel.chain.forecast.exits import Frame, first_exits
from sentinel.chain.forecast.sun_path import SunPath
from sentinel.core.angles import ARCSEC_RAD
from sentinel.core.settings import Settings
from sentinel.sky.arrays import Array, Numbers, floats
from sentinel.sky.mount import Optics, axis_vector, in_mount_frame, pose_seeing, project
from sentinel.sky.sun import Sun


@dataclass(frozen=True, slots=True)
class Mounting:
    """A mount that is off by known amounts, or k of them at once."""

    azimuth_error_deg: Numbers
    altitude_error_deg: Numbers
    rate_arcsec_s: Numbers
    roll_deg: float = 0.0
    """Of the camera on the mount, as `sky.mount.Pose` counts it."""


def tracks_px(
    settings: Settings,
    sun: Sun,
    mounting: Mounting,
    utc_s: Array,
    optics: Optics,
    *,
    at_px: tuple[float, float] | None = None,
) -> tuple[Array, Array]:
    """Return x and y (k, n) at times (n,) of a disc that is put in its place at the first of them.

    Nothing but geometry moves it: no worm, no flexure. NaN where it is behind the camera. `at_px` is where it
    is put; the middle of the frame where not given.
    """
    errors = mounting.azimuth_error_deg, mounting.altitude_error_deg, mounting.rate_arcsec_s
    azimuth, altitude, rate = (np.atleast_1d(each) for each in np.broadcast_arrays(*map(floats, errors)))
    south = settings.site.latitude_deg < 0
    axis = axis_vector(settings.site.latitude_deg, azimuth, altitude)
    theta = rate[:, None] * (ARCSEC_RAD * (utc_s - utc_s[0]))
    mounted = in_mount_frame(sun.middle_direction(utc_s), axis, theta, south=south)
    pose = pose_seeing(mounted[:, :1], *(at_px or optics.middle_px), optics, roll_deg=mounting.roll_deg)
    return project(mounted, pose, optics)


def stays_s(
    settings: Settings,
    sun: Sun,
    frame: Frame,
    mounting: Mounting,
    sun_ahead: SunPath,
    *,
    optics: Optics | None = None,
    at_px: tuple[float, float] | None = None,
) -> Array:
    """Return after how many seconds (k,) the limb first reaches the edge with the sun up; inf: not in 48 h.

    `frame`: its size, and the margin that the limb is to keep from the edge.
    `mounting`: errors and rates that broadcast to (k,).
    `sun_ahead`: the two days from when the disc is put in its place.
    `optics`: with the scale of the discs where it has been measured; else by lens and sensor.
    `at_px`: where it is put; the middle of the frame where not given.
    """
    if optics is None:
        camera = settings.camera
        optics = Optics(camera.focal_length_mm, camera.pixel_pitch_um, frame.width_px, frame.height_px)
    x, y = tracks_px(settings, sun, mounting, sun_ahead.times_s, optics, at_px=at_px)
    room = frame.room_px(x.T, y.T, (sun_ahead.radius_arcsec / optics.scale_arcsec_px)[:, None])
    # Behind a camera that stands still the sun has no place in the picture: it is out.
    return first_exits(np.nan_to_num(room, nan=-1.0), sun_ahead.day).after_s
