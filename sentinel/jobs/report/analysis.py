"""One session, worked out once: everything that page and pictures are made from."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from functools import cached_property
from pathlib import Path

import numpy as np

from sentinel.chain.notify.counting import GAP_INTERVALS
from sentinel.chain.track import Context, parts_of
from sentinel.core.foreseen import PolarAxis
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.jobs.progress import Progress
from sentinel.jobs.report.constancy import Constancy, constancy_of
from sentinel.jobs.report.coverage import Clocks, Hour, Share, Sizes, clocks_of, hours_of, share_of, sizes_of
from sentinel.jobs.report.forecast_checks import (
    CheckedForecast,
    ObservedExit,
    Skill,
    check_forecasts,
    find_exits,
    skill_of,
)
from sentinel.jobs.report.record import Record, columns_of
from sentinel.jobs.report.style import TimeAxis
from sentinel.jobs.report.summary import Summary, summarise
from sentinel.jobs.report.track_fit import Spread, TrackFit, fit_track
from sentinel.jobs.spots.follow import Look
from sentinel.jobs.spots.looking import disc_views, looks_at
from sentinel.jobs.steady import Attitude, Up, UpAngles, attitudes, up_angles
from sentinel.sky import Optics, Sun, daylight, spans_outside

SILENT_S = 300.0
"""A watch that goes on for so long after the last frame has missed some."""


class Analysis:
    """A session with all that is worked out of it, each thing when it is first asked for."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.sun = Sun(record.settings.site)
        self.columns = columns_of(record.frames, self.sun)
        begin_s = float(self.columns.utc_s[0])
        self.axis = TimeAxis(begin_s, max(utc_s(record.until_utc), begin_s + 60))

    @cached_property
    def summary(self) -> Summary:
        """What a replay says at its end."""
        r = self.record
        last = r.forecasts[-1] if r.forecasts else None
        return summarise(r.frames, r.incidents, r.alerts, last, r.settings, marks=r.marks)

    @cached_property
    def frame_px(self) -> tuple[int, int]:
        """Width and height of most frames."""
        sizes = Counter((f.width_px, f.height_px) for f in self.record.frames if f.width_px and f.height_px)
        return max(sizes, key=lambda size: (sizes[size], size), default=(0, 0))

    @property
    def optics(self) -> Optics:
        """The configured lens before that frame."""
        return Optics.of(self.record.settings.camera, *self.frame_px)

    @cached_property
    def parts(self) -> Sequence[int]:
        """The part of the track that each frame belongs to."""
        r = self.record
        return parts_of(r.frames, [*r.marks, *r.forecasts], Context(r.settings, self.sun))

    @cached_property
    def attitudes(self) -> list[Attitude]:
        """How camera and mount stood at each frame."""
        r = self.record
        return attitudes(r.frames, r.forecasts, self.parts, r.settings, self.sun)

    def up_angles(self, frames: Sequence[MeasuredFrame], up: Up) -> UpAngles:
        """Return which way is up in some of the frames."""
        own = [self.attitudes[self._number[id(frame)]] for frame in frames]
        return up_angles(frames, own, up, self.record.settings, self.sun)

    @cached_property
    def _number(self) -> dict[int, int]:
        return {id(frame): number for number, frame in enumerate(self.record.frames)}

    def looks(self, frames: Sequence[MeasuredFrame], folder: Path, progress: Progress) -> list[Look]:
        """Return what is dark on the disc of some of the frames, by their pictures in a folder."""
        settings = self.record.settings
        north, zenith = (self.up_angles(frames, up).deg for up in ("solar-north", "zenith"))
        views = disc_views(frames, north, zenith, settings, self.sun)
        return looks_at(frames, views, folder, settings, progress)

    @cached_property
    def track(self) -> TrackFit:
        """The discs beside the sun's path through the fitted mount."""
        r = self.record
        return fit_track(
            self.columns,
            self.optics,
            r.settings,
            self.sun,
            parts=self.parts,
            forecasts=r.forecasts,
            marks=r.marks,
        )

    @cached_property
    def spread(self) -> Spread | None:
        """How far the discs lie from their computed places; None: none was compared."""
        return self.track.spread(self.columns.found)

    @property
    def width_arcsec(self) -> float:
        """The sun's usual width in this time, by computation."""
        return 2 * float(np.median(self.columns.sun_radius_arcsec))

    @property
    def unseen(self) -> int:
        """Pictures without a disc though the sun was up."""
        return int((~self.columns.found & (self.columns.above_deg >= 0)).sum())

    @property
    def seen_while_down(self) -> int:
        """Pictures with a disc though, by the settings, the sun was well down."""
        down = self.columns.altitude_deg < self.record.settings.thresholds.sun_down_deg
        return int((self.columns.found & down).sum())

    @cached_property
    def clocks(self) -> Clocks:
        """What is known of the clocks."""
        return clocks_of(self.record)

    @cached_property
    def share(self) -> Share:
        """How much of the sun was recorded."""
        return share_of(self.columns, self.summary.interval_s, self.sun)

    @cached_property
    def sizes(self) -> Sizes | None:
        """The radii beside the sun's; None: no disc was seen whole."""
        return sizes_of(self.columns, self.record.settings.site, self.optics)

    @cached_property
    def constancy(self) -> Constancy | None:
        """How well the disc kept its size; None: too few were seen whole."""
        return constancy_of(self.columns, self.sizes.percent) if self.sizes is not None else None

    @cached_property
    def hours(self) -> list[Hour]:
        """The session hour by hour."""
        return hours_of(self.record, self.columns, self.track, self.sizes, self.summary)

    @cached_property
    def exits(self) -> tuple[ObservedExit, ...]:
        """When the limb reached the edge."""
        return find_exits(self.columns, self.track.stretch, self.record.settings.frames.margin_px)

    @cached_property
    def checked(self) -> tuple[CheckedForecast, ...]:
        """The forecasts beside what came."""
        margin_px = self.record.settings.frames.margin_px
        return check_forecasts(self.record.forecasts, self.columns, self.track.stretch, self.exits, margin_px)

    @property
    def skill(self) -> Skill:
        """How good the forecasts were."""
        return skill_of(self.checked)

    @property
    def skill_of_steady(self) -> Skill:
        """How good they were while the mount followed the sun."""
        return skill_of([one for one in self.checked if not one.ran_away])

    @property
    def skill_of_astray(self) -> Skill:
        """How good they were of exits of a mount that had let the sun go already."""
        return skill_of([one for one in self.checked if one.ran_away])

    @property
    def last_axis(self) -> tuple[datetime, PolarAxis] | None:
        """The polar axis as the last forecast that knew it had it, and of when that was."""
        known = (
            (forecast.time_utc, forecast.mount.axis)
            for forecast in reversed(self.record.forecasts)
            if forecast.mount is not None and forecast.mount.axis is not None
        )
        return next(known, None)

    @cached_property
    def nights(self) -> list[tuple[float, float]]:
        """When the sun's centre was below the horizon line, POSIX seconds."""
        whole = self.axis.begin_s, self.axis.end_s
        return spans_outside(daylight(self.sun, *whole).spans, *whole)

    @property
    def interval_s(self) -> float:
        """Usual time between frames, or the configured one."""
        return self.summary.interval_s or self.record.settings.camera.interval_s

    @property
    def silent_since_utc(self) -> datetime | None:
        """The last frame's time, where a watch went on without any more; None: it did not."""
        waited = (self.record.until_utc - self.summary.end_utc).total_seconds()
        return self.summary.end_utc if waited > max(GAP_INTERVALS * self.interval_s, SILENT_S) else None
