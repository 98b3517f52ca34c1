"""Which value of which threshold the sessions speak for. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import log
from typing import NamedTuple

from sentinel.jobs.tune.grid import LEADS, Value
from sentinel.jobs.tune.scoring import Criteria, Response, Score, TrueEvent

# By how much later the word of a fault may come where that spares a needless wake-up. A mount that stops
# leaves minutes: it may cost one frame, and no more than a minute.
_LATER_RUNAWAY_S = 65.0
_LATER_S: Mapping[str, float] = {"over-bright": 0.0, "no-frames": 300.0}
_LATER_OTHERS_S = 600.0

SOONER_S = 120.0
"""A message that comes at least so much earlier is a gain."""
_SOONER_TIMES = 2
"""One message that came earlier is chance."""


class PresentScore(NamedTuple):
    """One session: how it fares now, and by what that is measured."""

    base: Score
    criteria: Criteria


class Recommendation(StrEnum):
    """What the sessions say of one threshold."""

    CHANGE = "change"
    KEEP = "keep"
    """Other values make a difference, none for the better."""
    SILENT = "silent"
    """No value tried makes any difference."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What is to be done with one threshold, and why."""

    name: str
    now: Value
    choice: Recommendation
    value: Value | None = None
    spared: int = 0
    """Needless wake-ups that the value spares."""
    sooner: int = 0
    """Messages that come sooner by it."""
    why: str = ""


def worse(trial: Score, baseline: PresentScore) -> str:
    """Return what a trial loses against the present thresholds; empty: nothing that counts."""
    base, criteria = baseline
    if trial.filter_alarms != base.filter_alarms:
        return "the filter alarm changes"
    for true_event, now, then in zip(criteria.true_events, base.responses, trial.responses, strict=True):
        lost = _lost(true_event, now, then, criteria)
        if lost:
            return lost
    if trial.needless > base.needless:
        return "more needless wake-ups"
    if trial.undecided > base.undecided:
        return "more wake-ups of which nothing is known"
    # An incident that wakes nobody any more may be told of in a message that waits.
    if trial.soon > base.soon + len(base.needless_for) - len(trial.needless_for):
        return "more messages"
    return ""


def _lost(true_event: TrueEvent, now: Response, then: Response, criteria: Criteria) -> str:
    for what, base_s, trial_s in zip(("finds", "tells of", "wakes for"), now, then, strict=True):
        if base_s is None:
            continue
        if trial_s is None:
            return f"no longer {what} a true {true_event.condition}"
        if true_event.foreseen:
            least_s = max(criteria.spare_s, 0.5 * (true_event.onset_s - base_s))
            latest_s = max(base_s, true_event.onset_s - least_s)
        elif true_event.condition == "runaway":
            # A twentieth more: frames do not come to the second.
            latest_s = base_s + min(1.05 * criteria.frame_s, _LATER_RUNAWAY_S)
        else:
            latest_s = base_s + _LATER_S.get(true_event.condition, _LATER_OTHERS_S)
        if trial_s > latest_s:
            return f"{what} a true {true_event.condition} {(trial_s - base_s) / 60:.0f} min later"
    return ""


def first_loss(trial: Sequence[Score], baselines: Sequence[PresentScore]) -> str:
    """Return what a trial of all sessions loses on the first of them that loses anything; empty: on none."""
    return next(filter(None, map(worse, trial, baselines)), "")


def sooner(trial: Score, base: Score) -> int:
    """Return of how many true_events a message comes sooner; 0 where one of any comes later."""
    later_s = [
        [
            then_s - now_s
            for now_s, then_s in ((now.told_s, then.told_s), (now.woke_s, then.woke_s))
            if now_s is not None and then_s is not None
        ]
        for now, then in zip(base.responses, trial.responses, strict=True)
    ]
    if any(max(both, default=0.0) > 0 for both in later_s):
        return 0
    return sum(min(both, default=0.0) <= -SOONER_S for both in later_s)


def total_needless(scores: Sequence[Score]) -> int:
    """Return the needless wake-ups of all sessions."""
    return sum(score.needless for score in scores)


def total_sooner(scores: Sequence[Score], baselines: Sequence[PresentScore]) -> int:
    """Return how many messages of all sessions come sooner, none of them at the price of another."""
    # Who is told of the same sooner gets one more reminder until it is over: that is no price.
    if any(
        score.soon > baseline.base.soon or score.incidents > baseline.base.incidents
        for score, baseline in zip(scores, baselines, strict=True)
    ):
        return 0
    return sum(sooner(score, baseline.base) for score, baseline in zip(scores, baselines, strict=True))


Tried = Mapping[Value, Sequence[Score]]
"""By value: the score of each session."""


def best(name: str, now: Value, tried: Tried, baselines: Sequence[PresentScore]) -> Value | None:
    """Return the value that these sessions speak for; None: the present one."""
    held = {value: scores for value, scores in tried.items() if not first_loss(scores, baselines)}
    base = total_needless([baseline.base for baseline in baselines])

    def far(value: Value) -> float:
        return abs(log(value / now)) if value > 0 and now > 0 else abs(value - now)

    fewer = [value for value, scores in held.items() if total_needless(scores) < base]
    if fewer:
        return min(fewer, key=lambda value: (total_needless(held[value]), far(value), value))
    if name in LEADS:
        return None
    # The nearest that gains anything: a step at a time.
    quick = [v for v, scores in held.items() if total_sooner(scores, baselines) >= _SOONER_TIMES]
    return min(quick, key=lambda value: (far(value), value), default=None)


def advise(name: str, now: Value, tried: Tried, baselines: Sequence[PresentScore]) -> Advice:
    """Return what these sessions say of one threshold.

    With several sessions each is left out in turn: what the others would have chosen must not be worse on it.
    """
    base = [baseline.base for baseline in baselines]
    if all(list(scores) == base for scores in tried.values()):
        why = "no value tried makes a difference here"
        return Advice(name=name, now=now, choice=Recommendation.SILENT, why=why)
    value = best(name, now, tried, baselines)
    if value is None:
        why = _why_not_fewer(tried, baselines, total_needless(base))
        return Advice(name=name, now=now, choice=Recommendation.KEEP, why=why or "no value tried is better")
    for out in range(len(baselines) if len(baselines) > 1 else 0):
        rest = {v: [s for i, s in enumerate(scores) if i != out] for v, scores in tried.items()}
        others = best(name, now, rest, [baseline for i, baseline in enumerate(baselines) if i != out])
        if others is None:
            continue
        lost = worse(tried[others][out], baselines[out])
        if lost:
            why = f"{others:g}, chosen without session {out + 1}, would have failed on it: {lost}"
            return Advice(name=name, now=now, choice=Recommendation.KEEP, why=why)
    scores = tried[value]
    spared = total_needless(base) - total_needless(scores)
    gained = total_sooner(scores, baselines)
    why = _why_not_fewer(tried, baselines, total_needless(scores))
    return Advice(
        name=name, now=now, choice=Recommendation.CHANGE, value=value, spared=spared, sooner=gained, why=why
    )


def _why_not_fewer(tried: Tried, baselines: Sequence[PresentScore], than: int) -> str:
    """Return what forbids a value with fewer needless wake-ups than so many; empty: there is none."""
    for value in sorted(tried):
        lost = first_loss(tried[value], baselines)
        if lost and total_needless(tried[value]) < than:
            return f"{value:g} would spare more, but {lost}"
    return ""
