"""Measuring processes that may be killed: a file that hangs or crashes one costs that file, not the run."""

import multiprocessing
import os
import signal
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Literal, cast

from sentinel.chain.intake.examine import dated, examine
from sentinel.chain.intake.session_discs import DiscPrior, SessionDiscs
from sentinel.core.clock import Clock, SystemClock
from sentinel.core.errors import Problem
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.times import file_time_utc

UNMEASURED = "unmeasured"
"""Flag of a frame whose measuring process hung or died."""


@dataclass(frozen=True, slots=True)
class MeasureJob:
    """One file to be measured, with what the settings say about it."""

    path: Path
    frame: str
    transfer: Literal["auto", "srgb", "linear"] = "auto"
    clock_offset_s: float = 0.0
    within: Path | None = None
    """Folder out of which no link is followed."""
    prior: DiscPrior | None = None
    """What is known of the disc beforehand."""
    only_dated: bool = False
    """Its time is asked for alone."""


def cores() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


_READY = "ready"
"""What a measuring process says first: patience with a file does not count the process's own start."""

STRETCH = 16
"""Frames that are measured knowing the same."""
START_PATIENCE_S = 120.0
"""How long a process may take to start, on a small computer under load."""

Work = Callable[[MeasureJob], MeasuredFrame]


def _serve(pipe: Connection, work: Work) -> None:
    """Measure whatever comes through the pipe until it closes."""
    # Ctrl-C reaches the whole process group; the parent decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pipe.send(_READY)
    while True:
        try:
            job: MeasureJob = pipe.recv()
        except EOFError:
            return
        pipe.send(work(job))


def measure_job(job: MeasureJob) -> MeasuredFrame:
    """Measure one file in this process."""
    if job.only_dated:
        return dated(job.path, frame=job.frame, clock_offset_s=job.clock_offset_s, within=job.within)
    return examine(
        job.path,
        frame=job.frame,
        transfer=job.transfer,
        clock_offset_s=job.clock_offset_s,
        within=job.within,
        prior=job.prior,
    )


@dataclass
class _Worker:
    process: BaseProcess
    pipe: Connection
    task: tuple[int, MeasureJob] | None = None
    """The job at hand and its number."""
    deadline_s: float = 0.0
    gone: bool = False
    ready: bool = False


class MeasuringPool:
    """A fixed number of measuring processes.

    Parameters
    ----------
    clock
        Where the patience with a silent process is read off.
    count
        How many processes; the number of cores if not given.
    patience_s
        How long one file may take.
    work
        What is done with each; a function that can be pickled.
    """

    TRIES = 2
    FAILED_STARTS = 5
    """So many in a row, and it is not the files' fault."""

    def __init__(
        self, clock: Clock, *, count: int | None = None, patience_s: float = 60.0, work: Work = measure_job
    ) -> None:
        self._context = multiprocessing.get_context("forkserver")
        self._context.set_forkserver_preload(["sentinel.chain.intake.examine"])
        self._clock, self._patience_s, self._work = clock, patience_s, work
        self._failed_starts = 0
        self._workers = [self._start() for _ in range(count or cores())]

    def _start(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=_serve, args=(theirs, self._work), daemon=True)
        process.start()
        theirs.close()
        return _Worker(process, ours, deadline_s=self._clock.monotonic_s() + START_PATIENCE_S)

    def __enter__(self) -> "MeasuringPool":
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

    def measure(self, jobs: Iterable[MeasureJob]) -> Iterator[MeasuredFrame]:
        """Yield each job's frame, in the order of the jobs.

        Raises
        ------
        Problem
            If no measuring process can be started.
        """
        waiting = deque(enumerate(jobs))
        tries: Counter[int] = Counter()
        done: dict[int, MeasuredFrame] = {}
        turn = 0
        while waiting or done or any(worker.task for worker in self._workers):
            for i, worker in enumerate(self._workers):
                if self._is_well(worker):
                    continue
                task, reason = worker.task, self._what_happened(worker)
                if not worker.ready:
                    self._count_failed_start(reason)
                self._workers[i] = self._start()
                if task is None:
                    continue
                if tries[task[0]] < self.TRIES:
                    waiting.appendleft(task)
                else:
                    done[task[0]] = _unmeasured(task[1], reason)
            for worker in self._workers:
                if worker.ready and worker.task is None and waiting:
                    task = waiting.popleft()
                    tries[task[0]] += 1
                    self._hand(worker, task)
            done.update(self._finished())
            while turn in done:
                yield done.pop(turn)
                turn += 1

    def _count_failed_start(self, reason: str) -> None:
        self._failed_starts += 1
        if self._failed_starts >= self.FAILED_STARTS:
            self._failed_starts = 0
            raise Problem(
                f"measuring processes end before they begin ({reason})", mend="free memory, or install anew"
            )

    def _hand(self, worker: _Worker, task: tuple[int, MeasureJob]) -> None:
        worker.task = task
        worker.deadline_s = self._clock.monotonic_s() + self._patience_s
        try:
            worker.pipe.send(task[1])
        except OSError:
            worker.gone = True

    def _is_well(self, worker: _Worker) -> bool:
        if worker.gone:
            return False
        idle = worker.ready and worker.task is None
        in_time = idle or self._clock.monotonic_s() < worker.deadline_s
        return (worker.process.is_alive() and in_time) or worker.pipe.poll()

    def _what_happened(self, worker: _Worker) -> str:
        if worker.gone:
            worker.process.join(timeout=5.0)  # its pipe closes a moment before it is known to have died
        hung = worker.process.is_alive()
        _stop(worker)
        if hung:
            return f"measuring took longer than {self._patience_s:g} s"
        return f"the measuring process died (exit status {worker.process.exitcode})"

    def _finished(self) -> Iterator[tuple[int, MeasuredFrame]]:
        """Wait until a process has something to say or patience ends; yield what is done."""
        busy = {w.pipe: w for w in self._workers if (w.task or not w.ready) and not w.gone}
        if not busy:
            return
        left_s = min(worker.deadline_s for worker in busy.values()) - self._clock.monotonic_s()
        for pipe in wait(list(busy), timeout=max(left_s, 0.0)):
            worker = busy[cast(Connection, pipe)]
            try:
                said: MeasuredFrame | str = worker.pipe.recv()
            except (EOFError, OSError):
                worker.gone = True  # died in mid-sentence
                continue
            if isinstance(said, str):
                worker.ready = True
                self._failed_starts = 0
                continue
            assert worker.task is not None  # noqa: S101 - it was busy
            yield worker.task[0], said
            worker.task = None


def _stop(worker: _Worker) -> None:
    worker.process.kill()
    worker.process.join()
    worker.pipe.close()


def _unmeasured(job: MeasureJob, reason: str) -> MeasuredFrame:
    try:
        file_time_s = job.path.lstat().st_mtime
    except OSError:
        file_time_s = 0.0
    return MeasuredFrame(
        frame=job.frame,
        time_utc=file_time_utc(file_time_s),
        width_px=0,
        height_px=0,
        disc=Disc(found=False),
        error=f"{reason}, {MeasuringPool.TRIES} times; the file is skipped",
        flags=(UNMEASURED,),
    )


def measure_all(
    jobs: Sequence[MeasureJob], session_discs: SessionDiscs | None = None
) -> Iterator[MeasuredFrame]:
    """Measure files on all cores; yield their frames in the order of the jobs.

    With `session_discs` the frames of each stretch are measured knowing what those before it have shown, on
    any number of cores the same.
    """
    if len(jobs) <= 1:
        # Starting processes takes longer than one frame does.
        yield from (measure_job(job) for stretch in _stretches(jobs, session_discs) for job in stretch)
        return
    with MeasuringPool(SystemClock(), count=min(cores(), len(jobs))) as pool:
        for stretch in _stretches(jobs, session_discs):
            for frame in pool.measure(stretch):
                if session_discs is not None:
                    session_discs.learn(frame)
                yield frame


def _stretches(
    jobs: Sequence[MeasureJob], session_discs: SessionDiscs | None
) -> Iterator[Sequence[MeasureJob]]:
    """Yield the jobs in stretches, each with what is known when it is asked for."""
    if session_discs is None:
        yield jobs
        return
    for start in range(0, len(jobs), STRETCH):
        prior = session_discs.prior
        yield [replace(job, prior=prior) for job in jobs[start : start + STRETCH]]
