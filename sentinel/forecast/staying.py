"""How long a disc stays in the frame on a mount whose errors are given: for planning and aligning."""

from dataclasses import dataclass

import numpy as np

from sentinel.forecast.coming import Coming
from sentinel.forecast.exits import Frame, first_exits
from sentinel.settings import Settings
from sentinel.sky.arrays import Array, Numbers, floats
from sentinel.sky.mount import Optics, axis_vector, in_mount_frame, pose_seeing, project
from sentinel.sky.sun import Sun

_ARCSEC_RAD = np.pi / 180 / 3600


@dataclass(frozen=True, slots=True)
class Mounting:
    """A mount that is off by known amounts, or k of them at once."""

    azimuth_error_deg: Numbers
    altitude_error_deg: Numbers
    rate_arcsec_s: float
    roll_deg: float = 0.0
    """Of the camera on the mount, as `sky.mount.Pose` counts it."""


def stays_s(
    settings: Settings,
    sun: Sun,
    frame: Frame,
    mounting: Mounting,
    ahead: Coming,
    *,
    scale_arcsec_px: float | None = None,
    at_px: tuple[float, float] | None = None,
) -> Array:
    """Return after how many seconds the limb first reaches the edge with the sun up; inf: not in two days.

    Parameters
    ----------
    frame
        Its size, and the margin that the limb is to keep from the edge.
    mounting
        Errors that broadcast to (k,); nothing but geometry moves the disc: no worm, no flexure.
    ahead
        The two days from when the disc is put in its place.
    scale_arcsec_px
        By the disc, where it has been measured; else by lens and sensor.
    at_px
        Where it is put; the middle of the frame where not given.

    Returns
    -------
    Shape (k,).
    """
    camera, site = settings.camera, settings.site
    scale = scale_arcsec_px or camera.scale_arcsec_px
    optics = Optics(
        camera.focal_length_mm * camera.scale_arcsec_px / scale,
        camera.pixel_pitch_um,
        frame.width_px,
        frame.height_px,
    )
    azimuth, altitude = np.atleast_1d(
        *np.broadcast_arrays(floats(mounting.azimuth_error_deg), floats(mounting.altitude_error_deg))
    )
    axis = axis_vector(site.latitude_deg, azimuth, altitude)
    theta = mounting.rate_arcsec_s * _ARCSEC_RAD * ahead.offsets_s
    mounted = in_mount_frame(
        sun.middle_direction(ahead.times_s), axis, theta[None, :], south=site.latitude_deg < 0
    )
    pose = pose_seeing(mounted[:, :1], *(at_px or frame.middle_px), optics, roll_deg=mounting.roll_deg)
    x, y = project(mounted, pose, optics)
    room = frame.room_px(x.T, y.T, (ahead.radius_arcsec / scale)[:, None])
    # Behind a camera that stands still the sun has no place in the picture: it is out.
    return first_exits(np.nan_to_num(room, nan=-1.0), ahead.day).after_s
