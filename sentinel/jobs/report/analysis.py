"""One session, worked out once: everything that page and pictures are made from."""

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from sentinel.chain.track import Context, parts_of
from sentinel.core.times import utc_s
from sentinel.jobs.report.coverage import (
    Hour,
    Share,
    Sizes,
    hours_of,
    share_of,
    sizes_of,
)
from sentinel.jobs.report.forecast_checks import CheckedForecast, ObservedExit, check_forecasts, find_exits
from sentinel.jobs.report.incidents import IncidentSpan, noticed
from sentinel.jobs.report.record import Columns, Record, columns_of
from sentinel.jobs.report.style import TimeAxis
from sentinel.jobs.report.summary import GAP_INTERVALS, Summary, summarise
from sentinel.jobs.report.track_fit import TrackFit, fit_track
from sentinel.sky import Sun
from sentinel.sky.horizon import daylight

SILENT_S = 300.0
"""A watch that goes on for so long after the last frame has missed some."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """A session with all that was worked out of it."""

    record: Record
    columns: Columns
    summary: Summary
    sun: Sun
    track: TrackFit
    share: Share
    sizes: Sizes | None
    hours: tuple[Hour, ...]
    exits: tuple[ObservedExit, ...]
    checked: tuple[CheckedForecast, ...]
    noticed: tuple[IncidentSpan, ...]
    frame_px: tuple[int, int]
    """Width and height of most frames."""
    span: TimeAxis
    nights: tuple[tuple[float, float], ...]
    """When the sun's centre was below the horizon line, POSIX seconds."""

    @property
    def interval_s(self) -> float:
        """Usual time between frames, or the configured one."""
        return self.summary.interval_s or self.record.settings.camera.interval_s

    @property
    def silent_since_utc(self) -> datetime | None:
        """The last frame's time, where a watch went on without any more; None: it did not."""
        waited = (self.record.until_utc - self.summary.end_utc).total_seconds()
        return self.summary.end_utc if waited > max(GAP_INTERVALS * self.interval_s, SILENT_S) else None


def analyse(record: Record) -> Analysis:
    """Work a session out."""
    sun = Sun(record.settings.site)
    columns = columns_of(record.frames, sun)
    last = record.forecasts[-1] if record.forecasts else None
    summary = summarise(
        record.frames, record.incidents, record.alerts, last, record.settings, marks=record.marks
    )
    sizes_px = Counter((f.width_px, f.height_px) for f in record.frames if f.width_px and f.height_px)
    width, height = max(sizes_px, key=lambda size: (sizes_px[size], size), default=(0, 0))
    track = fit_track(
        columns,
        ((width - 1) / 2, (height - 1) / 2),
        record.settings,
        sun,
        parts=parts_of(record.frames, [*record.marks, *record.forecasts], Context(record.settings, sun)),
        forecasts=record.forecasts,
        marks=record.marks,
    )
    sizes = sizes_of(columns, record.settings.camera.scale_arcsec_px, record)
    exits = find_exits(columns, track.stretch, record.settings.frames.margin_px)
    span = TimeAxis(float(columns.utc_s[0]), max(utc_s(record.until_utc), float(columns.utc_s[0]) + 60))
    return Analysis(
        record=record,
        columns=columns,
        summary=summary,
        sun=sun,
        track=track,
        share=share_of(columns, summary.interval_s, sun),
        sizes=sizes,
        hours=tuple(hours_of(record, columns, track, sizes, summary)),
        exits=exits,
        checked=check_forecasts(record.forecasts, columns, track.stretch, exits),
        noticed=tuple(noticed(record.incidents)),
        frame_px=(width, height),
        span=span,
        nights=_nights(sun, span),
    )


def _nights(sun: Sun, span: TimeAxis) -> tuple[tuple[float, float], ...]:
    nights, at = [], span.begin_s
    for begin, end in daylight(sun, span.begin_s, span.end_s).spans:
        if begin > at:
            nights.append((at, begin))
        at = end
    if at < span.end_s:
        nights.append((at, span.end_s))
    return tuple(nights)
