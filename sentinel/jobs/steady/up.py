"""Which way is up in each frame of a session, and how well that is known."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.jobs.steady.roll import Attitude
from sentinel.sky import Optics, Orientation, Sun, axis_vector, zenith_in_picture_deg
from sentinel.sky.arrays import Array

Up = Literal["solar-north", "celestial-north", "zenith", "camera"]

UP_WORDS: dict[Up, str] = {
    "solar-north": "solar north up",
    "celestial-north": "celestial north up",
    "zenith": "zenith up",
    "camera": "as the camera stores it",
}

LEAST_CHANGE_DEG = 0.02
"""From one frame to another: the discs' middles are not better known than would turn them so. A judgement."""
_STEP_DEG = 0.1
"""For derivatives: large against rounding, and small against any curve."""


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
        response = responses([frames[k] for k in own], attitude, settings, sun)
        errors = attitude.errors_deg2(settings.site.latitude_deg)
        sigma_deg[own] = np.sqrt(np.einsum("ni,ij,nj->n", response, errors, response))
    return UpAngles(deg, sigma_deg)


def responses(frames: Sequence[MeasuredFrame], attitude: Attitude, settings: Settings, sun: Sun) -> Array:
    """Return by how much up turns in each frame with the roll and the axis's azimuth and altitude, (n, 3)."""
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    columns = []
    for name in ("roll_deg", "azimuth_error_deg", "altitude_error_deg"):
        more, less = (
            replace(attitude, **{name: getattr(attitude, name) + sign * _STEP_DEG / 2}) for sign in (1, -1)
        )
        turned = (_zenith_deg(frames, times, one, settings, sun) for one in (more, less))
        columns.append(np.atleast_1d(half_turn_deg(np.subtract(*turned))) / _STEP_DEG)
    return np.stack(columns, axis=1)


def change_sigma_deg(
    frames: Sequence[MeasuredFrame], attitudes: Sequence[Attitude], settings: Settings, sun: Sun
) -> float:
    """Return how well it is known that the first and the last frame are turned alike, 1-sigma."""
    latitude_deg = settings.site.latitude_deg
    first, last = (responses([frames[k]], attitudes[k], settings, sun)[0] for k in (0, -1))
    if attitudes[0] == attitudes[-1]:
        apart = last - first
        errors = apart @ attitudes[0].errors_deg2(latitude_deg) @ apart
    else:
        # What the two have in common is not known here: as if it were nothing.
        pairs = (first, attitudes[0]), (last, attitudes[-1])
        errors = sum(row @ one.errors_deg2(latitude_deg) @ row for row, one in pairs)
    return float(np.sqrt(errors + LEAST_CHANGE_DEG**2))


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
    return zenith_in_picture_deg(sun.direction(times_s), (x, y), axis, attitude.roll_deg, optics, south=south)
