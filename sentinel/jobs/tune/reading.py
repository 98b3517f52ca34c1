"""Sessions on disk -> sessions whose forecasts are known, each with what it is measured by."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from sentinel.chain.intake.session import JOURNAL_NAME, TABLE_NAME, Session, open_session
from sentinel.chain.intake.workers import OnCluster
from sentinel.chain.undo import standing_marks
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.files import shown_name
from sentinel.core.records import Mark, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import DAY_S, utc_s
from sentinel.core.words import many
from sentinel.jobs.progress import Progress, reported, silent
from sentinel.jobs.replay import make_room, recorded_session, session_settings
from sentinel.jobs.tune.rejudging import Rejudging, Step
from sentinel.jobs.tune.scoring import ACTS, Criteria, TrueEvent, deduced_events, score_session
from sentinel.jobs.tune.trial import PreparedSession, SessionOnDisk, judging_workers, packed, with_forecasts
from sentinel.jobs.tune.truth import read_truth, within
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.session_facts import forecasts_by_event, kept_settings

TRIALS = 120
"""How many settings are tried at most, where nothing else is asked for."""

_WORKERS_PAY_FROM = 3
"""Sessions; fewer are made ready here, and how far each is can be told."""

_FORESEEN_BY = ("site", "camera", "mount", "supplies", "visit")
"""The settings that forecasts stand on, beside the margin and the height at which the sun counts as up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TuneRequest:
    """What is to be tuned, and by what."""

    sessions: Sequence[Path]
    out: Path
    configs: Sequence[Path] = ()
    truths: Sequence[Path] = ()
    """One file of true events for all sessions, or one for each in their order."""
    only: Sequence[str] = ()
    """Names of thresholds; none: all that tuning touches."""
    trials: int = TRIALS
    on: OnCluster | None = None
    """Where it is done, if not here."""


def read_sessions(request: TuneRequest, progress: Progress) -> tuple[PreparedSession, ...]:
    """Read all sessions before any of them costs time; then make their forecasts.

    Raises `RequestProblem` if one of them, its settings or a file of true events is wrong, or `out` must not
    be used.
    """
    named = [path for given in request.sessions for path in _of_a_season(given)]
    paths = [path.resolve() for path in named]
    twice = next((path for path in paths if paths.count(path) > 1), None)
    if twice is not None:
        raise RequestProblem("is named twice", where=str(twice), mend="name each session once")
    truths = _truths(request, len(named))
    opened = [open_session(path) for path in named]
    with _a_bad_session_is_a_wrong_request():
        settings = [session_settings(session, request.configs) for session in opened]
    _require_alike(named, settings)
    for session in opened:
        make_room(request.out, session)
    names, read = _names(named), list(zip(opened, settings, truths, strict=True))
    if len(named) < _WORKERS_PAY_FROM and request.on is None:
        steps = [_steps(session, own, progress) for session, own, _ in read]
        return tuple(
            prepared(name, own, _foreseen(name, own, one, progress), truth)
            for name, one, (_, own, truth) in zip(names, steps, read, strict=True)
        )
    # Of a season no more is held in memory than is being worked on.
    with judging_workers(len(named), request.on) as workers:
        tasks = (
            partial(prepared, name, own, _steps(session, own, silent), truth)
            for name, (session, own, truth) in zip(names, read, strict=True)
        )
        return tuple(reported(workers.results(tasks), "reading sessions", len(named), progress))


def _of_a_season(path: Path) -> list[Path]:
    """Return the sessions in a folder that holds some, each in a folder of its own; else the path itself."""
    if not path.is_dir() or (path / JOURNAL_NAME).is_file() or (path / TABLE_NAME).is_file():
        return [path]
    kept = (TABLE_NAME, JOURNAL_NAME)
    inner = [one for one in sorted(path.iterdir()) if any((one / name).is_file() for name in kept)]
    return inner or [path]


@contextmanager
def _a_bad_session_is_a_wrong_request() -> Iterator[None]:
    try:
        yield
    except RequestProblem:
        raise
    except Problem as problem:
        mend = problem.mend or "give another session"
        raise RequestProblem(problem.what, where=problem.where, mend=mend) from None


def _truths(request: TuneRequest, count: int) -> list[tuple[TrueEvent, ...] | None]:
    files = list(request.truths)
    if len(files) not in {0, 1, count}:
        raise RequestProblem(
            f"{many(len(files), 'file')} for {many(count, 'session')}",
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


def _steps(session: Session, settings: Settings, progress: Progress) -> tuple[Step, ...]:
    """Return a session's events, with their forecasts where its journal has some that fit."""
    with _a_bad_session_is_a_wrong_request():
        kept = _from_journal(session.journal, settings) if session.journal is not None else None
        if kept is not None:
            return kept
        events = recorded_session(session, settings, progress=progress).events
        return tuple((event, now_utc, None) for event, now_utc in events)


def _foreseen(name: str, settings: Settings, steps: tuple[Step, ...], progress: Progress) -> tuple[Step, ...]:
    """Return a session's events with their forecasts, which are made where there are none yet."""
    if any(forecast is not None for _, _, forecast in steps):
        return steps
    what = f"foreseeing {name}"
    return with_forecasts(settings, steps, lambda done: progress(what, done, len(steps)))


def _from_journal(path: Path, settings: Settings) -> tuple[Step, ...] | None:
    """Return the events with the forecasts that were made of them; None: those do not fit these settings.

    Making them anew costs more than all the rest.
    """
    with Journal.read(path) as journal:
        kept = kept_settings(journal)
        if len(kept) != 1 or kept[0].after != 0 or not _foreseen_alike(kept[0].settings, settings):
            return None
        forecasts = forecasts_by_event(journal)
        numbered = list(journal.numbered_events())
    steps = tuple((event, now_utc, forecasts.get(number)) for number, event, now_utc in numbered)
    made = [(forecast, now_utc) for _, now_utc, forecast in steps if forecast is not None]
    # Where the clock was found to be wrong, events were given other times afterwards and forecasts were not.
    fit = all(abs((forecast.time_utc - now_utc).total_seconds()) <= 600 for forecast, now_utc in made)
    return steps if made and fit else None


def _foreseen_alike(one: Settings, other: Settings) -> bool:
    return (
        all(getattr(one, section) == getattr(other, section) for section in _FORESEEN_BY)
        and one.frames.margin_px == other.frames.margin_px
        and one.thresholds.sun_clear_deg == other.thresholds.sun_clear_deg
    )


def prepared(
    name: str, settings: Settings, steps: Sequence[Step], truth: tuple[TrueEvent, ...] | None
) -> PreparedSession:
    """Return a session ready to be judged again, measured by what is said of it under its own settings."""
    rejudging = Rejudging(settings, _foreseen(name, settings, tuple(steps), silent))
    said, start_utc, end_utc = rejudging.said, steps[0][1], steps[-1][1]
    made = standing_marks(event for event, _, _ in steps if isinstance(event, Mark))
    marks = [mark for mark in made if mark.kind in ACTS]
    criteria = Criteria(
        true_events=within(truth, utc_s(start_utc), utc_s(end_utc)) if truth is not None else (),
        acts_s=tuple(sorted([*(utc_s(mark.time_utc) for mark in marks), *said.put_back_s])),
        written=truth is not None,
        spare_s=60 * (settings.visit.travel_min + 10),
        frame_s=settings.camera.interval_s,
    )
    criteria = replace(criteria, true_events=(*criteria.true_events, *deduced_events(said, criteria)))
    return PreparedSession(
        name=name,
        settings=settings,
        on_disk=SessionOnDisk(packed(rejudging)),
        criteria=criteria,
        base=score_session(said, criteria),
        frames=sum(isinstance(event, MeasuredFrame) for event, _, _ in steps),
        events=len(steps),
        days=max((end_utc - start_utc).total_seconds() / DAY_S, 1 / 1440),
    )
