"""The sun as the camera will see it: sizes, what a stop leaves, how the picture turns."""

import numpy as np

from sentinel.chain.forecast.dwell import Mounting, stays_s
from sentinel.chain.forecast.exits import Frame
from sentinel.chain.forecast.sun_path import SunPath
from sentinel.core.settings import Settings
from sentinel.core.times import DAY_S
from sentinel.jobs.plan.records import Field, PictureFacts, Side, Stop, Trip, Tripod
from sentinel.sky import (
    Sun,
    above_line,
    axis_vector,
    in_mount_frame,
    pose_seeing,
    separation_deg,
    up_angle_deg,
)
from sentinel.sky.arrays import Array
from sentinel.sky.mount import Optics

_ROLLS_DEG: dict[Side, float] = {"width": 0.0, "height": 90.0}


def picture_facts(settings: Settings, sun: Sun, trip: Trip, starts: tuple[SunPath, ...]) -> PictureFacts:
    """Return sizes and motions; `starts` are the times at which the mount might stop."""
    scale = settings.camera.scale_arcsec_px
    begin_s, end_s = trip.span_s
    disc_px = 2 * sun.angular_radius_arcsec(np.linspace(begin_s, end_s, 241)) / scale
    fixed = settings.mount.tracking == "none"
    field = _field(settings, trip, float(disc_px.max()))
    return PictureFacts(
        scale_arcsec_px=scale,
        disc_least_px=float(disc_px.min()),
        disc_most_px=float(disc_px.max()),
        moves_px_min=_moves_px_min(sun, starts, scale),
        field=field,
        stops=_stops(settings, sun, trip, starts) if field and field.disc_fits and not fixed else (),
        vertical_turns_deg=None if fixed else _vertical_turns_deg(sun, (begin_s + end_s) / 2),
    )


def _field(settings: Settings, trip: Trip, disc_px: float) -> Field | None:
    if trip.frame_px is None:
        return None
    optics = Optics.of(settings.camera, *trip.frame_px)
    width, height = trip.frame_px
    return Field(
        width_px=width,
        height_px=height,
        width_deg=float(2 * np.degrees(np.arctan(width / 2 / optics.focal_px))),
        height_deg=float(2 * np.degrees(np.arctan(height / 2 / optics.focal_px))),
        width_suns=width / disc_px,
        height_suns=height / disc_px,
        disc_fits=min(width, height) - 2 * settings.frames.margin_px > disc_px,
    )


def _moves_px_min(sun: Sun, starts: tuple[SunPath, ...], scale_arcsec_px: float) -> float | None:
    if not starts:
        return None
    times = np.array([start.now_s for start in starts])
    moved = separation_deg(sun.direction(times - 30), sun.direction(times + 30))
    return float(moved.max()) * 3600 / scale_arcsec_px


def _stops(settings: Settings, sun: Sun, trip: Trip, starts: tuple[SunPath, ...]) -> tuple[Stop, ...]:
    """Return what a stop leaves; the sun goes along the equator."""
    assert trip.frame_px is not None  # noqa: S101 - there is a field
    found = []
    for along, roll_deg in _ROLLS_DEG.items():
        touches: list[float] = []
        gone: list[float] = []
        for start in starts:
            # A disc is gone when it is past the edge by its whole diameter.
            diameter_px = 2 * float(start.radius_arcsec[0]) / settings.camera.scale_arcsec_px
            for times, margin_px in ((touches, 0.0), (gone, -diameter_px)):
                frame = Frame(*trip.frame_px, margin_px)
                times.append(stays_s(settings, sun, frame, Mounting(0.0, 0.0, 0.0, roll_deg), start)[0])
        if touches and np.isfinite(min(touches)) and np.isfinite(min(gone)):
            minutes = float(min(touches)) / 60, float(min(gone)) / 60
            found.append(Stop(along=along, limb_touches_min=minutes[0], disc_gone_min=minutes[1]))
    return tuple(found)


def _vertical_turns_deg(sun: Sun, middle_s: float) -> float | None:
    """Return how far the vertical turns in the frame while the sun is up, in the solar day around a time."""
    noon_s = middle_s - float(sun.hour_angle_deg(middle_s)) * DAY_S / 360
    times = noon_s + np.linspace(-DAY_S / 2, DAY_S / 2, 289)
    up = above_line(sun, times, "upper")
    if not up.any():
        return None
    turn = np.unwrap(sun.parallactic_angle_deg(times), period=360)[up]
    return float(turn.max() - turn.min())


def tripod(settings: Settings, sun: Sun, trip: Trip, starts: tuple[SunPath, ...]) -> Tripod | None:
    """Return how long a disc stays in the frame of a level camera that stands still."""
    if trip.frame_px is None or not starts:
        return None
    frame = Frame(*trip.frame_px, settings.frames.margin_px)
    optics = Optics.of(settings.camera, *trip.frame_px)
    minutes: list[float] = []
    for start in starts:
        roll_deg = _level_roll_deg(sun, start.now_s, optics)
        stays = stays_s(settings, sun, frame, Mounting(0.0, 0.0, 0.0, roll_deg), start)[0]
        # From some starts it sets before it comes to the edge, and does not rise within it.
        minutes += [stays / 60] if np.isfinite(stays) else []
    if not minutes:
        return None
    return Tripod(least_min=float(np.min(minutes)), usual_min=float(np.median(minutes)))


def _level_roll_deg(sun: Sun, at_s: float, optics: Optics) -> float:
    """Return the roll against the equator of a camera whose up is the zenith's."""
    latitude_deg = sun.site.latitude_deg
    direction, axis, south = sun.direction(at_s), axis_vector(latitude_deg), latitude_deg < 0
    mounted: Array = in_mount_frame(direction, axis, 0.0, south=south)
    pose = pose_seeing(mounted, *optics.middle_px, optics)
    return float(up_angle_deg(direction, axis, 0.0, pose, optics, south=south))
