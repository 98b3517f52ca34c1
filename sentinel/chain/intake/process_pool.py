"""Handing out work to processes that may be killed: what hangs or crashes one costs its task, not the run."""

import multiprocessing
import os
import signal
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from math import inf
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkServerContext, SpawnContext
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar, cast

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem

TRIES = 2
"""So often is a task begun whose worker hangs or dies."""
AHEAD = 4
"""Tasks a worker that are taken up before the first of them is answered: none may hold up the others."""

_READY = "ready"
"""What a process says first: patience with a task does not count the process's own start."""

START_PATIENCE_S = 120.0
"""How long a process may take to start, on a small computer under load."""

T = TypeVar("T")
R = TypeVar("R")

Failed = Callable[[T, str], R]
"""What a task comes to whose worker hung or died, and why it did; may raise a `Problem`."""


def cores() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _serve(pipe: Connection, work: Callable[[Any], Any]) -> None:
    """Do whatever comes through the pipe until it closes."""
    # Ctrl-C reaches the whole process group; the parent decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pipe.send(_READY)
    while True:
        try:
            task = pipe.recv()
        except EOFError:
            return
        pipe.send(work(task))


@dataclass
class _Worker(Generic[T]):
    process: BaseProcess
    pipe: Connection
    task: tuple[int, T] | None = None
    """The task at hand and its number."""
    deadline_s: float = 0.0
    gone: bool = False
    ready: bool = False


class ProcessPool(Generic[T, R]):
    """A fixed number of own processes.

    `clock`: where the patience with a silent process is read off.
    `work`: what is done with each task; a function that can be pickled.
    `failed`: what comes of a task whose process hung or died each time it was tried.
    `count`: how many processes; the number of cores if not given.
    `patience_s`: how long one task may take.
    """

    FAILED_STARTS = 5
    """So many in a row, and it is not the tasks' fault."""

    def __init__(
        self,
        clock: Clock,
        work: Callable[[T], R],
        failed: Failed[T, R],
        *,
        count: int | None = None,
        patience_s: float = inf,
    ) -> None:
        self._clock, self._patience_s, self._work, self._failed = clock, patience_s, work, failed
        self._failed_starts = 0
        self.count = count or cores()
        # One alone has nobody to share with what the server that forks it would hold beside it.
        self._context: SpawnContext | ForkServerContext = multiprocessing.get_context("spawn")
        if self.count > 1:
            self._context = multiprocessing.get_context("forkserver")
            self._context.set_forkserver_preload(["sentinel.chain.intake.examine"])
        self._workers: list[_Worker[T]] = [self._start() for _ in range(self.count)]

    def _start(self) -> _Worker[T]:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=_serve, args=(theirs, self._work), daemon=True)
        process.start()
        theirs.close()
        return _Worker(process, ours, deadline_s=self._clock.monotonic_s() + START_PATIENCE_S)

    def __enter__(self) -> "ProcessPool[T, R]":
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.close()

    @property
    def process_ids(self) -> tuple[int, ...]:
        """The processes at work, for whoever measures what they take."""
        return tuple(worker.process.pid or 0 for worker in self._workers)

    def close(self) -> None:
        """Stop all processes, busy ones too."""
        for worker in self._workers:
            _stop(worker)
        self._workers = []

    def results(self, tasks: Iterable[T]) -> Iterator[R]:
        """Yield what each task comes to, in the order of the tasks.

        Raises `Problem` if no process can be started.
        """
        coming = enumerate(tasks)
        waiting: deque[tuple[int, T]] = deque(islice(coming, AHEAD * self.count))
        tries: Counter[int] = Counter()
        done: dict[int, R] = {}
        turn = 0
        while waiting or done or any(worker.task for worker in self._workers):
            for number, task, reason in self._cut_short():
                if tries[number] < TRIES:
                    waiting.appendleft((number, task))
                else:
                    done[number] = self._failed(task, f"{reason}, {TRIES} times")
            for worker in self._workers:
                if worker.ready and worker.task is None and waiting:
                    task_at_hand = waiting.popleft()
                    tries[task_at_hand[0]] += 1
                    self._hand(worker, task_at_hand)
            done.update(self._finished())
            while turn in done:
                yield done.pop(turn)
                turn += 1
                waiting.extend(islice(coming, 1))

    def _cut_short(self) -> Iterator[tuple[int, T, str]]:
        """Put new processes in the place of those that hung or died; yield what they were at, and why."""
        for i, worker in enumerate(self._workers):
            if self._is_well(worker):
                continue
            task, reason = worker.task, self._what_happened(worker)
            if not worker.ready:
                self._count_failed_start(reason)
            self._workers[i] = self._start()
            if task is not None:
                yield *task, reason

    def _count_failed_start(self, reason: str) -> None:
        self._failed_starts += 1
        if self._failed_starts >= self.FAILED_STARTS:
            self._failed_starts = 0
            raise Problem(
                f"working processes end before they begin ({reason})", mend="free memory, or install anew"
            )

    def _hand(self, worker: _Worker[T], task: tuple[int, T]) -> None:
        worker.task = task
        worker.deadline_s = self._clock.monotonic_s() + self._patience_s
        try:
            worker.pipe.send(task[1])
        except OSError:
            worker.gone = True

    def _is_well(self, worker: _Worker[T]) -> bool:
        if worker.gone:
            return False
        idle = worker.ready and worker.task is None
        in_time = idle or self._clock.monotonic_s() < worker.deadline_s
        return (worker.process.is_alive() and in_time) or worker.pipe.poll()

    def _what_happened(self, worker: _Worker[T]) -> str:
        if worker.gone:
            worker.process.join(timeout=5.0)  # its pipe closes a moment before it is known to have died
        hung = worker.process.is_alive()
        _stop(worker)
        if hung:
            return f"it took longer than {self._patience_s:g} s"
        return f"its process died (exit status {worker.process.exitcode})"

    def _finished(self) -> Iterator[tuple[int, R]]:
        """Wait until a process has something to say or patience ends; yield what is done."""
        busy = {w.pipe: w for w in self._workers if (w.task or not w.ready) and not w.gone}
        if not busy:
            return
        left_s = min(worker.deadline_s for worker in busy.values()) - self._clock.monotonic_s()
        for pipe in wait(list(busy), timeout=max(left_s, 0.0) if left_s < inf else None):
            worker = busy[cast(Connection, pipe)]
            try:
                said = worker.pipe.recv()
            except (EOFError, OSError):
                worker.gone = True  # died in mid-sentence
                continue
            if not worker.ready:
                worker.ready = True
                self._failed_starts = 0
                continue
            assert worker.task is not None  # noqa: S101 - it was busy
            yield worker.task[0], said
            worker.task = None


def _stop(worker: _Worker[Any]) -> None:
    worker.process.kill()
    worker.process.join()
    worker.pipe.close()
