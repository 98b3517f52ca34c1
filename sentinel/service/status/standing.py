"""The standing of a watch at one moment, in the order in which it matters. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime, timedelta
from math import isfinite
from types import MappingProxyType
from typing import Literal

from sentinel.chain.judge.jobs import Agenda, Job, agenda_of
from sentinel.chain.judge.until import Answer, answer
from sentinel.chain.notify.counting import Counts
from sentinel.chain.notify.headline import Headline, Trouble, headline, pressing, troubles_of
from sentinel.chain.undo import UNDO
from sentinel.core.foreseen import Edge
from sentinel.core.other_cameras import SunSeen
from sentinel.core.records import Forecast, Mark, Severity, Surroundings
from sentinel.core.settings import Settings
from sentinel.core.words import TimeWriter, times_in
from sentinel.service.status.board import Board

LATE_INTERVALS = 3.0
LATE_S = 180.0
"""As long as frames may fail to come before somebody is woken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Something that runs out."""

    name: str
    lasts_until_utc: datetime | None
    """None: longer than can be foreseen."""
    renewed_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Messages:
    """How messages get through."""

    last_utc: datetime | None = None
    last_title: str = ""
    last_target: str = ""
    waiting: int = 0
    trouble: str = ""
    """Why the oldest one waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """All that is shown."""

    written_utc: datetime
    interval_s: float
    frame: str | None
    frame_utc: datetime | None
    """Exposure of the newest picture."""
    left_alone: str
    leave_until_utc: datetime | None
    """Once what is open is mended; None: not known, or for as long as is foreseen."""
    leave_reason: str | None
    set_off_utc: datetime | None
    """When to set off at the latest, by the travel time."""
    agenda: Agenda
    """All that is to be done."""
    stop_edge_min: float | None
    """From now to the edge if the mount stopped now."""
    stop_edge: Edge | None
    troubles: tuple[Trouble, ...]
    zone: str | None
    """The operator's time zone."""
    verified_utc: datetime | None
    """Exposure of the last picture on which the sun was measured."""
    focus_ratio: float | None
    """Edge width over that at the same altitude before; smoothed over the last frames."""
    focus_soon_ratio: float
    """From which on that is told."""
    edge_width_px: float | None
    frames: int
    frames_expected: int
    unusable: int
    folder: str
    waiting_files: int
    supplies: tuple[Supply, ...]
    free_bytes: int | None
    state_free_bytes: int | None
    axis_turned_deg: float | None
    axis_limit_deg: float | None
    clock_offset_s: float | None
    """Camera clock minus UTC, as used; None: not known yet."""
    clock_synchronised: bool | None
    messages: Messages
    counts: Counts
    forecast: Forecast | None
    camera: str | None = None
    """Its name."""
    undoable: tuple[Mark, ...] = ()
    """What was noted a moment ago and can be taken back."""
    sun: SunSeen | None = None
    """Whether the sun is seen, for the other cameras of the site."""
    latency_s: float | None = None
    """From the arrival of the last live frame until it was judged; None: none came live."""

    @property
    def times(self) -> TimeWriter:
        """What writes times for the operator."""
        return times_in(self.zone)

    @property
    def late_s(self) -> float:
        """How old it may be: a watch that runs writes it after each frame and each tick."""
        return max(LATE_INTERVALS * self.interval_s, LATE_S)

    def headline(self, now_utc: datetime) -> Headline:
        """Return what stands above everything else, as of a time."""
        return headline(self.agenda, self.forecast, self.troubles, now_utc, self.times)

    def level(self, now_utc: datetime, *, watched: bool = True) -> "Level":
        """Return whether somebody is wanted now, soon, or all is well."""
        head = self.headline(now_utc)
        gone = head.set_off_utc is not None and head.set_off_utc <= now_utc
        if not watched or gone or pressing(self.troubles) is not None:
            return "now"
        near = head.set_off_utc is not None and head.set_off_utc <= now_utc + NEAR
        known = self.agenda.known_until_utc is not None and self.agenda.blind_since_utc is None
        known = known and self.agenda.unseen_since_utc is None and self.agenda.up_unseen is None
        open_soon = any(one.severity is Severity.SOON for one in self.troubles)
        return "soon" if near or open_soon or not known else "well"


Level = Literal["now", "soon", "well"]
NEAR = timedelta(hours=2)
"""Who must set off within so long had better not lie down."""
SAME_VISIT = timedelta(hours=12)
"""What falls due within so long after the first is done on the same visit."""

_SUPPLIES: Mapping[str, str] = MappingProxyType(
    {
        "battery": "camera battery", "mount-battery": "mount battery", "card": "card", "timer": "timer count",
    }
)  # fmt: skip


def standing_of(
    board: Board,
    settings: Settings,
    now_utc: datetime,
    *,
    waiting_files: int = 0,
    clock_offset_s: float | None = None,
    focus_ratio: float | None = None,
    messages: Messages | None = None,
    sun: SunSeen | None = None,
) -> Standing:
    """Return the standing at a moment."""
    forecast, surroundings = _finite(board.forecast), board.surroundings
    times = times_in(settings.alerts.zone)
    troubles = troubles_of(board.open.values(), now_utc, times)
    agenda = agenda_of(forecast, settings, now_utc, board.seen)
    if agenda.clock is not None:
        forecast = None  # nothing that stands on its times is shown
    pointing = forecast.pointing if forecast is not None else None
    mount = forecast.mount if forecast is not None else None
    head = headline(agenda, forecast, troubles, now_utc, times)
    return Standing(
        written_utc=now_utc,
        interval_s=settings.camera.interval_s,
        frame=board.frame.frame if board.frame is not None else None,
        frame_utc=board.newest_utc,
        left_alone=head.sentence,
        leave_until_utc=head.until_utc,
        leave_reason=head.reason,
        set_off_utc=head.set_off_utc,
        agenda=agenda,
        stop_edge_min=_stop_min(forecast),
        stop_edge=pointing.stop_edge if pointing is not None else None,
        troubles=troubles,
        zone=settings.alerts.zone,
        verified_utc=board.disc.time_utc if board.disc is not None else None,
        focus_ratio=focus_ratio,
        focus_soon_ratio=settings.thresholds.focus_soon_ratio,
        edge_width_px=board.disc.disc.edge_width_px if board.disc is not None else None,
        frames=board.frames,
        frames_expected=board.expected(settings.camera.interval_s),
        unusable=board.unusable,
        folder=_folder(surroundings),
        waiting_files=waiting_files,
        supplies=_supplies(board, settings),
        free_bytes=surroundings.free_bytes if surroundings is not None else None,
        state_free_bytes=surroundings.state_free_bytes if surroundings is not None else None,
        axis_turned_deg=mount.axis_turned_deg if mount is not None else None,
        axis_limit_deg=settings.mount.axis_limit_deg if settings.mount.tracking != "none" else None,
        clock_offset_s=clock_offset_s,
        clock_synchronised=surroundings.clock_synchronised if surroundings is not None else None,
        messages=messages or Messages(),
        counts=board.counts,
        forecast=forecast,
        camera=settings.camera.name,
        undoable=tuple(one.mark for one in board.recent_marks if now_utc - one.mark.time_utc <= UNDO),
        sun=sun,
        latency_s=board.latency_s,
    )


def next_visit(s: Standing, now_utc: datetime) -> tuple[Job, ...]:
    """Return what the next visit should see to: what is due first, and all that is due soon after."""
    first = min((job.due_utc for job in s.agenda.jobs), default=None)
    if first is None:
        return ()
    return until(s, max(first, now_utc) + SAME_VISIT, now_utc).needed


def until(s: Standing, until_utc: datetime, now_utc: datetime) -> Answer:
    """Return what must be done so that the camera may be left alone until a time, and whether it then may."""
    return answer(s.agenda, s.forecast, until_utc, now_utc)


def _finite(forecast: Forecast | None) -> Forecast | None:
    """Return a forecast without values that are no numbers: what they are part of is not known."""
    if forecast is None:
        return None
    unknown = {f.name: None for f in fields(forecast) if not _all_finite(getattr(forecast, f.name))}
    return replace(forecast, **unknown)  # type: ignore[arg-type]


def _all_finite(value: object) -> bool:
    if isinstance(value, float):
        return isfinite(value)
    if isinstance(value, tuple):
        return all(_all_finite(item) for item in value)
    if is_dataclass(value):
        return all(_all_finite(getattr(value, f.name)) for f in fields(value))
    return True


def _stop_min(forecast: Forecast | None) -> float | None:
    """Return how long a stop would leave; it changes so slowly that the forecast's own moment will do."""
    pointing = forecast.pointing if forecast is not None else None
    if forecast is None or pointing is None or pointing.stop_edge_utc is None:
        return None
    return round((pointing.stop_edge_utc - forecast.time_utc).total_seconds() / 60, 1)


def _folder(surroundings: Surroundings | None) -> str:
    return (surroundings.folder if surroundings is not None else None) or "not looked at yet"


def _supplies(board: Board, settings: Settings) -> tuple[Supply, ...]:
    due = {one.reason: one.time_utc for one in board.forecast.due} if board.forecast is not None else {}
    found = []
    for reason in settings.supplies.last_s(settings.camera.interval_s):
        mark = board.marks.get(reason)
        found.append(
            Supply(
                name=_SUPPLIES[reason],
                lasts_until_utc=due.get(reason),
                renewed_utc=mark.time_utc if mark is not None else None,
            )
        )
    return tuple(found)
