"""Watches of one computer take turns at measuring, and none of them hangs on another."""

import os
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sentinel.chain.intake.examine import MeasureJob
from sentinel.core.errors import Problem
from sentinel.service.watch.measuring_turn import (
    PATIENCE_S,
    MeasuringInTurn,
    MeasuringTurn,
    runtime_folder,
)
from tests.watch.test_folder_intake import intake_for

JOB = MeasureJob(Path("a.jpg"), "a.jpg")


class Waits:
    """A clock, and a flag that is never set: whoever waits for it moves the clock on."""

    def __init__(self) -> None:
        self.s = 0.0

    def monotonic_s(self) -> float:
        return self.s

    def wait(self, pause_s: float) -> bool:
        self.s += pause_s
        return False


class Process:
    """Stands for a measuring process."""

    def __init__(self, alive: list["Process"]) -> None:
        self.alive = alive
        alive.append(self)

    def results(self, jobs: Iterable[MeasureJob]) -> Iterator[Any]:
        for job in jobs:
            yield job.frame, len(self.alive)

    def close(self) -> None:
        self.alive.remove(self)


@pytest.fixture
def alive() -> list[Process]:
    return []


def camera(folder: Path, waits: Any, alive: list[Process]) -> Any:
    turn = MeasuringTurn(folder, waits, waits)
    return MeasuringInTurn(lambda: Process(alive), turn)  # type: ignore[arg-type, return-value]


def test_one_watch_alone_keeps_its_process(tmp_path: Path, alive: list[Process]) -> None:
    waits = Waits()
    alone = camera(tmp_path / "run", waits, alive)
    for _ in range(2):
        assert list(alone.results([JOB])) == [("a.jpg", 1)]
        (first,) = alive
        alone.rest()
        assert alive == [first]
    alone.close()
    assert alive == []
    assert waits.s == 0.0


def test_of_three_one_measures_at_a_time_and_none_keeps_a_process(
    tmp_path: Path, alive: list[Process]
) -> None:
    waits = Waits()
    three = [camera(tmp_path, waits, alive) for _ in range(3)]
    for _ in range(2):
        for one in three:
            assert list(one.results([JOB, JOB])) == [("a.jpg", 1)] * 2
            one.rest()
            assert alive == []
    assert waits.s == 0.0
    # With the others gone the last one is alone again.
    three[0].close()
    three[1].close()
    list(three[2].results([JOB]))
    three[2].rest()
    assert len(alive) == 1


def test_who_ends_at_measuring_lets_the_next_one_go_on(tmp_path: Path, alive: list[Process]) -> None:
    waits = Waits()
    one, other = (camera(tmp_path, waits, alive) for _ in range(2))
    list(one.results([JOB]))
    one.close()  # as the system does for a process that is killed: its files are closed
    list(other.results([JOB]))
    assert waits.s == 0.0


def test_who_hangs_with_the_turn_is_waited_for_once_and_not_again(
    tmp_path: Path, alive: list[Process]
) -> None:
    waits = Waits()
    stuck, other = (camera(tmp_path, waits, alive) for _ in range(2))
    list(stuck.results([JOB]))
    assert list(other.results([JOB])) == [("a.jpg", 2)], "measured all the same"
    assert PATIENCE_S <= waits.s < PATIENCE_S + 0.1
    for _ in range(3):
        other.rest()
        list(other.results([JOB]))
    assert waits.s < PATIENCE_S + 0.1
    # It moves again: from now on they take turns as before.
    stuck.rest()
    other.rest()
    list(other.results([JOB]))
    other.rest()
    before_s = waits.s
    list(stuck.results([JOB]))
    list(other.results([JOB]))
    assert waits.s - before_s >= PATIENCE_S


def test_a_watch_that_is_to_stop_waits_no_more(tmp_path: Path, alive: list[Process]) -> None:
    holder = camera(tmp_path, Waits(), alive)
    list(holder.results([JOB]))
    told, clock = threading.Event(), Waits()
    told.set()
    turn = MeasuringTurn(tmp_path, clock, told)  # type: ignore[arg-type]
    turn.take()
    assert clock.s == 0.0


@pytest.mark.parametrize("how", ["a file in its place", "another's"])
def test_where_they_cannot_meet_each_is_on_its_own(
    tmp_path: Path, alive: list[Process], how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "run"
    if how == "another's":
        own = os.getuid()
        monkeypatch.setattr(os, "getuid", lambda: own + 1)
    else:
        folder.write_text("")
    waits = Waits()
    for number in (1, 2):
        one = camera(folder, waits, alive)
        assert list(one.results([JOB])) == [("a.jpg", number)]
        one.rest()
    assert len(alive) == 2
    assert waits.s == 0.0


def test_a_process_that_cannot_be_started_is_no_fault_of_the_file(tmp_path: Path) -> None:
    def refuses() -> Any:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    waits: Any = Waits()
    measuring = MeasuringInTurn(refuses, MeasuringTurn(tmp_path, waits, waits))
    with pytest.raises(Problem, match="the measuring process: cannot be started"):
        list(measuring.results([JOB]))


def test_the_folder_rests_after_each_look(tmp_path: Path) -> None:
    class Pool:
        rests = 0

        def rest(self) -> None:
            self.rests += 1

    folder = tmp_path / "in"
    folder.mkdir()
    pool: Any = Pool()
    intake = intake_for(folder, pool)
    intake.turn(pool)
    assert pool.rests == 1


def test_they_meet_where_the_manager_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/sentinel:/run/other")
    assert runtime_folder() == Path("/run/sentinel")
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/1000")
    assert runtime_folder() == Path("/run/user/1000/sentinel")
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert runtime_folder().name == f"sentinel-{os.getuid()}"
