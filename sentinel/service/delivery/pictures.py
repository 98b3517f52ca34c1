"""The picture of a message: its frame, read from where the camera's files arrive, and drawn."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from sentinel.chain.intake.decode import Picture, read_picture
from sentinel.chain.notify.picture import Grey, Sketch, behind, picture_jpeg
from sentinel.chain.notify.upright import shown_scale, upright_of
from sentinel.core.errors import FrameProblem
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.service.journal.rows import PictureScene
from sentinel.sky import Sun

Draw = Callable[[PictureScene, int], bytes | None]
"""Draws a scene in at most so many bytes; None where there is no picture of it."""


def drawing(settings: Settings, *, upright: bool = True, target: bool = False) -> Draw:
    """Return what draws the pictures of a watch; it runs on the threads that send.

    `upright`: turn the picture so that the zenith is up; else it stays as the camera stores it.
    `target`: draw where the next re-centring should put the disc.
    """
    sun = Sun(settings.site)

    def draw(scene: PictureScene, most_bytes: int) -> bytes | None:
        try:
            grey = _grey(read_picture(Path(settings.frames.folder) / scene.frame.frame))
        except FrameProblem:
            return None
        return draw_scene(grey, scene, settings, sun, most_bytes=most_bytes, upright=upright, target=target)

    return draw


def draw_scene(
    grey: Grey,
    scene: PictureScene,
    settings: Settings,
    sun: Sun,
    *,
    most_bytes: int,
    upright: bool = True,
    target: bool = False,
) -> bytes:
    """Return the JPEG of a frame's levels (ny, nx) with all that is known of it drawn in."""
    frame, forecast = scene.frame, scene.forecast
    shown = upright_of(frame, forecast, settings, sun)
    if not upright:
        shown = replace(shown, up_deg=0.0)
    pointing = forecast.pointing if forecast is not None else None
    places = forecast.places if forecast is not None and target else None
    radius_px = float(sun.angular_radius_arcsec(utc_s(frame.time_utc))) / shown_scale(forecast, settings)
    sketch = Sketch(
        frame=frame,
        upright=shown,
        margin_px=settings.frames.margin_px,
        behind_px=behind(scene.way, frame),
        expected_px=pointing.expected_px if pointing is not None else None,
        target_px=places.now.to_px if places is not None else None,
        expected_radius_px=radius_px,
    )
    return picture_jpeg(grey, sketch, most_bytes=most_bytes)


def _grey(picture: Picture) -> Grey:
    """Return levels as a screen shows them."""
    values = picture.values
    # No larger than is drawn: what follows then costs little whatever the camera.
    step = max(1, min(values.shape) // 1200)
    values = values[::step, ::step]
    if values.dtype == np.uint8 and picture.transfer == "srgb":
        return np.ascontiguousarray(values)
    levels = np.clip(np.nan_to_num(values.astype(np.float32) / picture.full_scale), 0.0, 1.0)
    if picture.transfer == "linear":
        levels = levels ** (1 / 2.2)
    return np.asarray(np.round(255 * levels), dtype=np.uint8)
