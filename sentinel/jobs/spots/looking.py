"""From a session's picture files to looks: which pictures are looked at, and how the disc stands in each."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.intake.decode import Picture
from sentinel.chain.intake.process_pool import cores
from sentinel.chain.measure.levels import Levels
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.jobs.originals import picture_of
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.spots.blobs import DarkBlob, dark_blobs
from sentinel.jobs.spots.follow import Look
from sentinel.sky import DiscView, Orientation, Sun, flattening
from sentinel.sky.arrays import Array

MOST_LOOKS = 120
"""Pictures of a session that are looked at: more cost time and tell little more."""
MOST_THREADS = 2
"""Each holds a decoded picture."""
CLEAR_COVERAGE = 0.9
"""Of the limb, seen as a clean edge: less is cloud, whose own blobs would be followed."""


def clear_frames(frames: Sequence[MeasuredFrame], most: int = MOST_LOOKS) -> list[int]:
    """Return which frames show the whole disc in a clear sky, spread evenly over the time of all of these."""
    good = [
        i
        for i, frame in enumerate(frames)
        if frame.disc.whole
        and frame.disc.limb_coverage >= CLEAR_COVERAGE
        and frame.disc.saturated_fraction < 0.05
    ]
    if len(good) <= most:
        return good
    times = np.array([utc_s(frames[i].time_utc) for i in good])
    wanted = np.linspace(times[0], times[-1], most)
    return [good[k] for k in np.unique(np.abs(times[:, None] - wanted).argmin(axis=0))]


def squeezes(frames: Sequence[MeasuredFrame], settings: Settings, sun: Sun) -> Array:
    """Return short over long axis of the disc in each frame, as the air makes it."""
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    altitude_deg = np.maximum(np.atleast_1d(sun.altaz_deg(times)[0]), 0.0)
    return np.atleast_1d(flattening(altitude_deg, settings.site.pressure_hpa, settings.site.temperature_c))


def disc_views(
    frames: Sequence[MeasuredFrame], north_deg: Array, zenith_deg: Array, settings: Settings, sun: Sun
) -> list[DiscView]:
    """Return how the disc stands in each frame; the directions (n,) are degrees clockwise from up."""
    orientation = Orientation(sun)
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    columns = zip(
        frames,
        north_deg.tolist(),
        zenith_deg.tolist(),
        np.atleast_1d(orientation.central_latitude_deg(times)).tolist(),
        np.atleast_1d(orientation.central_longitude_deg(times)).tolist(),
        np.atleast_1d(sun.angular_radius_arcsec(times)).tolist(),
        squeezes(frames, settings, sun).tolist(),
        strict=True,
    )
    return [
        DiscView(
            x_px=frame.disc.x_px,
            y_px=frame.disc.y_px,
            radius_px=frame.disc.radius_px,
            north_deg=north,
            central_latitude_deg=latitude,
            central_longitude_deg=longitude,
            radius_arcsec=radius,
            flattening=squeeze,
            zenith_deg=zenith,
        )
        for frame, north, zenith, latitude, longitude, radius, squeeze in columns
    ]


def looks_at(
    frames: Sequence[MeasuredFrame],
    views: Sequence[DiscView],
    folder: Path,
    settings: Settings,
    progress: Progress = silent,
) -> list[Look]:
    """Return what is dark on the disc of each frame whose picture is there and is the one measured."""

    def look(frame: MeasuredFrame, view: DiscView) -> Look | None:
        picture = picture_of(folder, frame, settings.camera.transfer)
        if picture is None:
            return None
        return Look(utc_s=utc_s(frame.time_utc), view=view, blobs=blobs_in(picture, frame, view))

    pool = ThreadPoolExecutor(min(MOST_THREADS, cores()))
    try:
        found = pool.map(look, frames, views)
        counted = reported(found, "looking for spots and dust", len(frames), progress)
        return [one for one in counted if one is not None]
    finally:
        # Whoever interrupts does not wait for all that was begun.
        pool.shutdown(cancel_futures=True)


def blobs_in(picture: Picture, frame: MeasuredFrame, view: DiscView) -> tuple[DarkBlob, ...]:
    """Return what is dark on the measured disc of a decoded picture, in pixels of the stored frame."""
    disc, step = frame.disc, picture.step
    x, y = ((at - shift + 0.5) / step - 0.5 for at, shift in zip(
        (disc.x_px, disc.y_px), picture.shift_px, strict=True))  # fmt: skip
    radius = disc.radius_px / step
    left, top = max(0, int(x - radius) - 4), max(0, int(y - radius) - 4)
    window: NDArray[Any] = picture.values[top : ceil(y + radius) + 5, left : ceil(x + radius) + 5]
    light = Levels(window, picture.transfer, picture.full_scale).linear(window)
    edge_px = disc.edge_width_px / step if disc.edge_width_px > 0 else 0.0
    found = dark_blobs(
        light,
        x - left,
        y - top,
        radius,
        edge_width_px=edge_px,
        squeeze=(float(np.asarray(view.flattening)), float(np.asarray(view.zenith_deg))),
    )

    def stored(at: float, first: int, shift: float) -> float:
        return (at + first + 0.5) * step - 0.5 + shift

    return tuple(
        DarkBlob(
            x_px=stored(blob.x_px, left, picture.shift_px[0]),
            y_px=stored(blob.y_px, top, picture.shift_px[1]),
            area_px=blob.area_px * step * step,
            contrast=blob.contrast,
        )
        for blob in found
    )
