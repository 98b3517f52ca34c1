"""All that a journal holds of a session, as of one moment, and its frames as columns of numbers."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf, isfinite
from pathlib import Path

import numpy as np

from sentinel.chain.forecast.exits import Frame
from sentinel.chain.intake.session import CONFIG_NAME, JOURNAL_NAME
from sentinel.chain.notify.digest import chained
from sentinel.chain.undo import standing_marks
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Alert, Forecast, Incident, Mark, MeasuredFrame, Surroundings, frame_order
from sentinel.core.settings import Settings, load_settings
from sentinel.core.times import DAY_S, utc_s
from sentinel.jobs.originals import originals_folder
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.session_facts import (
    DeliveryRecord,
    KeptSettings,
    deliveries,
    frame_rows,
    kept_frames_folder,
    kept_settings,
    surroundings,
    until_utc,
)
from sentinel.sky import Sun, above_line_deg
from sentinel.sky.arrays import Array, Bools

STRAY_DAYS = 40.0
"""A frame farther than this from the middle of all exposures has a wrong date."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A frame's place in the running hash."""

    number: int
    """Order of arrival, from 1."""
    running: str
    """The hash up to and with this frame, in hexadecimal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A session as the journal has it."""

    origin: Origin
    settings: Settings
    kept: tuple[KeptSettings, ...]
    """The settings that held, as the journal has them; empty: it has none."""
    frames: tuple[MeasuredFrame, ...]
    """In order of exposure, at least one."""
    strays: tuple[MeasuredFrame, ...]
    """Frames whose date is far from all others'; not among `frames`."""
    originals: Path | None
    """Where the pictures lie; None: not to be found."""
    links: dict[int, Link]
    """By `id` of the frame; only frames whose bytes were hashed."""
    unreadable_rows: int
    """Frames whose row in the journal is spoilt."""
    until_utc: datetime
    """When a watch was last at work after the last frame; in a replay, the last frame's own time."""
    marks: tuple[Mark, ...]
    surroundings: tuple[Surroundings, ...]
    forecasts: tuple[Forecast, ...]
    incidents: tuple[Incident, ...]
    alerts: tuple[Alert, ...]
    deliveries: tuple[DeliveryRecord, ...]

    @property
    def chain(self) -> str:
        """The running hash of the whole session; empty: no frame was hashed."""
        last = max(self.links.values(), key=lambda link: link.number, default=None)
        return last.running if last else ""


def read_record(folder: Path, configs: Sequence[Path] = (), originals: Path | None = None) -> Record:
    """Read a session; `originals` is where its pictures lie, where they are not to be found by themselves.

    Raises `RequestProblem` if there is no journal, it cannot be read, it holds no frames, no settings are to
    be found, or the pictures are not where they were said to be.
    """
    try:
        with Journal.read(folder / JOURNAL_NAME) as journal, journal.as_of_now():
            return _read(journal, folder, configs, originals)
    except RequestProblem:
        raise
    except Problem as problem:
        raise RequestProblem(str(problem)) from None


def _read(journal: Journal, folder: Path, configs: Sequence[Path], originals: Path | None) -> Record:
    arrived = [_sound(frame) for frame in journal.frames()]
    if not arrived:
        raise RequestProblem("holds no frames yet", where=str(folder / JOURNAL_NAME), mend="check the folder")
    kept = kept_settings(journal)
    frames, strays = _by_exposure(arrived)
    settings = _settings(folder, configs, kept)
    return Record(
        origin=journal.origin,
        settings=settings,
        kept=kept,
        frames=frames,
        strays=strays,
        originals=originals_folder(frames, folder, kept_frames_folder(journal), settings, originals),
        links=_links(arrived),
        unreadable_rows=frame_rows(journal) - len(arrived),
        until_utc=_until(journal, frames[-1].time_utc),
        marks=tuple(sorted(standing_marks(journal.marks()), key=lambda mark: mark.time_utc)),
        surroundings=tuple(surroundings(journal)),
        forecasts=tuple(sorted(journal.forecasts(), key=lambda one: one.time_utc)),
        incidents=tuple(journal.incidents()),
        alerts=tuple(journal.alerts()),
        deliveries=tuple(deliveries(journal)),
    )


def _settings(folder: Path, configs: Sequence[Path], kept: tuple[KeptSettings, ...]) -> Settings:
    if configs:
        return load_settings(configs)
    if kept:
        return kept[-1].settings
    beside = folder / CONFIG_NAME
    if not beside.is_file():
        raise RequestProblem(
            "its journal holds no settings", where=str(folder), mend="name the session's with --config"
        )
    return load_settings([beside])


def _until(journal: Journal, last_utc: datetime) -> datetime:
    until = until_utc(journal) if journal.origin is Origin.WATCH else None
    # Old frames put before a live watch, or a clock that was wrong, must not stretch the session.
    if until is None or not last_utc < until < last_utc + timedelta(days=STRAY_DAYS):
        return last_utc
    return until


def _sound(frame: MeasuredFrame) -> MeasuredFrame:
    """Return a frame whose disc, if it has one, has a place and a size."""
    disc = frame.disc
    if not disc.found or (isfinite(disc.x_px) and isfinite(disc.y_px) and 0 < disc.radius_px < inf):
        return frame
    return replace(frame, disc=replace(disc, found=False))


def _by_exposure(
    arrived: Sequence[MeasuredFrame],
) -> tuple[tuple[MeasuredFrame, ...], tuple[MeasuredFrame, ...]]:
    """Return the frames in order of exposure, and apart from them those of a wrong date."""
    times = np.array([utc_s(frame.time_utc) for frame in arrived])
    near = np.abs(times - np.median(times)) < STRAY_DAYS * DAY_S
    if not near.any():
        near[:] = True
    kept = [frame for frame, is_near in zip(arrived, near, strict=True) if is_near]
    strays = [frame for frame, is_near in zip(arrived, near, strict=True) if not is_near]
    return tuple(sorted(kept, key=frame_order)), tuple(strays)


def _links(arrived: Sequence[MeasuredFrame]) -> dict[int, Link]:
    links: dict[int, Link] = {}
    running = ""
    for number, frame in enumerate((frame for frame in arrived if frame.sha256), 1):
        running = chained(running, frame.sha256)
        links[id(frame)] = Link(number=number, running=running)
    return links


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """The frames as arrays (n,), in order of exposure; NaN where not measured."""

    utc_s: Array
    found: Bools
    whole: Bools
    """The disc was found with all of its limb inside the frame."""
    x_px: Array
    y_px: Array
    radius_px: Array
    sigma_px: Array
    room_px: Array
    """Between limb and nearest edge; negative: cut."""
    limb_in_frame: Array
    coverage: Array
    edge_px: Array
    brightness: Array
    saturated: Array
    exposure: Array
    """Seconds times ISO over the square of the aperture: how much of the light was let in."""
    altitude_deg: Array
    """Of the sun, apparent, by computation."""
    above_deg: Array
    """Of the sun's centre above the horizon line."""
    sun_radius_arcsec: Array
    """By computation, airless."""

    def __len__(self) -> int:
        return len(self.utc_s)


def room_px(frame: MeasuredFrame) -> float:
    """Return the room between the disc's limb and the nearest edge of the frame; negative: cut."""
    disc = frame.disc
    edges = Frame(frame.width_px, frame.height_px, margin_px=0.0)
    return float(edges.room_px(np.array(disc.x_px), np.array(disc.y_px), disc.radius_px).min())


def columns_of(frames: Sequence[MeasuredFrame], sun: Sun) -> Columns:
    """Return frames in order of exposure as columns."""
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    found = np.array([frame.disc.found for frame in frames])

    def of_disc(name: str) -> Array:
        return np.array([float(getattr(frame.disc, name)) for frame in frames])

    def of_found(name: str) -> Array:
        return np.where(found, of_disc(name), np.nan)

    exposure = np.array([f.exposure_s * f.iso / f.aperture**2 if f.aperture > 0 else np.nan for f in frames])
    return Columns(
        utc_s=times,
        found=found,
        whole=np.array([frame.disc.whole for frame in frames]),
        x_px=of_found("x_px"),
        y_px=of_found("y_px"),
        radius_px=of_found("radius_px"),
        sigma_px=of_found("centre_sigma_px"),
        room_px=np.array([room_px(frame) if frame.disc.found else np.nan for frame in frames]),
        limb_in_frame=of_found("limb_in_frame"),
        coverage=of_found("limb_coverage"),
        edge_px=of_found("edge_width_px"),
        brightness=of_found("brightness"),
        saturated=of_found("saturated_fraction"),
        exposure=exposure,
        altitude_deg=np.atleast_1d(sun.altaz_deg(times)[0]),
        above_deg=np.atleast_1d(above_line_deg(sun, times)),
        sun_radius_arcsec=np.atleast_1d(sun.angular_radius_arcsec(times)),
    )
