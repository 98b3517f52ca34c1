"""The whole of a tuning: sessions read, judged under many thresholds, and what they speak for."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sentinel.chain.intake.workers import OnCluster
from sentinel.core.errors import RequestProblem
from sentinel.core.settings import Thresholds
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.tune.choose import (
    Advice,
    PresentScore,
    Recommendation,
    advise,
    first_loss,
    total_needless,
    total_sooner,
)
from sentinel.jobs.tune.grid import Swept, Trial, Value, allowed, asked_for, between, outermost
from sentinel.jobs.tune.reading import TuneRequest, read_sessions
from sentinel.jobs.tune.scoring import Figures, Score, figures_of
from sentinel.jobs.tune.trial import PreparedSession, Rejudge, judging_pool


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """All advice together, judged once more."""

    changes: dict[str, Value]
    scores: tuple[Score, ...]
    """Of each session, under all changes."""
    dropped: dict[str, str]
    """What was good alone and is not needed, or not good, beside the others; and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """What came of a tuning."""

    sessions: tuple[PreparedSession, ...]
    thresholds: Thresholds
    """The present ones."""
    advice: tuple[Advice, ...]
    """Of each threshold that was tried."""
    tried: dict[str, dict[Value, Sequence[Score]]]
    """By threshold and value: the score of each session."""
    untried: tuple[str, ...]
    """What was asked for and did not fit into the trials."""
    combined: Combined

    @property
    def base(self) -> tuple[Score, ...]:
        """How each session fares now."""
        return tuple(one.base for one in self.sessions)

    @property
    def days(self) -> float:
        """How long all sessions lasted."""
        return sum(one.days for one in self.sessions)

    @property
    def settings_tried(self) -> int:
        """How many values of all thresholds together."""
        return sum(map(len, self.tried.values()))

    def figures(self, scores: Sequence[Score]) -> Figures:
        """Return what a judging of all sessions comes to."""
        return figures_of(scores, [one.criteria for one in self.sessions], self.days)


def tune(request: TuneRequest, progress: Progress = silent) -> Tuning:
    """Rejudge sessions under many thresholds and choose; `sentinel.jobs.tune.files` writes what comes of it.

    Raises `RequestProblem` if a session, its settings, a file of true events or a name is wrong, or `out`
    must not be used.
    """
    asked = asked_for(request.only)
    if request.trials < 1:
        raise RequestProblem("must be at least 1", where="--trials", mend="give a number like 120")
    return tuned(read_sessions(request, progress), asked, request.trials, progress, request.on)


def tuned(
    sessions: tuple[PreparedSession, ...],
    asked: Sequence[Swept],
    most: int,
    progress: Progress = silent,
    on: OnCluster | None = None,
) -> Tuning:
    """Try at most so many settings of some thresholds on sessions whose forecasts are known; choose."""
    thresholds = sessions[0].settings.thresholds
    baselines = [PresentScore(one.base, one.criteria) for one in sessions]
    base = tuple(one.base for one in sessions)
    tried: dict[str, dict[Value, Sequence[Score]]] = {}
    with judging_pool(sessions, most, on) as rejudge:

        def sweep(planned: Sequence[Trial], what: str) -> None:
            # A session at a time: whoever has it in memory judges all its settings.
            tasks = [(place, {name: value}) for place in range(len(sessions)) for name, value in planned]
            scores = list(reported(rejudge(tasks), what, len(tasks), progress))
            for number, (name, value) in enumerate(planned):
                tried.setdefault(name, {})[value] = tuple(scores[number :: len(planned)])

        first = outermost(thresholds, asked)[:most]
        sweep(first, "trying")
        telling = [one for one in asked if any(of != base for of in tried.get(one.name, {}).values())]
        sweep(between(thresholds, telling)[: most - len(first)], "trying nearer values")
        advice = tuple(
            advise(name, getattr(thresholds, name), found, baselines) for name, found in tried.items()
        )
        combined = _together(rejudge, advice, thresholds, baselines, progress)
    return Tuning(
        sessions=sessions,
        thresholds=thresholds,
        advice=advice,
        tried=tried,
        untried=tuple(one.name for one in asked if one.name not in tried),
        combined=combined,
    )


def _together(
    rejudge: Rejudge,
    advice: Sequence[Advice],
    thresholds: Thresholds,
    baselines: Sequence[PresentScore],
    progress: Progress,
) -> Combined:
    """Take up the advice one by one, the best first, each only if it adds to those before it."""
    wanted = [one for one in advice if one.choice is Recommendation.CHANGE]
    wanted.sort(key=lambda one: (-one.spared, -one.sooner))
    combined = Combined(changes={}, scores=tuple(baseline.base for baseline in baselines), dropped={})
    for done, one in enumerate(wanted, 1):
        assert one.value is not None  # noqa: S101 - a change has a value
        changes = {**combined.changes, one.name: one.value}
        why = "would not fit beside the others"
        if allowed(thresholds, changes):
            scores = tuple(rejudge([(place, changes) for place in range(len(baselines))]))
            why = _adds_nothing(scores, combined.scores, baselines)
            if not why:
                combined = replace(combined, changes=changes, scores=scores)
        if why:
            combined = replace(combined, dropped={**combined.dropped, one.name: why})
        progress("trying together", done, len(wanted))
    return combined


def _adds_nothing(scores: Sequence[Score], before: Sequence[Score], baselines: Sequence[PresentScore]) -> str:
    """Return why one more change is not worth it; empty: it is."""
    lost = first_loss(scores, baselines)
    if lost:
        return f"together with the others {lost}"
    fewer, as_many = total_needless(scores), total_needless(before)
    gained = total_sooner(scores, baselines) - total_sooner(before, baselines)
    if fewer < as_many or (fewer == as_many and gained > 0):
        return ""
    return "adds nothing to the others"
