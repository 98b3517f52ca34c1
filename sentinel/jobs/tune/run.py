"""The whole of a tuning: sessions read, judged under many thresholds, and what they speak for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Thresholds
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.tune.choose import (
    Advice,
    Case,
    Choice,
    advise,
    by_name,
    total_needless,
    total_sooner,
    worse,
)
from sentinel.jobs.tune.grid import Swept, Trial, Value, allowed, asked_for, between, outermost
from sentinel.jobs.tune.reading import Request, read_sessions
from sentinel.jobs.tune.trial import Known, Rejudge, bench
from sentinel.jobs.tune.yardstick import Score


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """All advice together, judged once more."""

    changes: dict[str, Value]
    scores: tuple[Score, ...]
    """Of each session, under all changes."""
    dropped: dict[str, str]
    """What was good alone and is not needed, or not good, beside the others; and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of a tuning."""

    sessions: tuple[Known, ...]
    thresholds: Thresholds
    """The present ones."""
    advice: tuple[Advice, ...]
    """Of each threshold that was tried."""
    tried: dict[str, dict[Value, Sequence[Score]]]
    """By threshold and value: the score of each session."""
    untried: tuple[str, ...]
    """What was asked for and did not fit into the trials."""
    joint: Joint

    @property
    def cases(self) -> tuple[Case, ...]:
        """How each session fares now."""
        return tuple(Case(one.base, one.yardstick) for one in self.sessions)


def tune(request: Request, progress: Progress = silent) -> Result:
    """Rejudge sessions under many thresholds and choose; `sentinel.jobs.tune.files` writes what comes of it.

    Raises
    ------
    RequestProblem
        If a session, its settings, a file of true events or a name is wrong, or `out` must not be used.
    """
    asked = asked_for(request.only)
    if request.trials < 1:
        raise RequestProblem("must be at least 1", where="--trials", mend="give a number like 120")
    return tuned(read_sessions(request, progress), asked, request.trials, progress)


def tuned(
    sessions: tuple[Known, ...], asked: Sequence[Swept], most: int, progress: Progress = silent
) -> Result:
    """Try at most so many settings of some thresholds on sessions whose forecasts are known; choose."""
    thresholds = sessions[0].settings.thresholds
    cases = [Case(one.base, one.yardstick) for one in sessions]
    with bench(sessions, most) as rejudge:
        first = outermost(thresholds, asked)[:most]
        scores = _swept(rejudge, first, sessions, progress, "trying")
        telling = [one for one in asked if _differs(one.name, scores, cases)]
        then = between(thresholds, telling)[: most - len(first)]
        scores |= _swept(rejudge, then, sessions, progress, "trying nearer values")
        tried = by_name(scores)
        advice = tuple(advise(name, getattr(thresholds, name), found, cases) for name, found in tried.items())
        joint = _together(rejudge, advice, thresholds, cases, progress)
    return Result(
        sessions=sessions,
        thresholds=thresholds,
        advice=advice,
        tried=tried,
        untried=tuple(one.name for one in asked if one.name not in tried),
        joint=joint,
    )


def _swept(
    rejudge: Rejudge, planned: Sequence[Trial], sessions: Sequence[Known], progress: Progress, what: str
) -> dict[Trial, tuple[Score, ...]]:
    tasks = [(place, {name: value}) for name, value in planned for place in range(len(sessions))]
    scores = list(reported(rejudge(tasks), what, len(tasks), progress))
    each = len(sessions)
    return {trial: tuple(scores[i * each : (i + 1) * each]) for i, trial in enumerate(planned)}


def _differs(name: str, scores: Mapping[Trial, Sequence[Score]], cases: Sequence[Case]) -> bool:
    base = tuple(case.base for case in cases)
    return any(tuple(of) != base for (tried, _), of in scores.items() if tried == name)


def _together(
    rejudge: Rejudge,
    advice: Sequence[Advice],
    thresholds: Thresholds,
    cases: Sequence[Case],
    progress: Progress,
) -> Joint:
    """Take up the advice one by one, the best first, each only if it adds to those before it."""
    wanted = [one for one in advice if one.choice is Choice.CHANGE]
    wanted.sort(key=lambda one: (-one.spared, -one.sooner))
    joint = Joint(changes={}, scores=tuple(case.base for case in cases), dropped={})
    for done, one in enumerate(wanted, 1):
        assert one.value is not None  # noqa: S101 - a change has a value
        changes = {**joint.changes, one.name: one.value}
        why = "would not fit beside the others"
        if allowed(thresholds, changes):
            scores = tuple(rejudge([(place, changes) for place in range(len(cases))]))
            why = _adds_nothing(scores, joint.scores, cases)
            if not why:
                joint = replace(joint, changes=changes, scores=scores)
        if why:
            joint = replace(joint, dropped={**joint.dropped, one.name: why})
        progress("trying together", done, len(wanted))
    return joint


def _adds_nothing(scores: Sequence[Score], before: Sequence[Score], cases: Sequence[Case]) -> str:
    """Return why one more change is not worth it; empty: it is."""
    lost = next(filter(None, (worse(s, case) for s, case in zip(scores, cases, strict=True))), "")
    if lost:
        return f"together with the others {lost}"
    fewer, as_many = total_needless(scores), total_needless(before)
    if fewer < as_many or (fewer == as_many and total_sooner(scores, cases) > total_sooner(before, cases)):
        return ""
    return "adds nothing to the others"
