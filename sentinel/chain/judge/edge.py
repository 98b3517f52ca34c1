"""The disc at the frame's edge: what one forecast says of it, and when somebody can see to it."""

from dataclasses import replace
from datetime import datetime
from math import isfinite
from typing import NamedTuple

from sentinel.chain.judge.agenda import Rise
from sentinel.chain.judge.details import DriftExit, LostDisc
from sentinel.chain.judge.evidence import placed, rising
from sentinel.chain.judge.jobs import exit_of, hidden_since_utc
from sentinel.chain.judge.last_seen import LastDisc
from sentinel.chain.judge.lifecycle import Case, Finding, Readings
from sentinel.chain.judge.nights import night_of, night_on, rise_of
from sentinel.chain.judge.places import place_at, place_for
from sentinel.chain.judge.seen import Seen
from sentinel.chain.track.context import Context
from sentinel.core.foreseen import Edge, Place
from sentinel.core.records import Forecast, Incident, Severity
from sentinel.core.settings import Settings
from sentinel.core.times import from_utc_s, utc_s

GOING_S = 1800.0
"""So low a sun is on its way down: what needs a clear sight of it is judged no more."""


class ExitTold(NamedTuple):
    """What one forecast says of the edge."""

    told_s: float
    leaves_s: float | None
    """At the earliest, and with the sun well clear of the horizon line: what is worth waking for."""
    median_s: float | None
    edge: Edge | None
    young: bool
    """Too little arc behind it."""
    departed: bool = False
    """The disc does not follow the mount's model: knocked, pushed, or on its way out."""
    place: Place | None = None
    """Where to put the disc."""
    sets_s: float | None = None
    """The sun goes before it leaves, and after its rising there is no time: it is seen to before, or at
    sunrise; None: it can be seen to by day."""
    rises_s: float | None = None
    rise: Rise | None = None
    """Where the disc comes up."""
    then: Place | None = None
    """Where to put it when it does."""


def exit_told(forecast: Forecast, settings: Settings, seen: Seen) -> ExitTold:
    """Return what a forecast says of the edge."""
    median = forecast.exit.median_utc
    leaves, night = exit_of(forecast, settings, forecast.time_utc)
    by_utc = leaves or forecast.time_utc
    place, rise, then = None, None, None
    if night is None:
        place = place_for(forecast, by_utc, None)
    elif night.rises_utc is not None:
        rises_utc = night.rises_utc
        by_utc = night.sets_utc or by_utc
        found = place_for(forecast, by_utc, rises_utc)
        holds = found is not None and found.outlasts(rises_utc)
        parked = settings.mount.parked_at_night
        place = found if holds and not parked else None
        rise = None if parked else rise_of(forecast, settings, night.rises_s, seen.size_px)
        then = None if parked else place_at(forecast, rises_utc)
    return ExitTold(
        utc_s(forecast.time_utc),
        utc_s(leaves) if leaves is not None else None,
        utc_s(median) if median is not None else None,
        forecast.exit.edge,
        "too-little-arc" in forecast.flags or forecast.mount is None or forecast.mount.arc_h < 1.0,
        "departed" in forecast.flags,
        place,
        None if night is None else night.sets_s,
        None if night is None else night.rises_s,
        rise,
        then,
    )


GETS_UP_MIN = 5.0
"""From a call to the door: who comes much sooner than the sun stands in the dark."""


def leads_min(settings: Settings) -> tuple[float, float]:
    """Return how long before an edge or a limit it is told, in minutes: `soon`, `now`."""
    travel, limits = settings.visit.travel_min, settings.thresholds
    return travel + limits.lead_soon_min, travel + limits.lead_now_min


def graded(
    left_min: float, soon_min: float, now_min: float, clear_min: float
) -> tuple[bool, Severity | None]:
    """Return whether anything is amiss, and how grave it is."""
    if left_min <= soon_min:
        return True, Severity.NOW if left_min <= now_min else Severity.SOON
    return left_min <= soon_min + clear_min, None


class Trust(NamedTuple):
    """How far what is foreseen of the edge can be believed."""

    near_s: float | None
    """Since which forecast the edge has been near in all of them."""
    placed: int
    """How often the disc has been put elsewhere."""
    seen: Seen


def exit_finding(trust: Trust, last: ExitTold, now_s: float, context: Context) -> Finding | None:
    """Return what to say of the edge at a moment."""
    if last.leaves_s is None:
        return None
    if last.sets_s is not None and last.rises_s is not None and now_s < last.rises_s:
        return _night_finding(trust, last, now_s, context)
    soon_min, now_min = leads_min(context.settings)
    left_min = (last.leaves_s - now_s) / 60
    amiss, severity = graded(left_min, soon_min, now_min, context.thresholds.lead_clear_min)
    if not amiss:
        return None
    median_min = None if last.median_s is None else (last.median_s - now_s) / 60
    if severity is not None:
        severity = _believed(trust, last, severity, median_min, context)
    detail = exit_detail(last, left_min, trust.seen)
    if severity is Severity.NOW and detail.hidden_since_utc is not None:
        # Under cloud nobody can put the disc anywhere, and no picture is lost: the first gap wakes.
        severity = Severity.SOON
    detail = replace(detail, lead_soon_min=soon_min, lead_now_min=now_min)
    return Finding(severity=severity, onset_s=now_s, detail=detail, story=f"place {trust.placed}")


def exit_detail(last: ExitTold, left_min: float, seen: Seen) -> DriftExit:
    """Return what an edge is told by; `left_min`: until it is reached, as of when it is told."""
    assert last.leaves_s is not None  # noqa: S101 - as the callers have asked
    detail = DriftExit(
        minutes_left=round(left_min, 1),
        exit_early_utc=from_utc_s(last.leaves_s),
        exit_utc=None if last.median_s is None else from_utc_s(last.median_s),
        edge=last.edge,
        hidden_since_utc=hidden_since_utc(seen, from_utc_s(last.leaves_s)),
        **placed(last.place),
        **rising(last.rise),
    )
    at_once = last.place is not None and utc_s(last.place.at_utc) <= last.told_s + 60
    return replace(detail, put_at_utc=None) if at_once else detail


def left_as_told(found: Readings, told: ExitTold | None, cases: tuple[Case, ...], now_s: float) -> Readings:
    """Return what is said of a disc that has left: its exit is the forecast's, and wakes nobody twice."""
    lost = found.get("lost-disc")
    if lost is None or not isinstance(lost.detail, LostDisc) or lost.detail.left_utc is None:
        return {}
    if told is not None and told.median_s is not None and told.median_s <= now_s:
        detail = replace(lost.detail, left_utc=from_utc_s(told.median_s), edge=told.edge)
        lost = replace(lost, detail=detail)
    woken = any(one.condition == "drift-exit" and one.open and one.severity is Severity.NOW for one in cases)
    return {"lost-disc": replace(lost, severity=Severity.SOON) if woken and lost.severity else lost}


def ended_by_night(incident: Incident, last: LastDisc | None, seen: Seen, settings: Settings) -> Incident:
    """Return the end of an incident; where only the sun's going down has ended it, it says so."""
    detail, now_s = incident.detail, utc_s(incident.time_utc)
    if incident.state != "cleared":
        return incident
    night = night_of(settings.site, now_s)
    rises_utc = night.rises_utc if night is not None and night.sets_s < now_s + GOING_S else None
    if isinstance(detail, LostDisc) and (last is None or last.time_s < utc_s(incident.onset_utc)):
        return replace(incident, detail=replace(detail, sunrise_utc=rises_utc, set_unseen=True))
    if rises_utc and isinstance(detail, DriftExit) and _is_out(detail, incident.time_utc, last, seen):
        return replace(incident, detail=replace(detail, sunrise_utc=rises_utc, set_over_edge=True))
    return incident


def _is_out(detail: DriftExit, when_utc: datetime, last: LastDisc | None, seen: Seen) -> bool:
    """Whether the disc had come to the edge by then, and was not seen inside since."""
    out_utc = detail.exit_early_utc
    if out_utc is None or out_utc > when_utc:
        return False
    if last is None or last.time_s < utc_s(out_utc):
        return True
    (width, height), x, y = seen.size_px, last.x_px, last.y_px
    return min(x, y, width - x, height - y) < last.radius_px


def _night_finding(trust: Trust, last: ExitTold, now_s: float, context: Context) -> Finding | None:
    """Return what to say of a disc that comes up over the edge: before sunset, or to be there at sunrise.

    Nobody is sent to the camera by night: there is nothing to put anywhere.
    """
    assert last.sets_s is not None  # noqa: S101 - as the caller has asked
    assert last.rises_s is not None  # noqa: S101
    soon_min = leads_min(context.settings)[0]
    if now_s < last.sets_s:
        left_min = (last.sets_s - now_s) / 60
        amiss = left_min <= soon_min + context.thresholds.lead_clear_min
        if not amiss or last.place is None:
            return None
        in_time = context.settings.visit.travel_min <= left_min <= soon_min
        severity = _believed(trust, last, Severity.SOON, None, context) if in_time else None
        detail = replace(
            exit_detail(last, left_min, trust.seen),
            sunset_utc=from_utc_s(round(last.sets_s)),
            sunrise_utc=from_utc_s(round(last.rises_s)),
        )
        return Finding(
            severity=severity, onset_s=now_s, detail=detail, story=f"place {trust.placed} before sunset"
        )
    if not isfinite(last.rises_s):
        return None
    detail = exit_detail(last._replace(place=last.then), (last.rises_s - now_s) / 60, trust.seen)
    return _sunrise_finding(trust, last.rises_s, now_s, context, replace(detail, put_at_utc=None))


def _sunrise_finding(
    trust: Trust, rises_s: float, now_s: float, context: Context, detail: DriftExit
) -> Finding:
    """Return that somebody is to be there at sunrise: told now, and woken for then."""
    wake_s = rises_s - (context.settings.visit.travel_min + GETS_UP_MIN) * 60
    if now_s >= wake_s:
        # The same story as the edge by day, so that it is told once.
        severity, story = Severity.NOW, f"place {trust.placed}"
    else:
        severity, story = Severity.NOTE, "at sunrise"
    detail = replace(detail, sunrise_utc=from_utc_s(round(rises_s)), at_sunrise=True)
    return Finding(severity=severity, onset_s=now_s, detail=detail, story=story)


def blind_finding(trust: Trust, blind_s: float, now_s: float, context: Context) -> Finding | None:
    """Return that somebody is to be there at sunrise, where the disc was put elsewhere in the dark."""
    night = night_on(context.settings.site, now_s)
    if night is None or night.rises_utc is None:
        return None
    detail = DriftExit(blind_since_utc=from_utc_s(blind_s))
    return _sunrise_finding(trust, night.rises_s, now_s, context, detail)


def _believed(
    trust: Trust, last: ExitTold, severity: Severity, median_min: float | None, context: Context
) -> Severity | None:
    """Return the severity that the forecasts so far, and the arc they stand on, can bear."""
    soon_min, now_min = leads_min(context.settings)
    at_hand = last.sets_s is None and median_min is not None and median_min <= now_min
    if at_hand and not last.young and not last.departed:
        return severity
    if last.young and not at_hand and (median_min is None or median_min > soon_min):
        # The early quantile of a guess is near because the guess is wide, not because the edge is.
        return None
    agreed_s = last.told_s - (trust.near_s if trust.near_s is not None else last.told_s)
    if agreed_s < context.thresholds.drift_confirm_min * 60:
        # One forecast, or a few in the minutes in which somebody pushes the disc about.
        return None
    return Severity.SOON if last.young and not at_hand else severity
