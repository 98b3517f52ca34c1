"""When a scenario's camera takes its pictures, and what it writes beside their pixels."""

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from math import floor

import numpy as np

from sentinel.core.angles import half_turn_deg
from sentinel.core.times import DAY_S, from_utc_s
from sentinel.jobs.simulate.events import ClockJump, Missing
from sentinel.jobs.simulate.files import Exif
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.sky.arrays import Array

FOLDER_SUFFIX = "FERNL"
FILE_PREFIX = "FERN"
_LAST_FILE = 9999  # of the design rule for camera file systems (DCF): four digits, 0001 to 9999
_PHASE_S = 0.37  # pictures do not fall on whole seconds
_LEVEL_SENSOR_DEG = 50.0  # a level sensor changes its mind only well past 45 degrees


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposures:
    """The pictures of a session; arrays of one shape (times,)."""

    utc_s: Array
    clock_s: Array
    """What the camera's clock shows, its zone taken off: POSIX seconds to the millisecond."""
    names: tuple[str, ...]
    exposure_s: Array


def exposures(scenario: Scenario) -> Exposures:
    """Return every picture that the camera takes, in order."""
    camera = scenario.camera
    count = floor(scenario.hours * 3600 / camera.interval_s - _PHASE_S / camera.interval_s) + 1
    slots: Array = scenario.start_s + _PHASE_S + camera.interval_s * np.arange(count, dtype=float)
    utc_s = slots[~scenario.during_any(Missing, slots)]
    stops = np.array(camera.bracket_stops)[np.arange(len(utc_s)) % len(camera.bracket_stops)]
    return Exposures(
        utc_s=utc_s,
        clock_s=np.floor((utc_s + clock_error_s(scenario, utc_s)) * 1000) / 1000,
        names=file_names(scenario, len(utc_s)),
        exposure_s=camera.exposure_s * 2.0**stops,
    )


def clock_error_s(scenario: Scenario, utc_s: Array) -> Array:
    """Return by how much the camera's clock is ahead of its zone's time."""
    camera = scenario.camera
    error = camera.clock_offset_s + camera.clock_drift_s_day * (utc_s - scenario.start_s) / DAY_S
    for event in scenario.events_of(ClockJump):
        error = error + np.where(utc_s >= scenario.seconds(event.at), event.step_s, 0.0)
    return np.asarray(error)


def file_names(scenario: Scenario, count: int) -> tuple[str, ...]:
    """Return names as a camera numbers them: after 9999, or when a folder is full, comes a new folder."""
    camera = scenario.camera
    folder, number, held = camera.first_folder, camera.first_file, 0
    suffix = camera.file_format.upper()
    names = []
    for _ in range(count):
        if held == camera.files_per_folder or number > _LAST_FILE:
            folder, held = folder + 1, 0
            number = 1 if number > _LAST_FILE else number
        names.append(f"DCIM/{folder:03d}{FOLDER_SUFFIX}/{FILE_PREFIX}{number:04d}.{suffix}")
        number, held = number + 1, held + 1
    return tuple(names)


def orientations(zenith_deg: Array) -> list[int]:
    """Return the EXIF Orientation a camera's level sensor would write, given the zenith's direction."""
    tags, held = [], 0.0
    for angle in zenith_deg.tolist():
        if abs(half_turn_deg(angle - held)) > _LEVEL_SENSOR_DEG:
            held = 90.0 * round(angle / 90)
        tags.append({0: 1, 90: 8, 180: 3, 270: 6}[int(held) % 360])
    return tags


def exif_of(scenario: Scenario, taken: Exposures, i: int, orientation: int) -> Exif:
    """Return what is written into the header of picture `i`."""
    camera = scenario.camera
    zone = timezone(timedelta(hours=camera.zone_offset_h))
    return Exif(
        taken=clock_time(taken, i).astimezone(zone),
        exposure_s=float(taken.exposure_s[i]),
        iso=camera.iso,
        aperture=camera.aperture,
        model=camera.model,
        orientation=orientation,
    )


def clock_time(taken: Exposures, i: int) -> datetime:
    """Return the camera's clock at picture `i`, in UTC but for the clock's error."""
    return from_utc_s(round(float(taken.clock_s[i]), 3))
