"""A session in a few lines: what there was, where the disc went, what was noticed, what is due."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import hypot
from statistics import median

import numpy as np

from sentinel.chain.judge.as_it_stands import as_it_stands
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.seen import Seen
from sentinel.chain.notify.counting import GAP_INTERVALS, Counts, counts_words
from sentinel.chain.notify.headline import headline, troubles_of
from sentinel.core.records import Alert, Forecast, Incident, Mark, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.tables import MEANING
from sentinel.core.times import utc_s
from sentinel.core.words import minute, span, times_in
from sentinel.jobs.report.incidents import IncidentSpan, incident_spans
from sentinel.jobs.report.record import room_px
from sentinel.service.journal.codec import plain
from sentinel.sky import Sun

LOST = timedelta(minutes=15)
"""A disc on its way out that was seen no later is out of the frame: the sky takes it through one in less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSpan:
    """A span of time: a gap goes from the last frame before it to the first after it."""

    from_utc: datetime
    to_utc: datetime

    @property
    def length(self) -> timedelta:
        """How long it lasted."""
        return self.to_utc - self.from_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """The facts of a session."""

    start_utc: datetime
    end_utc: datetime
    frames: int
    discs: int
    unreadable: int
    interval_s: float
    gaps: tuple[TimeSpan, ...]
    first_px: tuple[float, float] | None
    last_px: tuple[float, float] | None
    path_px: float
    """Length of the disc's path, re-centrings included."""
    nearest_edge_px: float | None
    """Smallest room between limb and edge; negative: cut."""
    nearest_utc: datetime | None
    incidents: tuple[IncidentSpan, ...]
    """In the order noticed."""
    odd_rows: tuple[tuple[str, int], ...]
    """What was odd about the rows of the table that the frames came from: flag and count, commonest first."""
    counts: Counts
    """What was noticed and told."""
    forecast: Forecast | None
    focal_length_mm: float
    """As the settings say it."""
    left_alone: str

    @property
    def implied_focal_length_mm(self) -> float | None:
        """What the disc's size implies, where it contradicts the settings."""
        mount = self.forecast.mount if self.forecast is not None else None
        return mount.implied_focal_length_mm if mount is not None else None

    @property
    def expected(self) -> int:
        """How many frames the span from the first to the last should have brought."""
        if not self.interval_s:
            return self.frames
        return round((self.end_utc - self.start_utc).total_seconds() / self.interval_s) + 1


def summarise(
    frames: Sequence[MeasuredFrame],
    incidents: Sequence[Incident],
    alerts: Sequence[Alert],
    forecast: Forecast | None,
    settings: Settings,
    *,
    marks: Iterable[Mark] = (),
) -> Summary:
    """Return the facts of a session: `frames` in order of exposure, at least one; the last `forecast`."""
    discs = [f for f in frames if f.disc.found]
    interval_s = usual_interval_s(frames)
    rooms = [(room_px(f), f.time_utc) for f in discs]
    nearest = min(rooms, default=None)
    end_utc = frames[-1].time_utc
    return Summary(
        start_utc=frames[0].time_utc,
        end_utc=end_utc,
        frames=len(frames),
        discs=len(discs),
        unreadable=sum(f.error is not None for f in frames),
        interval_s=interval_s,
        gaps=find_gaps(frames, interval_s),
        first_px=_place(discs[0]) if discs else None,
        last_px=_place(discs[-1]) if discs else None,
        path_px=sum(hypot(b.disc.x_px - a.disc.x_px, b.disc.y_px - a.disc.y_px) for a, b in pairwise(discs)),
        nearest_edge_px=nearest[0] if nearest else None,
        nearest_utc=nearest[1] if nearest else None,
        incidents=incident_spans(incidents),
        odd_rows=tuple(
            Counter(flag for f in frames for flag in f.all_flags if flag in MEANING).most_common()
        ),
        counts=Counts().with_incidents(incidents).with_alerts(alerts),
        forecast=forecast,
        focal_length_mm=settings.camera.focal_length_mm,
        left_alone=_sun_down(discs, forecast, settings)
        or _headline(frames, incidents, forecast, settings, marks),
    )


def _headline(
    frames: Sequence[MeasuredFrame],
    incidents: Sequence[Incident],
    forecast: Forecast | None,
    settings: Settings,
    marks: Iterable[Mark],
) -> str:
    """Return the headline as of the end."""
    now_utc, seen, times = frames[-1].time_utc, Seen(), times_in(settings.alerts.zone)
    for mark in marks:
        seen = seen.after(mark)
    for frame in frames:
        seen = seen.after(frame)
    last = {one.key: one for one in incidents}
    standing = (one for one in last.values() if one.state != "cleared")
    standing = (as_it_stands(one, forecast, settings, seen) for one in standing)
    troubles = troubles_of(standing, now_utc, times)
    agenda = agenda_of(forecast, settings, now_utc, seen)
    return headline(agenda, forecast, troubles, now_utc, times).sentence


def _sun_down(discs: Sequence[MeasuredFrame], forecast: Forecast | None, settings: Settings) -> str:
    """Return what to say where discs were seen and none believed, the sun being down; empty: not so."""
    if not discs or forecast is None or forecast.pointing is not None:
        return ""
    altitude_deg, _ = Sun(settings.site).altaz_deg(np.array([utc_s(frame.time_utc) for frame in discs]))
    if altitude_deg.max() > 0:
        return ""
    return (
        "Until when the camera may be left alone cannot be told: by the settings the sun was below the "
        f"horizon in all {len(discs)} frames that show it. Check latitude, longitude and date."
    )


def usual_interval_s(frames: Sequence[MeasuredFrame]) -> float:
    """Return the median time between frames in order of exposure, in seconds; 0 for fewer than two."""
    steps = [(b.time_utc - a.time_utc).total_seconds() for a, b in pairwise(frames)]
    steps = [step for step in steps if step > 0]
    return median(steps) if steps else 0.0


def find_gaps(frames: Sequence[MeasuredFrame], interval_s: float) -> tuple[TimeSpan, ...]:
    """Return the stretches in which frames are missing."""
    longest = timedelta(seconds=GAP_INTERVALS * interval_s) if interval_s else timedelta.max
    return tuple(
        TimeSpan(from_utc=a.time_utc, to_utc=b.time_utc)
        for a, b in pairwise(frames)
        if b.time_utc - a.time_utc > longest
    )


def _place(frame: MeasuredFrame) -> tuple[float, float]:
    return frame.disc.x_px, frame.disc.y_px


def summary_lines(summary: Summary) -> list[str]:
    """Return the summary as lines for a terminal."""
    s = summary
    blank = s.frames - s.discs - s.unreadable
    every = f", one every {s.interval_s:.3g} s" if s.interval_s else ""
    lines = [
        s.left_alone,
        "",
        f"Session   {minute(s.start_utc)} to {minute(s.end_utc)} UTC ({span(s.end_utc - s.start_utc)})",
        f"Frames    {s.frames}{every}: {s.discs} with a disc, {blank} without, {s.unreadable} unreadable",
        f"Gaps      {_gaps(s.gaps)}",
        f"Disc      {_way(s)}",
    ]
    if s.forecast is not None:
        lines.append(f"Forecast  {_foreseen(s.forecast, s.discs)}")
    implied_mm = s.implied_focal_length_mm
    if implied_mm is not None:
        lines.append(
            f"Settings  the focal length is set to {s.focal_length_mm:.4g} mm, "
            f"but the disc's size implies {implied_mm:.3g} mm"
        )
    lines += [f"Table     {flag}, {count} of {s.frames}: {MEANING[flag]}" for flag, count in s.odd_rows]
    lines += [f"Noticed   {_noticed(s)}"]
    return lines + [f"  {_incident(one)}" for one in s.incidents]


def _incident(one: IncidentSpan) -> str:
    """Say what was noticed, and from when it was graver than at first: it is counted by its gravest."""
    first, worst = one.first, one.gravest
    said = f"{minute(first.time_utc)}  {first.severity.value:<4}  {one.message}"
    if worst is first:
        return said
    return f"{said} ({worst.severity.value} from {minute(worst.time_utc)} UTC)"


def _gaps(gaps: Sequence[TimeSpan]) -> str:
    if not gaps:
        return "none"
    longest = max(gaps, key=lambda gap: gap.length)
    return f"{len(gaps)}, the longest {span(longest.length)} from {minute(longest.from_utc)}"


def _way(s: Summary) -> str:
    if s.first_px is None or s.last_px is None or s.nearest_edge_px is None or s.nearest_utc is None:
        return "never seen"
    room = (
        f"{s.nearest_edge_px:.0f} px inside"
        if s.nearest_edge_px >= 0
        else f"{-s.nearest_edge_px:.0f} px beyond"
    )
    return (
        f"from ({s.first_px[0]:.0f}, {s.first_px[1]:.0f}) to ({s.last_px[0]:.0f}, {s.last_px[1]:.0f}) px, "
        f"{s.path_px:.0f} px travelled; limb {room} the edge at {minute(s.nearest_utc)}"
    )


def _foreseen(forecast: Forecast, discs: int) -> str:
    if forecast.pointing is not None:
        return f"{_exit(forecast)}; {forecast.basis}"
    return f"none: not one of the {discs} discs could be believed" if discs else forecast.basis


def _exit(forecast: Forecast) -> str:
    early_utc, median_utc, edge = forecast.exit.early_utc, forecast.exit.median_utc, forecast.exit.edge
    early = "" if early_utc is None else f"{minute(early_utc)} at the earliest (5 %)"
    if median_utc is None:
        if early:
            return f"the limb most likely reaches no edge within 48 h, the {edge} one {early}"
        return "the limb reaches no edge within 48 h"
    if median_utc <= forecast.time_utc:
        return f"the limb reached the {edge} edge at {minute(median_utc)}"
    pointing = forecast.pointing
    gone = pointing is not None and forecast.time_utc - pointing.seen_utc > LOST
    if forecast.departed_utc is not None and gone:
        return "the disc has most likely left the frame"
    return f"the limb reaches the {edge} edge at {minute(median_utc)}{f', {early}' if early else ''}"


def _noticed(s: Summary) -> str:
    return counts_words(s.counts) if s.counts.noticed or s.counts.messages else "nothing"


_AS_THEY_ARE = (
    "left_alone", "start_utc", "end_utc", "frames", "discs", "unreadable", "interval_s", "gaps", "first_px",
    "last_px", "nearest_edge_px", "nearest_utc", "focal_length_mm", "implied_focal_length_mm",
)  # fmt: skip


def summary_json(summary: Summary) -> dict[str, object]:
    """Return the summary's facts as JSON values under names with units."""
    s, forecast = summary, summary.forecast
    values: dict[str, object] = {name: getattr(s, name) for name in _AS_THEY_ARE}
    values |= {
        "path_px": round(s.path_px, 2),
        "odd_rows": dict(s.odd_rows),
        "incidents": [one.first.condition for one in s.incidents],
        "alerts": s.counts.messages,
        "wakes": s.counts.wake_ups,
        "next_visit_utc": forecast.next_visit_utc if forecast else None,
        "next_visit_reason": forecast.next_visit_reason if forecast else None,
    }
    return {name: plain(value) for name, value in values.items()}
