"""The stage of a drill: one's own place and lens, a sun that is up, settings for a watch on a quick clock."""

from datetime import UTC, datetime, timedelta
from math import ceil
from pathlib import Path

import numpy as np

from sentinel.chain.intake.decode import readable_headers
from sentinel.chain.intake.session import find_frames
from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Settings, Supplies, validate
from sentinel.core.times import DAY_S, from_utc_s, utc_s
from sentinel.jobs.simulate.scenario import Scenario, SimCamera, SimMount
from sentinel.sky import Sun
from sentinel.sky.horizon import above_line_deg

WIDEST_PX = 1500
"""Wider frames are binned: they take too long to render, and show nothing more."""
SENSOR_MM = (36.0, 24.0)
"""Where no picture tells the sensor's size."""
CLEAR_DEG = 3.0
"""The whole drill is played with the sun so far above the horizon line."""
STEP_S = 600.0
LOOKED_FOR_DAYS = 370
SHIPPED_START_UTC = datetime(2027, 6, 20, 20, tzinfo=UTC)
"""Under the midnight sun, whatever the season in which somebody tries it."""
NAME = "REHEARSAL"


def shipped_settings() -> Settings:
    """Return an invented operator's settings, for who has none yet."""
    return validate(
        {
            "site": {"latitude_deg": 70.37, "longitude_deg": 31.1, "elevation_m": 20.0, "temperature_c": 5.0},
            "camera": {"focal_length_mm": 250.0, "pixel_pitch_um": 36.0},
            "visit": {"travel_min": 6.0},
        },
        where="the shipped place",
    )


def frame_size(settings: Settings) -> tuple[int, int]:
    """Return the size of the stored frames: of one that lies there, or of a full-frame sensor."""
    folder = Path(settings.frames.folder) if settings.frames.folder else None
    if folder is not None and folder.is_dir():
        for _, header in readable_headers(find_frames(folder, settings.frames.patterns)[-3:]):
            return header.width_px, header.height_px
    width, height = (round(side * 1000 / settings.camera.pixel_pitch_um) for side in SENSOR_MM)
    return max(width, 64), max(height, 64)


def calm_world(settings: Settings, start_utc: datetime, length: timedelta, seed: int) -> Scenario:
    """Return the world of these settings in which nothing goes wrong."""
    size = frame_size(settings)
    binned = ceil(size[0] / WIDEST_PX)
    mount = settings.mount
    return Scenario(
        site=settings.site,
        camera=SimCamera(
            focal_length_mm=settings.camera.focal_length_mm,
            pixel_pitch_um=settings.camera.pixel_pitch_um * binned,
            width_px=size[0] // binned,
            height_px=size[1] // binned,
            interval_s=settings.camera.interval_s,
            model="R1",
        ),
        mount=SimMount(
            tracking=mount.tracking,
            azimuth_error_deg=0.12,
            altitude_error_deg=-0.08,
            worm_arcsec=6.0,
            wind_arcsec=2.0,
            axis_limit_deg=None,
        ),
        start_utc=start_utc,
        hours=length.total_seconds() / 3600,
        seed=seed,
    )


def watch_settings(settings: Settings, world: Scenario, frames: Path, speed: float) -> Settings:
    """Return the settings by which the drill is watched: one's own but for camera, folder and quick clock."""
    camera = settings.camera.model_copy(
        update={
            "name": f"{NAME} {settings.camera.name or ''}".strip(),
            "pixel_pitch_um": world.camera.pixel_pitch_um,
            "clock_offset_s": 0.0,
            "transfer": "auto",
        }
    )
    binned = world.camera.pixel_pitch_um / settings.camera.pixel_pitch_um
    changes = {
        "camera": camera,
        "frames": settings.frames.model_copy(
            update={
                "folder": str(frames),
                "patterns": ("*.jpg",),
                "margin_px": settings.frames.margin_px / binned,
            }
        ),
        "supplies": Supplies(),
        # Every loop is to turn once a second, however fast the clock goes.
        "intake": settings.intake.model_copy(update={"rescan_s": 1.0}),
        "delivery": settings.delivery.model_copy(
            update={"late_min": settings.delivery.late_min * max(speed, 1.0)}
        ),
        "state": settings.state.model_copy(update={"ballast_mb": 0.0}),
        "heartbeat": settings.heartbeat.model_copy(update={"url_from": None}),
    }
    return settings.model_copy(update=changes)


def first_light(settings: Settings, now_utc: datetime, length: timedelta) -> datetime:
    """Return the first time from now on at which the sun stays well up for the whole drill.

    Raises `RequestProblem` if there is none within a year.
    """
    sun = Sun(settings.site)
    needed = max(ceil(length.total_seconds() / STEP_S) + 1, 2)
    for day in range(LOOKED_FOR_DAYS):
        times = utc_s(now_utc) + DAY_S * day + STEP_S * np.arange(DAY_S / STEP_S + needed)
        up = np.asarray(above_line_deg(sun, times)) > CLEAR_DEG
        runs = np.convolve(up, np.ones(needed), "valid") >= needed
        if runs.any():
            return from_utc_s(float(times[np.argmax(runs)]))
    raise RequestProblem(
        "the sun is never up for so long there", where="site", mend="make the drill shorter with --for"
    )
