"""Sessions whose forecasts are known, and what hands out their rejudging under other thresholds."""

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass

from sentinel.chain.intake.workers import cores
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import Problem
from sentinel.core.settings import Settings
from sentinel.jobs.tune.grid import Value
from sentinel.jobs.tune.rejudging import Rejudging, Step
from sentinel.jobs.tune.scoring import Criteria, Score, score_session

Task = tuple[int, Mapping[str, Value]]
"""Which session, and what is changed."""

_POOL_PAYS_FROM = 60_000
"""Events to be judged in all; fewer are judged before a second process has started."""
_MOST_PROCESSES = 2
"""A small computer has other things to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedSession:
    """A session whose forecasts are known: they do not depend on what is swept."""

    name: str
    settings: Settings
    rejudging: Rejudging
    criteria: Criteria
    base: Score
    """Under the present thresholds."""
    frames: int
    days: float
    """How long it lasted."""


def with_forecasts(
    settings: Settings, events: Sequence[Step], tell: Callable[[int], None]
) -> tuple[Step, ...]:
    """Make a session's forecasts; `tell` hears how far it is."""
    pipeline, steps = Pipeline(settings, events[0][1]), list[Step]()
    for event, now_utc, _ in events:
        steps.append((event, now_utc, pipeline.step(event, now_utc).forecast))
        tell(len(steps))
    return tuple(steps)


def rejudge_session(known: PreparedSession, changes: Mapping[str, Value]) -> Score:
    """Return how a session fares under changed thresholds."""
    return score_session(known.rejudging.under(changes), known.criteria)


Rejudge = Callable[[Sequence[Task]], Iterator[Score]]
"""Yields a score for each task, in their order."""

_held: tuple[PreparedSession, ...] = ()
"""In a rejudging process: the sessions."""


def _hold(sessions: tuple[PreparedSession, ...]) -> None:
    # Ctrl-C reaches the whole process group; the parent decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    global _held  # noqa: PLW0603 - what a process is started with
    _held = sessions


def _work(task: Task) -> Score:
    return rejudge_session(_held[task[0]], task[1])


@contextmanager
def judging_pool(sessions: tuple[PreparedSession, ...], trials: int) -> Iterator[Rejudge]:
    """Hand out what rejudges these sessions; about so many trials of each are to come."""
    events = trials * sum(len(one.rejudging.steps) for one in sessions)
    if events < _POOL_PAYS_FROM or cores() < 2:
        yield lambda tasks: (rejudge_session(sessions[place], changes) for place, changes in tasks)
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
