"""How a frame is turned against the vertical, and where the disc will go in it. Pure geometry."""

from dataclasses import dataclass

import numpy as np

from sentinel.core.angles import ARCSEC_RAD
from sentinel.core.records import Forecast, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.sky import (
    Optics,
    Sun,
    axis_vector,
    in_mount_frame,
    pose_seeing,
    project,
    rate_arcsec_s,
    up_angle_deg,
)
from sentinel.sky.arrays import Array

TRACK_H = 24.0
STEP_S = 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Upright:
    """What a picture of a frame needs to be shown upright with its future."""

    up_deg: float
    """Direction of the zenith in the stored frame, clockwise from up: turned back by it, it is upright."""
    up_sure: bool
    """The camera's roll on the mount is known; else it is taken as level with the mount's equator."""
    track_s: tuple[float, ...] = ()
    """POSIX seconds of the places of `track_px`; empty where no track can be told."""
    track_px: tuple[tuple[float, float], ...] = ()


def upright_of(frame: MeasuredFrame, forecast: Forecast | None, settings: Settings, sun: Sun) -> Upright:
    """Return how a frame is shown upright, on the mount as the forecast knows it."""
    optics = _optics(frame, forecast, settings)
    now_s = utc_s(frame.time_utc)
    axis, rate_rad_s = _mount(forecast, settings)
    south = settings.site.latitude_deg < 0
    mount = forecast.mount if forecast is not None else None
    roll_deg = mount.roll_deg if mount is not None else 0.0
    anchor_s, anchor_px = _anchor(frame, forecast, optics)
    seen = in_mount_frame(sun.direction(anchor_s), axis, rate_rad_s * (anchor_s - now_s), south=south)
    pose = pose_seeing(seen, *anchor_px, optics, roll_deg=roll_deg)
    up_deg = float(up_angle_deg(sun.direction(now_s), axis, 0.0, pose, optics, south=south))
    known = frame.disc.found or (forecast is not None and forecast.pointing is not None)
    times_s: Array = now_s + np.arange(0.0, TRACK_H * 3600 + 1, STEP_S)
    track: tuple[tuple[float, float], ...] = ()
    if known and not _astray(forecast):
        turned = rate_rad_s * (times_s - now_s)
        mounted = in_mount_frame(sun.direction(times_s), axis, turned, south=south)
        track = _inside(*project(mounted, pose, optics), optics)
    return Upright(
        up_deg=up_deg,
        up_sure=forecast is not None and mount is not None and "roll-open" not in forecast.flags,
        track_s=tuple(times_s[: len(track)].tolist()),
        track_px=track,
    )


def _optics(frame: MeasuredFrame, forecast: Forecast | None, settings: Settings) -> Optics:
    pitch_um = settings.camera.pixel_pitch_um
    return Optics.of_scale(shown_scale(forecast, settings), pitch_um, frame.width_px, frame.height_px)


def shown_scale(forecast: Forecast | None, settings: Settings) -> float:
    """Return the arcseconds a pixel, by the disc where one was measured."""
    mount = forecast.mount if forecast is not None else None
    return mount.scale_arcsec_px if mount is not None else settings.camera.scale_arcsec_px


def _mount(forecast: Forecast | None, settings: Settings) -> tuple[Array, float]:
    """Return the axis, and the drive's rate in radians a second."""
    rate = rate_arcsec_s(settings.mount.tracking)
    azimuth_deg = altitude_deg = 0.0
    if forecast is not None and forecast.mount is not None:
        axis = forecast.mount.axis
        if axis is not None:
            azimuth_deg, altitude_deg = axis.azimuth_error_deg, axis.altitude_error_deg
        rate = 0.0 if "stopped" in forecast.flags else 15.0 * forecast.mount.rate_ratio
    return axis_vector(settings.site.latitude_deg, azimuth_deg, altitude_deg), rate * ARCSEC_RAD


def _astray(forecast: Forecast | None) -> bool:
    """Whether the disc goes a way that the mount's model does not know."""
    return forecast is not None and forecast.departed_utc is not None and "stopped" not in forecast.flags


def _anchor(
    frame: MeasuredFrame, forecast: Forecast | None, optics: Optics
) -> tuple[float, tuple[float, float]]:
    """Return a time, and where the disc stands then: as measured, as expected, or in the middle."""
    if frame.disc.found:
        return utc_s(frame.time_utc), (frame.disc.x_px, frame.disc.y_px)
    if forecast is not None and forecast.pointing is not None:
        return utc_s(forecast.time_utc), forecast.pointing.expected_px
    return utc_s(frame.time_utc), optics.middle_px


def _inside(x: Array, y: Array, optics: Optics) -> tuple[tuple[float, float], ...]:
    """Return a track's places up to where the sun is a frame's width outside."""
    wide, high = optics.width_px, optics.height_px
    near = (np.abs(x - wide / 2) < 1.5 * wide) & (np.abs(y - high / 2) < 1.5 * high)
    count = len(near) if near.all() else int(np.argmin(near))
    return tuple((float(a), float(b)) for a, b in zip(x[:count], y[:count], strict=True))
