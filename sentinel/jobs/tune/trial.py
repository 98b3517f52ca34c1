"""One session judged, once with new forecasts and then again and again on those, under other thresholds."""

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from sentinel.chain.intake.pool import cores
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import Problem
from sentinel.core.records import Event, Forecast
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.jobs.tune.episodes import Diary, Said
from sentinel.jobs.tune.grid import Value, changed
from sentinel.jobs.tune.yardstick import Score, Yardstick, scored

Step = tuple[Event, datetime, Forecast | None]
Task = tuple[int, Mapping[str, Value]]
"""Which session, and what is changed."""

_POOL_PAYS_FROM = 60_000
"""Events to be judged in all; fewer are judged before a second process has started."""
_MOST_PROCESSES = 2
"""A small computer has other things to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A session whose forecasts are known: they do not depend on what is swept."""

    name: str
    settings: Settings
    steps: tuple[Step, ...]
    yardstick: Yardstick
    base: Score
    """Under the present thresholds."""
    frames: int

    @property
    def days(self) -> float:
        """How long it lasted."""
        return max((self.steps[-1][1] - self.steps[0][1]).total_seconds() / 86_400, 1 / 1440)


def judged(settings: Settings, steps: Sequence[Step]) -> Said:
    """Return what a session's judging says, on known forecasts."""
    pipeline, diary = Pipeline(settings, steps[0][1]), Diary()
    for event, now_utc, forecast in steps:
        diary.take(pipeline.step_with(event, forecast, now_utc), utc_s(now_utc))
    return diary.said()


def foreseen(
    settings: Settings,
    events: Sequence[Step],
    tell: Callable[[int], None],
) -> tuple[tuple[Step, ...], Said]:
    """Make a session's forecasts; also return what its judging says; `tell` hears how far it is."""
    pipeline, diary = Pipeline(settings, events[0][1]), Diary()
    steps: list[Step] = []
    for event, now_utc, _ in events:
        outcome = pipeline.step(event, now_utc)
        diary.take(outcome, utc_s(now_utc))
        steps.append((event, now_utc, outcome.forecast))
        tell(len(steps))
    return tuple(steps), diary.said()


def rejudged(known: Known, changes: Mapping[str, Value]) -> Score:
    """Return how a session fares under changed thresholds."""
    thresholds = changed(known.settings.thresholds, changes)
    settings = known.settings.model_copy(update={"thresholds": thresholds})
    return scored(judged(settings, known.steps), known.yardstick)


Rejudge = Callable[[Sequence[Task]], Iterator[Score]]
"""Yields a score for each task, in their order."""

_held: tuple[Known, ...] = ()
"""In a rejudging process: the sessions."""


def _hold(sessions: tuple[Known, ...]) -> None:
    # Ctrl-C reaches the whole process group; the parent decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    global _held  # noqa: PLW0603 - what a process is started with
    _held = sessions


def _work(task: Task) -> Score:
    return rejudged(_held[task[0]], task[1])


@contextmanager
def bench(sessions: tuple[Known, ...], trials: int) -> Iterator[Rejudge]:
    """Hand out what rejudges these sessions; about so many trials of each are to come."""
    events = trials * sum(len(one.steps) for one in sessions)
    if events < _POOL_PAYS_FROM or cores() < 2:
        yield lambda tasks: (rejudged(sessions[place], changes) for place, changes in tasks)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(
        _MOST_PROCESSES, mp_context=context, initializer=_hold, initargs=(sessions,)
    ) as pool:
        try:
            yield lambda tasks: pool.map(_work, tasks)
        except BrokenProcessPool:
            raise Problem(
                "a judging process was ended from outside", mend="free some memory, or name fewer sessions"
            ) from None
        finally:
            pool.shutdown(cancel_futures=True)
