"""The standing of a watch as of now, from all that it knows. Pure."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from math import isfinite
from types import MappingProxyType

from sentinel.chain.judge.as_it_stands import as_it_stands
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.notify.headline import headline, troubles_of
from sentinel.chain.undo import UNDO
from sentinel.core.other_cameras import ClocksCompared, SunSeen
from sentinel.core.records import Forecast, Surroundings
from sentinel.core.settings import Settings
from sentinel.core.words import times_in
from sentinel.service.journal.rows import Messages
from sentinel.service.status.board import Board
from sentinel.service.status.standing import Standing, SupplyStanding

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
    clocks: tuple[ClocksCompared, ...] = (),
) -> Standing:
    """Return the standing at a moment."""
    forecast, frame, disc = _finite(board.forecast), board.frame, board.disc
    surroundings = board.surroundings or Surroundings(time_utc=now_utc)
    times = times_in(settings.alerts.zone)
    standing = (as_it_stands(one, forecast, settings, board.seen) for one in board.open.values())
    troubles = troubles_of(standing, now_utc, times)
    agenda = agenda_of(forecast, settings, now_utc, board.seen)
    if agenda.clock is not None:
        forecast = None  # nothing that stands on its times is shown
    pointing = forecast.pointing if forecast is not None else None
    mount = forecast.mount if forecast is not None else None
    head = headline(agenda, forecast, troubles, now_utc, times)
    return Standing(
        written_utc=now_utc,
        interval_s=settings.camera.interval_s,
        frame=frame.frame if frame is not None else None,
        frame_utc=frame.time_utc if frame is not None else None,
        left_alone=head.sentence,
        leave_until_utc=head.until_utc,
        leave_reason=head.reason,
        set_off_utc=head.set_off_utc,
        agenda=agenda,
        stop_edge_min=_stop_min(forecast),
        stop_edge=pointing.stop_edge if pointing is not None else None,
        troubles=troubles,
        zone=settings.alerts.zone,
        verified_utc=disc.time_utc if disc is not None else None,
        focus_ratio=focus_ratio,
        focus_soon_ratio=settings.thresholds.focus_soon_ratio,
        edge_width_px=disc.disc.edge_width_px if disc is not None else None,
        frames=board.frames,
        frames_expected=board.expected(settings.camera.interval_s),
        unusable=board.unusable,
        folder=surroundings.folder or "not looked at yet",
        waiting_files=waiting_files,
        supplies=_supplies(board, settings),
        free_bytes=surroundings.free_bytes,
        state_free_bytes=surroundings.state_free_bytes,
        axis_turned_deg=mount.axis_turned_deg if mount is not None else None,
        axis_limit_deg=settings.mount.axis_limit_deg if settings.mount.tracking != "none" else None,
        clock_offset_s=clock_offset_s,
        clock_synchronised=surroundings.clock_synchronised,
        messages=messages or Messages(),
        counts=board.counts,
        forecast=forecast,
        camera=settings.camera.name,
        undoable=tuple(mark for mark in board.marks if now_utc - mark.time_utc <= UNDO),
        sun=sun,
        clocks=clocks if settings.neighbours.states else None,
        latency_s=board.latency_s,
    )


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


def _supplies(board: Board, settings: Settings) -> tuple[SupplyStanding, ...]:
    due = {one.reason: one.time_utc for one in board.forecast.due} if board.forecast is not None else {}
    found = []
    for reason in settings.supplies.last_s(settings.camera.interval_s):
        renewed_utc = next((mark.time_utc for mark in reversed(board.marks) if mark.renews == reason), None)
        found.append(SupplyStanding(_SUPPLIES[reason], due.get(reason), renewed_utc))
    return tuple(found)
