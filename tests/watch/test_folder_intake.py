"""The thread at the camera's side: files that vanish or end the watch, and what nobody foresaw."""

import threading
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.live import Finished, FolderState
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.core.clock import SystemClock
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.service.watch.folder_intake import ATTEMPTS, Arrival, Attempts, BacklogDone, FolderIntake
from sentinel.service.watch.liveness import Liveness
from tests.delivery.receivers import PATIENCE_S
from tests.watch.files import jpeg, put
from tests.watch.running import settings_for


class Pool:
    """Measures as a test says."""

    def __init__(self) -> None:
        self.jobs: list[str] = []
        self.before: dict[str, Any] = {}

    def results(self, jobs: Iterable[MeasureJob]) -> Iterator[MeasuredFrame]:
        for job in jobs:
            self.jobs.append(job.frame)
            self.before.pop(job.frame, lambda: None)()
            error = None if job.path.exists() else "there is no such file"
            yield MeasuredFrame(
                frame=job.frame,
                time_utc=datetime(2027, 6, 21, tzinfo=UTC),
                width_px=1,
                height_px=1,
                disc=Disc(found=False),
                error=error,
            )

    def rest(self) -> None:
        pass

    def close(self) -> None:
        pass


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "in"
    path.mkdir()
    return path


def intake_for(folder: Path, pool: Pool) -> FolderIntake:
    clock = SystemClock()
    return FolderIntake(
        settings_for(folder),
        SeenFiles(),
        clock,
        Liveness(clock, ("intake", "measuring")),
        make_pool=lambda: pool,  # type: ignore[arg-type, return-value]
        attempts=Attempts(folder.parent / "attempt.json"),
    )


def arrived(intake: FolderIntake) -> list[str]:
    """Return the names of what was handed on."""
    names = []
    while not intake.arrivals.empty():
        item = intake.arrivals.get()
        if isinstance(item, Arrival):
            names.append(item.frame.frame + (": " + item.frame.error if item.frame.error else ""))
        else:
            assert isinstance(item, BacklogDone)
            names.append("all caught up")
    return names


def test_a_file_that_went_away_while_it_was_measured_is_taken_when_it_is_back(folder: Path) -> None:
    pool = Pool()
    intake = intake_for(folder, pool)
    path = put(folder / "a.jpg", jpeg(1), age_s=100)
    elsewhere = folder.parent / "a.jpg"
    pool.before["a.jpg"] = lambda: path.rename(elsewhere)
    intake.turn(pool)  # type: ignore[arg-type]
    assert arrived(intake) == ["all caught up"]
    elsewhere.rename(path)
    intake.turn(pool)  # type: ignore[arg-type]
    assert arrived(intake) == ["a.jpg"]
    assert pool.jobs == ["a.jpg", "a.jpg"]


def test_what_a_picture_weighs_follows_the_last_ones_by_a_fifth_of_the_way(folder: Path) -> None:
    pool = Pool()
    intake = intake_for(folder, pool)
    light = put(folder / "a.jpg", jpeg(1), age_s=100).stat().st_size
    intake.turn(pool)  # type: ignore[arg-type]
    assert intake.frame_bytes == light
    heavy = put(folder / "b.jpg", jpeg(2) + bytes(50 * light), age_s=100).stat().st_size
    intake.turn(pool)  # type: ignore[arg-type]
    assert intake.frame_bytes == pytest.approx(0.8 * light + 0.2 * heavy)


def test_what_lay_there_comes_before_the_word_that_it_did(folder: Path) -> None:
    pool = Pool()
    intake = intake_for(folder, pool)
    for number in range(40):
        put(folder / f"{number:02d}.jpg", jpeg(number), age_s=100)
    assert intake.turn(pool) == 0.0, "there is more"  # type: ignore[arg-type]
    intake.turn(pool)  # type: ignore[arg-type]
    put(folder / "40.jpg", jpeg(40), age_s=100)
    intake.turn(pool)  # type: ignore[arg-type]
    assert arrived(intake) == [*(f"{n:02d}.jpg" for n in range(40)), "all caught up", "40.jpg"]
    found = intake.found
    assert found is not None
    assert (found.state, found.files, found.waiting) == (FolderState.PRESENT, 41, 0)


def test_a_file_during_which_the_watch_ended_again_and_again_is_skipped(tmp_path: Path) -> None:
    file = Finished(tmp_path / "a.jpg", "a.jpg", 10, 20, None)
    other = Finished(tmp_path / "b.jpg", "b.jpg", 10, 20, None)
    for _ in range(ATTEMPTS):
        assert Attempts(tmp_path / "attempt.json").begin(file)
    assert not Attempts(tmp_path / "attempt.json").begin(file)
    assert Attempts(tmp_path / "attempt.json").begin(other)
    assert Attempts(tmp_path / "attempt.json").begin(file), "it is only counted in a row"
    well = Attempts(tmp_path / "attempt.json")
    for _ in range(10):
        assert well.begin(other)
        well.end()
    (tmp_path / "attempt.json").write_text("{broken")
    assert Attempts(tmp_path / "attempt.json").begin(file)


def test_the_unforeseen_is_survived(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    pool = Pool()
    intake = intake_for(folder, pool)

    def fail() -> None:
        raise ValueError("unforeseen")

    put(folder / "a.jpg", jpeg(1), age_s=100)
    put(folder / "b.jpg", jpeg(2), age_s=100)
    pool.before["a.jpg"] = fail
    thread = threading.Thread(target=intake.run)
    thread.start()
    names: list[str] = []
    while len(names) < 2:
        item = intake.arrivals.get(timeout=PATIENCE_S)
        names += [item.frame.frame] if isinstance(item, Arrival) else []
    intake.stop.set()
    intake.wake.set()
    thread.join(30)
    assert not thread.is_alive()
    assert names == ["a.jpg", "b.jpg"]
    assert "unforeseen" in caplog.text


def test_nothing_is_lost_while_the_judging_is_behind(folder: Path) -> None:
    pool = Pool()
    intake = intake_for(folder, pool)
    for number in range(150):
        put(folder / f"{number:03d}.jpg", jpeg(number), age_s=100)
    thread = threading.Thread(target=intake.run)
    thread.start()
    names: list[str] = []
    while len(names) < 150:
        item = intake.arrivals.get(timeout=PATIENCE_S)
        names += [item.frame.frame] if isinstance(item, Arrival) else []
    intake.stop.set()
    intake.wake.set()
    thread.join(30)
    assert names == [f"{n:03d}.jpg" for n in range(150)]
