"""The whole of a tuning: sessions read, judged under many thresholds, and what they speak for."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from sentinel.errors import Problem, RequestProblem
from sentinel.files import shown_name
from sentinel.intake.session import open_session
from sentinel.records import Mark, MeasuredFrame
from sentinel.replay import Past, make_room, past_of, session_settings
from sentinel.settings import Settings, Thresholds
from sentinel.times import utc_s
from sentinel.tune.choose import Advice, Case, Choice, advise, by_name, total_needless, total_sooner, worse
from sentinel.tune.episodes import Said
from sentinel.tune.grid import Swept, Trial, Value, allowed, asked_for, between, outermost
from sentinel.tune.trial import Known, Rejudge, Step, bench, foreseen
from sentinel.tune.truth import read_truth, within
from sentinel.tune.yardstick import ACTS, Happening, Score, Yardstick, deduced, scored

T = TypeVar("T")

Progress = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done, and how much there is."""

TRIALS = 120
"""How many settings are tried at most, where nothing else is asked for."""


def _silent(what: str, done: int, total: int) -> None:
    del what, done, total


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is to be tuned, and by what."""

    sessions: Sequence[Path]
    out: Path
    configs: Sequence[Path] = ()
    truths: Sequence[Path] = ()
    """One file of true events for all sessions, or one for each in their order."""
    only: Sequence[str] = ()
    """Names of thresholds; none: all that tuning touches."""
    trials: int = TRIALS


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


def tune(request: Request, progress: Progress = _silent) -> Result:
    """Rejudge sessions under many thresholds and choose; `sentinel.tune.files` writes what comes of it.

    Raises
    ------
    RequestProblem
        If a session, its settings, a file of true events or a name is wrong, or `out` must not be used.
    """
    asked = asked_for(request.only)
    if request.trials < 1:
        raise RequestProblem("must be at least 1", where="--trials", mend="give a number like 120")
    return tuned(_read(request, progress), asked, request.trials, progress)


def tuned(
    sessions: tuple[Known, ...], asked: Sequence[Swept], most: int, progress: Progress = _silent
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
    scores = list(_reported(rejudge(tasks), what, len(tasks), progress))
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


# --- reading the sessions ---


def _read(request: Request, progress: Progress) -> tuple[Known, ...]:
    """Read all sessions before any of them costs time; then make their forecasts."""
    paths = [path.resolve() for path in request.sessions]
    twice = next((path for path in paths if paths.count(path) > 1), None)
    if twice is not None:
        raise RequestProblem("is named twice", where=str(twice), mend="name each session once")
    truths = _truths(request)
    opened = [open_session(path) for path in request.sessions]
    settings = [session_settings(session, request.configs) for session in opened]
    _require_alike(request.sessions, settings)
    for session in opened:
        make_room(request.out, session)
    pasts: list[Past] = []
    for session, own in zip(opened, settings, strict=True):
        try:
            pasts.append(past_of(session, own, progress=progress))
        except RequestProblem:
            raise
        except Problem as problem:
            mend = problem.mend or "give another session"
            raise RequestProblem(problem.what, where=problem.where, mend=mend) from None
    names = _names(request.sessions)
    return tuple(
        _foreseen(name, own, past, truth, progress)
        for name, own, past, truth in zip(names, settings, pasts, truths, strict=True)
    )


def _truths(request: Request) -> list[tuple[Happening, ...] | None]:
    files, count = list(request.truths), len(request.sessions)
    if len(files) not in {0, 1, count}:
        raise RequestProblem(
            f"{len(files)} files for {count} sessions",
            where="--truth",
            mend="give one for all sessions, or one for each in their order",
        )
    if not files:
        return [None] * count
    read = [read_truth(path) for path in files]
    return [*read] if len(read) == count else [*read * count]


def _require_alike(paths: Sequence[Path], settings: Sequence[Settings]) -> None:
    for path, own in zip(paths, settings, strict=True):
        if own.thresholds != settings[0].thresholds:
            raise RequestProblem(
                f"its thresholds differ from those of {shown_name(paths[0])}",
                where=shown_name(path),
                mend="say with --config from which thresholds to start",
            )


def _names(paths: Sequence[Path]) -> list[str]:
    """Return what to call each session: the folder's name where that tells them apart."""
    resolved = [path.resolve() for path in paths]
    homes = [path if path.is_dir() else path.parent for path in resolved]
    names = [shown_name(home.name) for home in homes]
    return names if len(set(names)) == len(names) else [shown_name(path) for path in paths]


def _foreseen(
    name: str, settings: Settings, past: Past, truth: tuple[Happening, ...] | None, progress: Progress
) -> Known:
    events = past.events
    what = f"foreseeing {name}"
    steps, said = foreseen(settings, events, lambda done: progress(what, done, len(events)))
    return known(name, settings, steps, said, truth)


def known(
    name: str, settings: Settings, steps: tuple[Step, ...], said: Said, truth: tuple[Happening, ...] | None
) -> Known:
    """Return a session ready to be rejudged, from what is `said` of it under its own settings."""
    marks = [event for event, _, _ in steps if isinstance(event, Mark) and event.kind in ACTS]
    yardstick = Yardstick(
        happenings=within(truth, utc_s(steps[0][1]), utc_s(steps[-1][1])) if truth is not None else (),
        acts_s=tuple(sorted([*(utc_s(mark.time_utc) for mark in marks), *said.put_back_s])),
        written=truth is not None,
        spare_s=60 * (settings.visit.travel_min + 10),
    )
    more = deduced(said, yardstick)
    yardstick = replace(yardstick, happenings=(*yardstick.happenings, *more))
    return Known(
        name=name,
        settings=settings,
        steps=steps,
        yardstick=yardstick,
        base=scored(said, yardstick),
        frames=sum(isinstance(event, MeasuredFrame) for event, _, _ in steps),
    )


def _reported(items: Iterable[T], what: str, total: int, progress: Progress) -> Iterator[T]:
    for done, item in enumerate(items, 1):
        progress(what, done, total)
        yield item
