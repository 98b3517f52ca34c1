"""Before the operator sleeps: everything that would wake him until morning, as jobs for one visit."""

from dataclasses import replace as _replace
from datetime import datetime, timedelta
from typing import NamedTuple

from sentinel.chain.judge.agenda import Agenda, Job
from sentinel.chain.judge.camera_details import BeforeSleep
from sentinel.chain.judge.deadlines import Deadlines, full_s
from sentinel.chain.judge.evidence import task_of
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.judge.nights import night_of
from sentinel.chain.judge.until import Answer, answer
from sentinel.chain.track.context import Context
from sentinel.core.foreseen import Due
from sentinel.core.records import Forecast, Severity
from sentinel.core.times import DAY_S, from_utc_s, utc_s

MINUTE = timedelta(minutes=1)


class Bedtime(NamedTuple):
    """Which night has been announced, and what was on its list."""

    told_night_s: float | None = None
    """Start of that night."""
    at_s: float = 0.0
    """When its list was drawn up; it may be drawn up twice: before sunset, and before sleep."""
    told_s: float = 0.0
    """For which of these moments."""
    until_s: float = 0.0
    answer: Answer | None = None


def moments(span: tuple[float, float], context: Context) -> tuple[float, ...]:
    """Return when the list is drawn up: before sleep, and in time before a sunset that comes sooner."""
    before_s = context.settings.sleep.before_min * 60
    usual_s = span[0] - before_s
    dark = night_of(context.settings.site, usual_s)
    limits, travel_min = context.thresholds, context.settings.visit.travel_min
    # Before any of it would be told by itself.
    told_s = (travel_min + limits.lead_soon_min + limits.lead_clear_min) * 60
    if dark is None or not span[0] - DAY_S < dark.sets_s < usual_s + told_s:
        return (usual_s,)
    sooner_s = dark.sets_s - max(before_s, told_s)
    return (sooner_s,) if usual_s - sooner_s < before_s else (sooner_s, usual_s)


def time_passed(
    state: Bedtime, ahead: Deadlines, forecast: Forecast | None, now_s: float, context: Context
) -> Bedtime:
    """Draw up the list when it is time to."""
    span = context.settings.sleep.night_s(now_s)
    if span is None or now_s >= span[0]:
        return state
    due_s = max((moment for moment in moments(span, context) if moment <= now_s), default=None)
    if due_s is None or (state.told_night_s == span[0] and state.told_s >= due_s):
        return state
    until_s = span[1] + context.settings.sleep.after_min * 60
    now_utc = from_utc_s(now_s)
    known = _with_disk(forecast, ahead, now_utc, context)
    agenda = agenda_of(known, context.settings, now_utc, ahead.seen)
    found = answer(agenda, known, from_utc_s(until_s), now_utc, lambda job: _wakes_before(job, context))
    found = _before_the_sun_goes(found, agenda, span)
    return Bedtime(span[0], now_s, due_s, until_s, found)


def _with_disk(
    forecast: Forecast | None, ahead: Deadlines, now_utc: datetime, context: Context
) -> Forecast | None:
    """Return the forecast with the disk in it, where none has been made that knows of it."""
    full = full_s(ahead, context)
    if full is None or (forecast is not None and any(one.reason == "storage" for one in forecast.due)):
        return forecast
    storage = Due(time_utc=from_utc_s(round(full)), reason="storage")
    if forecast is None:
        return Forecast(time_utc=now_utc, basis="no disc has been measured yet", due=(storage,))
    return _replace(forecast, due=tuple(sorted((*forecast.due, storage), key=lambda one: one.time_utc)))


def _before_the_sun_goes(found: Answer, agenda: Agenda, span: tuple[float, float]) -> Answer:
    """Return the answer with what can be done only before the sun goes, though it is due after waking."""
    listed = {job.name for job in found.needed}
    more = [
        job
        for job in agenda.jobs
        if job.name == "drift" and job.by_utc != job.due_utc and job.name not in listed
        if utc_s(job.by_utc) < span[1]
    ]
    return _replace(found, jobs=(*found.jobs, *more)) if more else found


def _wakes_before(job: str, context: Context) -> timedelta:
    """Return how long before it is due a thing would wake the operator."""
    limits, travel_min = context.thresholds, context.settings.visit.travel_min
    if job == "sunrise":
        return travel_min * MINUTE
    if job in {"drift", "axis-limit"}:
        return (travel_min + limits.lead_now_min) * MINUTE
    return limits.supply_now_h * 60 * MINUTE


def announced(state: Bedtime, reason: str, now_s: float) -> bool:
    """Whether a thing is on the list of the night that is on, and so no news."""
    if state.answer is None or now_s >= state.until_s:
        return False
    return any(_same(job, reason) for job in state.answer.needed)


def _same(job: Job, reason: str) -> bool:
    return job.name == reason or (reason == "drift" and job.name == "sunrise")


def finding(state: Bedtime, now_s: float, context: Context) -> Finding | None:
    """Return the list, until it is morning."""
    found = state.answer
    if state.told_night_s is None or found is None or now_s >= state.until_s:
        return None
    sleep = context.settings.sleep
    clock = found.clock
    detail = BeforeSleep(
        sleep_from_utc=from_utc_s(state.told_night_s),
        sleep_until_utc=from_utc_s(state.until_s - sleep.after_min * 60),
        covered_until_utc=from_utc_s(state.until_s),
        known=found.known,
        holds=found.holds,
        jobs=tuple(task_of(job) for job in found.jobs),
        holds_until_utc=None if found.holds else found.holds_until_utc,
        unseen_since_utc=found.unseen_since_utc,
        blind_since_utc=found.blind_since_utc,
        departed_utc=found.departed_utc,
        clock_ahead_s=None if clock is None else round(clock.ahead_s, 1),
        clock_steady=None if clock is None else clock.steady,
        ends=None if found.ends is None or found.holds else task_of(found.ends),
    )
    return Finding(severity=Severity.NOTE, onset_s=state.told_s, detail=detail, story=str(state.told_s))
