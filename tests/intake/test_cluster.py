"""Work handed to a cluster, on a real scheduler with real workers: the same numbers, and nothing lost."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from shutil import copy2

import pytest

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.pool import measure_all
from sentinel.chain.intake.session_discs import SessionDiscs
from sentinel.chain.intake.workers import OnCluster, working
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import MeasuredFrame
from sentinel.core.tables import exact_row, read_measurements
from tests.command import runner

FRAMES = sorted(Path("replay_data/midnight-sun").rglob("*.JPG"))


class Scheduler:
    """A scheduler and its workers as processes of their own, on loopback."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._started = folder, list[subprocess.Popen[bytes]]()
        found = folder / "scheduler.json"
        self.process = self._run(
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            str(found),
        )
        until = time.monotonic() + 60
        # The file is there before its content is.
        while (
            "tcp://" not in (text := found.read_text() if found.exists() else "") and time.monotonic() < until
        ):
            time.sleep(0.1)
        self.address = text[text.index("tcp://") :].split('"')[0]

    def _run(self, *command: str) -> subprocess.Popen[bytes]:
        started = subprocess.Popen(
            [sys.executable, "-m", "dask", *command],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=Path.cwd(),
            env=os.environ | {"PYTHONPATH": str(Path.cwd()), "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
        self._started.append(started)
        return started

    def worker(self) -> subprocess.Popen[bytes]:
        return self._run(
            "worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory",
            str(self._folder),
        )  # fmt: skip

    def wait_for(self, count: int) -> None:
        from distributed import Client  # noqa: PLC0415

        with Client(self.address, set_as_default=False) as client:  # type: ignore[no-untyped-call]
            client.wait_for_workers(count, timeout=120)

    def close(self) -> None:
        for process in self._started:
            process.kill()
            process.wait()


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[Scheduler]:
    found = Scheduler(tmp_path)
    yield found
    found.close()


def jobs_of(count: int) -> list[MeasureJob]:
    return [MeasureJob(FRAMES[number % len(FRAMES)], f"{number:03}.jpg") for number in range(count)]


def lines(frames: Iterable[MeasuredFrame]) -> list[str]:
    return [exact_row(frame) for frame in frames]


def slowly(number: int) -> tuple[int, int]:
    time.sleep(0.02)
    return number, os.getpid()


def deadly(number: int) -> int:
    if number == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def given_up(number: int, why: str) -> int:
    assert "died" in why
    return -number


def lost(number: int, why: str) -> tuple[int, int]:
    raise AssertionError((number, why))


def test_no_scheduler_is_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sentinel.chain.intake.cluster.CONNECT_S", 0.5)
    run = runner(capsys, monkeypatch)
    for address in ("tcp://127.0.0.1:9", "nonsense://x", "127.0.0.1:notaport"):
        status, out, err = run("measure", FRAMES[0], "--on", address)
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert "no scheduler answers" in err


def test_what_listens_and_never_speaks_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sentinel.chain.intake.cluster.CONNECT_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        address = f"tcp://127.0.0.1:{mute.getsockname()[1]}"
        with (
            pytest.raises(RequestProblem, match=r"no scheduler answers .*timed out"),
            working(slowly, lost, most=1, on=OnCluster(address)),
        ):
            pass


def test_an_answer_of_something_else_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """A web server's first bytes, read as a length, ask for more memory than there is."""

    def strange(*_: object, **__: object) -> None:
        raise MemoryError("Unable to allocate 3.07 EiB")

    monkeypatch.setattr("distributed.Client", strange)
    with (
        pytest.raises(RequestProblem, match=r"no scheduler answers .*EiB"),
        working(slowly, lost, most=1, on=OnCluster("ws://127.0.0.1:9")),
    ):
        pass


def test_a_library_that_does_not_come_up_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def starved(*_: object, **__: object) -> None:
        raise AssertionError

    monkeypatch.setattr("distributed.Client", starved)
    with (
        pytest.raises(RequestProblem, match="very busy"),
        working(slowly, lost, most=1, on=OnCluster("ws://127.0.0.1:9")),
    ):
        pass


@pytest.mark.slow
def test_a_cluster_measures_the_same_to_the_last_bit_also_what_is_sent_along(
    scheduler: Scheduler, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (
        pytest.raises(RequestProblem, match="has no workers"),
        working(slowly, lost, most=1, on=OnCluster(scheduler.address)),
    ):
        pass
    for _ in range(2):
        scheduler.worker()
    scheduler.wait_for(2)
    jobs = jobs_of(20)
    (tmp_path / "broken.jpg").write_bytes(b"no picture")
    jobs += [MeasureJob(tmp_path / "broken.jpg", "broken.jpg"), MeasureJob(tmp_path / "none.jpg", "none.jpg")]
    here = lines(measure_all(jobs, SessionDiscs(2.0)))
    assert lines(measure_all(jobs, SessionDiscs(2.0), on=OnCluster(scheduler.address))) == here
    # The workers stand elsewhere: what is named from here they do not see, and it comes along.
    hidden = [replace(job, path=Path(job.frame)) for job in jobs[:3]]
    for job in jobs[:3]:
        copy2(job.path, tmp_path / job.frame)
    monkeypatch.chdir(tmp_path)
    unseen = list(measure_all(hidden, SessionDiscs(2.0), on=OnCluster(scheduler.address)))
    assert all(frame.error for frame in unseen)
    sent = measure_all(hidden, SessionDiscs(2.0), on=OnCluster(scheduler.address, send=True))
    assert lines(sent) == here[:3]


@pytest.mark.slow
def test_a_worker_that_is_killed_costs_nothing_and_each_task_comes_once(scheduler: Scheduler) -> None:
    victim = scheduler.worker()
    scheduler.worker()
    scheduler.wait_for(2)
    with working(slowly, lost, most=2, on=OnCluster(scheduler.address)) as workers:
        found = []
        for answer in workers.results(range(300)):
            found.append(answer)
            if len(found) == 100:
                victim.kill()
    assert [number for number, _ in found] == list(range(300))
    assert len({pid for _, pid in found[:90]}) == 2
    assert len({pid for _, pid in found[200:]}) == 1


@pytest.mark.slow
def test_a_task_that_kills_its_workers_is_given_up_and_the_rest_goes_on(scheduler: Scheduler) -> None:
    for _ in range(6):
        scheduler.worker()
    scheduler.wait_for(6)
    with working(deadly, given_up, most=2, on=OnCluster(scheduler.address)) as workers:
        assert list(workers.results(range(4))) == [0, -1, 2, 3]


@pytest.mark.slow
def test_a_scheduler_that_goes_is_one_line_and_what_was_measured_is_kept(
    scheduler: Scheduler, tmp_path: Path
) -> None:
    scheduler.worker()
    scheduler.wait_for(1)
    table = tmp_path / "t.ecsv"
    command = [
        sys.executable,
        "-m",
        "sentinel",
        "measure",
        "replay_data/midnight-sun",
        "--out",
        str(table),
        "--resume",
    ]
    # A frame is a line where no width is asked for; the library that reads lines for pytest asks for one.
    environ = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    with subprocess.Popen(
        [*command, "--on", scheduler.address],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environ,
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        for _ in range(20):
            assert running.stdout.readline()
        scheduler.process.kill()
        running.stdout.read()
        said = running.stderr.read()
    assert running.returncode == 1
    assert said.count("\n") == 1, said
    assert "the scheduler is gone; start it again" in said
    assert len(read_measurements(table)) >= 20


@pytest.mark.slow
def test_without_any_worker_left_it_ends_and_says_so(
    scheduler: Scheduler, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sentinel.chain.intake.cluster.WORKERLESS_S", 3.0)
    victim = scheduler.worker()
    scheduler.wait_for(1)
    with working(slowly, lost, most=1, on=OnCluster(scheduler.address)) as workers:
        coming = workers.results(range(300))
        next(coming)
        victim.kill()
        with pytest.raises(Problem, match="has lost all its workers"):
            list(coming)
