"""Before the operator sleeps: everything that would wake him until morning, as jobs for one visit."""

from typing import Any, NamedTuple

from sentinel.judge.lifecycle import Finding
from sentinel.judge.scene import Scene
from sentinel.records import Due, Severity
from sentinel.times import DAY_S, format_utc, from_utc_s, utc_s

EXPECTED = frozenset({"sunset", "horizon"})
"""Due and no job: nobody need get up for it."""


class Bedtime(NamedTuple):
    """Which night has been announced, and what was on its list."""

    told_night_s: float | None = None
    """Start of that night."""
    until_s: float = 0.0
    jobs: tuple[tuple[str, float], ...] = ()


def night(now_s: float, scene: Scene) -> tuple[float, float] | None:
    """Return start and end of the sleep that is on, or else of the next; None where none is configured."""
    sleep = scene.settings.sleep
    if sleep.from_utc is None or sleep.until_utc is None:
        return None
    start, end = _of_day(sleep.from_utc), _of_day(sleep.until_utc)
    length = (end - start) % DAY_S or DAY_S
    begin = now_s - (now_s - start) % DAY_S
    if now_s >= begin + length:
        begin += DAY_S
    return begin, begin + length


def _of_day(text: str) -> float:
    hours, minutes = text.split(":")
    return int(hours) * 3600.0 + int(minutes) * 60.0


def time_passed(
    state: Bedtime, due: tuple[Due, ...], full_s: float | None, now_s: float, scene: Scene
) -> Bedtime:
    """Draw up the list when it is time to; `full_s` is when the disk will be full."""
    span = night(now_s, scene)
    if span is None or state.told_night_s == span[0]:
        return state
    sleep = scene.settings.sleep
    if not span[0] - sleep.before_min * 60 <= now_s < span[0]:
        return state
    until_s = span[1] + sleep.after_min * 60
    ends = [(one.reason, utc_s(one.time_utc)) for one in due if one.reason not in EXPECTED]
    if full_s is not None:
        ends.append(("storage", full_s))
    jobs = [(reason, when) for reason, when in ends if when - _wakes_before_s(reason, scene) <= until_s]
    return Bedtime(span[0], until_s, tuple(sorted(jobs, key=lambda job: job[1])))


def _wakes_before_s(reason: str, scene: Scene) -> float:
    """Return how long before it is due a thing would wake the operator."""
    limits = scene.thresholds
    if reason in {"drift", "axis-limit"}:
        return (scene.settings.visit.travel_min + limits.lead_now_min) * 60
    return limits.supply_now_h * 3600


def announced(state: Bedtime, reason: str, now_s: float) -> bool:
    """Whether a thing is on the list of the night that is on, and so no news."""
    return now_s < state.until_s and any(reason == job for job, _ in state.jobs)


def finding(state: Bedtime, now_s: float, scene: Scene) -> Finding | None:
    """Return the list, until it is morning."""
    if state.told_night_s is None or now_s >= state.until_s:
        return None
    sleep = scene.settings.sleep
    detail: dict[str, Any] = {
        "sleep_from_utc": format_utc(from_utc_s(state.told_night_s)),
        "sleep_until_utc": format_utc(from_utc_s(state.until_s - sleep.after_min * 60)),
        "covered_until_utc": format_utc(from_utc_s(state.until_s)),
        "jobs": [{"job": job, "due_utc": format_utc(from_utc_s(when))} for job, when in state.jobs],
    }
    onset_s = state.told_night_s - sleep.before_min * 60
    return Finding(severity=Severity.NOTE, onset_s=onset_s, detail=detail, story=str(state.told_night_s))
