"""A file that hangs or crashes its process costs that file, not the run."""

import os
import signal
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.pool import UNMEASURED, MeasuringPool, measuring_failed
from sentinel.core.clock import SystemClock
from sentinel.core.errors import Problem
from sentinel.core.records import Disc, MeasuredFrame


def work(job: MeasureJob) -> MeasuredFrame:
    """Stand in for measuring: what the file's name says happens."""
    if job.frame.startswith("hang"):
        time.sleep(60)
    if job.frame.startswith("crash"):
        os.kill(os.getpid(), signal.SIGKILL)
    if job.frame.startswith("once") and not job.path.exists():
        job.path.touch()
        os._exit(3)
    return MeasuredFrame(
        frame=job.frame,
        time_utc=datetime(2027, 6, 21, tzinfo=UTC),
        width_px=1,
        height_px=1,
        disc=Disc(found=False),
    )


@pytest.mark.parametrize("count", [1, 3])
def test_every_job_is_answered_once_in_order(tmp_path: Path, count: int) -> None:
    names = ["a", "crash", "b", "hang", "once", "c", "c", "d"]
    jobs = [MeasureJob(tmp_path / name, name) for name in names]
    with MeasuringPool(SystemClock(), work, measuring_failed, count=count, patience_s=1.0) as pool:
        frames = list(pool.results(jobs))
        assert [f.frame for f in frames] == names
        again = list(pool.results(jobs[:1]))
    assert [f.frame for f in again] == ["a"]
    errors = {f.frame: f.error for f in frames if f.error}
    assert set(errors) == {"crash", "hang"}, "a crash that does not recur costs nothing"
    assert "took longer than 1 s, 2 times" in str(errors["hang"])
    assert "died (exit status -9), 2 times" in str(errors["crash"])
    assert all(f.flags == (UNMEASURED,) for f in frames if f.error)


def test_no_jobs_no_frames() -> None:
    with MeasuringPool(SystemClock(), work, measuring_failed, count=1) as pool:
        assert list(pool.results([])) == []


class NeverBegins:
    """Work whose process ends while it starts, as where memory is short or an installation is broken."""

    def __call__(self, job: MeasureJob) -> MeasuredFrame:
        raise NotImplementedError

    def __reduce__(self) -> tuple[Callable[[int], object], tuple[int]]:
        return os._exit, (3,)


def test_processes_that_never_begin_are_a_problem_not_a_loop(tmp_path: Path) -> None:
    with MeasuringPool(SystemClock(), NeverBegins(), measuring_failed, count=2) as pool:
        for _ in range(2):
            with pytest.raises(Problem, match="end before they begin"):
                list(pool.results([MeasureJob(tmp_path / "a", "a")]))
