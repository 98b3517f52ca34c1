"""What is open as the last forecast has it: a time told once is of no use when another is foreseen. Pure."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from sentinel.chain.judge.camera_details import Storage, Supply
from sentinel.chain.judge.conditions import SUPPLIES
from sentinel.chain.judge.details import AxisLimit, DriftExit
from sentinel.chain.judge.edge import exit_detail, exit_told
from sentinel.chain.judge.jobs import blind_since_utc, outlived
from sentinel.chain.judge.seen import Seen
from sentinel.core.detail import Detail
from sentinel.core.records import Forecast, Incident
from sentinel.core.settings import Settings


def as_it_stands(incident: Incident, forecast: Forecast | None, settings: Settings, seen: Seen) -> Incident:
    """Return an open incident as the last forecast has it: when, at which edge, and where to put the disc."""
    if forecast is None or forecast.time_utc <= incident.time_utc or seen.clock is not None:
        return incident
    before, due = incident.detail, {one.reason: one.time_utc for one in forecast.due}
    detail: Detail | None
    if isinstance(before, DriftExit):
        detail = _edge(before, forecast, settings, seen)
    elif isinstance(before, Supply):
        detail = _supply(before, due, forecast.time_utc, seen)
    elif isinstance(before, Storage):
        detail = _storage(before, due.get("storage"), forecast.time_utc)
    elif isinstance(before, AxisLimit):
        detail = _limit(before, due.get("axis-limit"), forecast.time_utc)
    else:
        return incident
    return incident if detail is None else replace(incident, time_utc=forecast.time_utc, detail=detail)


def _edge(before: DriftExit, forecast: Forecast, settings: Settings, seen: Seen) -> DriftExit | None:
    if before.sunrise_utc or before.blind_since_utc:
        return None
    told = exit_told(forecast, settings, seen)
    if told.leaves_s is None or told.sets_s is not None or blind_since_utc(forecast, seen) is not None:
        return None
    return replace(
        exit_detail(told, (told.leaves_s - told.told_s) / 60, seen),
        lead_soon_min=before.lead_soon_min,
        lead_now_min=before.lead_now_min,
    )


def _supply(before: Supply, due: Mapping[str, datetime], told_utc: datetime, seen: Seen) -> Supply | None:
    """Return a supply by the count of what was used since: a card fills by pictures, not by the clock."""
    reason = next((reason for reason, name in SUPPLIES.items() if name == before.supply), "")
    empty_utc = due.get(reason)
    if empty_utc is None:
        return None
    over = empty_utc <= told_utc and outlived(reason, empty_utc, seen, None)
    return replace(before, hours_left=_hours(empty_utc, told_utc), empty_utc=empty_utc, outlived=over)


def _storage(before: Storage, full_utc: datetime | None, told_utc: datetime) -> Storage | None:
    if full_utc is None:
        return None
    return replace(before, hours_left=_hours(full_utc, told_utc), full_utc=full_utc)


def _limit(before: AxisLimit, limit_utc: datetime | None, told_utc: datetime) -> AxisLimit | None:
    """Return a limit that is still to come; what is overdue has been so since it was first told."""
    if limit_utc is None or limit_utc <= told_utc or before.asked is not None:
        return None
    minutes = round((limit_utc - told_utc).total_seconds() / 60, 1)
    return replace(before, minutes_left=minutes, limit_utc=limit_utc)


def _hours(when_utc: datetime, told_utc: datetime) -> float:
    return round((when_utc - told_utc).total_seconds() / 3600, 2)
