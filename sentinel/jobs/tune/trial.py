"""Sessions ready to be judged again, kept on disk, and what hands them out to whoever judges them."""

import pickle
import weakref
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import groupby, islice
from math import ceil
from operator import call, itemgetter
from tempfile import TemporaryFile
from typing import Any, TypeVar

from sentinel.chain.intake.process_pool import cores
from sentinel.chain.intake.workers import OnCluster, Workers, working
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import Problem
from sentinel.core.settings import Settings
from sentinel.jobs.tune.grid import Value
from sentinel.jobs.tune.rejudging import Rejudging, Step
from sentinel.jobs.tune.scoring import Criteria, Score, score_session

T = TypeVar("T")

Task = tuple[int, Mapping[str, Value]]
"""Which session, and what is changed."""

_POOL_PAYS_FROM = 300_000
"""Events of all sessions, once for each setting; fewer are judged before a second process has started."""
_MOST_PROCESSES = 2
"""A small computer has other things to do."""
_CHUNKS = 3
"""Tasks a worker: so that none waits long for the last."""


class SessionOnDisk:
    """A session ready to be judged again, on disk while nobody judges it: memory does not hold a season."""

    def __init__(self, packed: bytes) -> None:
        # Without a name: it is gone with the process, however that ends.
        self._file = TemporaryFile(prefix="sentinel-")  # noqa: SIM115 - open as long as this is
        weakref.finalize(self, self._file.close)
        self._file.write(packed)

    def __reduce__(self) -> tuple[Any, ...]:
        return SessionOnDisk, (self.packed,)

    @property
    def packed(self) -> bytes:
        """As it can be sent to whoever judges it."""
        self._file.seek(0)
        return self._file.read()


def packed(rejudging: Rejudging) -> bytes:
    """Return a session as few bytes."""
    return zlib.compress(pickle.dumps(rejudging), level=1)


@lru_cache(maxsize=1)
def unpacked(content: bytes) -> Rejudging:
    """Return a session from its bytes; the last one is remembered."""
    found: Rejudging = pickle.loads(zlib.decompress(content))  # noqa: S301 - packed by this very run
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedSession:
    """A session whose forecasts are known: they do not depend on what is swept."""

    name: str
    settings: Settings
    on_disk: SessionOnDisk
    criteria: Criteria
    base: Score
    """Under the present thresholds."""
    frames: int
    events: int
    days: float
    """How long it lasted."""

    @property
    def rejudging(self) -> Rejudging:
        """The session itself."""
        return unpacked(self.on_disk.packed)


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


def _scores(known: PreparedSession, changes: Sequence[Mapping[str, Value]]) -> list[Score]:
    return [rejudge_session(known, one) for one in changes]


Rejudge = Callable[[Sequence[Task]], Iterator[Score]]
"""Yields a score for each task, in their order."""


@contextmanager
def judging_workers(most: int = _MOST_PROCESSES, on: OnCluster | None = None) -> Iterator[Workers[Any, Any]]:
    """Hand out what does the tasks of a tuning, functions of no arguments, elsewhere."""

    def ended(task: object, why: str) -> None:
        del task
        raise Problem(
            f"a judging process was ended from outside ({why})",
            mend="free some memory, or name fewer sessions",
        )

    with working(call, ended, most=min(most, _MOST_PROCESSES), on=on) as workers:
        yield workers


@contextmanager
def judging_pool(
    sessions: Sequence[PreparedSession], trials: int, on: OnCluster | None = None
) -> Iterator[Rejudge]:
    """Hand out what rejudges these sessions; about so many trials of each are to come."""
    events = trials * sum(one.events for one in sessions)
    if on is None and (events < _POOL_PAYS_FROM or cores() < 2):
        yield lambda tasks: (rejudge_session(sessions[place], changes) for place, changes in tasks)
        return
    with judging_workers(on=on) as workers:

        def rejudge(tasks: Sequence[Task]) -> Iterator[Score]:
            size = max(ceil(len(tasks) / (_CHUNKS * workers.count)), 1)
            # Some settings of one session at a time; it is read when its turn comes.
            chunks = (
                partial(_scores, sessions[place], [changes for _, changes in some])
                for place, own in groupby(tasks, key=itemgetter(0))
                for some in batched(own, size)
            )
            for scores in workers.results(chunks):
                yield from scores

        yield rejudge


def batched(items: Iterable[T], size: int) -> Iterator[list[T]]:
    """Yield some items at a time."""
    coming = iter(items)
    while some := list(islice(coming, size)):
        yield some
