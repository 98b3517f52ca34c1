"""The files for people while the watch goes on."""

import dataclasses
import shutil
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sentinel.core.clock import SystemClock
from sentinel.core.records import Disc, Mark, MeasuredFrame, Outcome
from sentinel.core.tables import read_measurements
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.watch.exporting import Exporter
from sentinel.service.watch.state_folder import StateFolder
from tests.delivery.receivers import wait_for
from tests.watch.files import jpeg, put
from tests.watch.running import Running, settings_for

T0 = datetime(2027, 6, 21, 1, 0, 0, tzinfo=UTC)
FRAME = MeasuredFrame(frame="0.jpg", time_utc=T0, width_px=300, height_px=200, disc=Disc(found=False))


class WaitingMessage:
    """A state folder whose exports are kept fresh."""

    def __init__(self, folder: Path) -> None:
        self.home = StateFolder(folder)
        self.table = folder / "measurements.ecsv"
        self.journal = Journal.create(self.home.journal, Origin.WATCH)
        self.exporter = Exporter(self.home, SystemClock(), least_s=0.02, share=1.0)

    def took(self, name: str, seconds: float) -> None:
        time_utc = T0 + timedelta(seconds=seconds)
        self.journal.record(dataclasses.replace(FRAME, frame=name, time_utc=time_utc), T0, Outcome())
        self.exporter.noted()

    def shows(self, *names: str) -> Callable[[], bool]:
        def shown() -> bool:
            return self.table.exists() and [f.frame for f in read_measurements(self.table)] == list(names)

        return shown


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[WaitingMessage]:
    made = WaitingMessage(tmp_path)
    yield made
    made.exporter.stop()
    made.journal.close()


def test_the_files_are_there_and_follow_the_journal_while_it_is_written(kept: WaitingMessage) -> None:
    kept.took("0.jpg", 0)
    kept.exporter.start()
    wait_for(kept.shows("0.jpg"))
    kept.took("2.jpg", 120)
    kept.took("1.jpg", 60)
    kept.journal.record(Mark(time_utc=T0, kind="seen"), T0, Outcome())
    kept.exporter.noted()
    wait_for(kept.shows("0.jpg", "1.jpg", "2.jpg"))
    marks = kept.home.folder / "marks.jsonl"
    wait_for(lambda: marks.exists() and bool(marks.read_text()))


def test_nothing_new_writes_nothing(kept: WaitingMessage) -> None:
    kept.took("0.jpg", 0)
    kept.exporter.start()
    wait_for(kept.shows("0.jpg"))
    before = kept.table.stat().st_ino
    time.sleep(0.2)
    assert kept.table.stat().st_ino == before


def test_on_a_full_disk_the_journal_comes_first(
    kept: WaitingMessage, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(kept.home.folder)
    tight = usage._replace(free=kept.home.journal.stat().st_size)
    asked: list[str] = []

    def disk_usage(path: Path) -> Any:
        asked.append(str(path))
        return tight if len(asked) < 4 else usage

    monkeypatch.setattr("sentinel.service.watch.exporting.shutil.disk_usage", disk_usage)
    kept.took("0.jpg", 0)
    kept.exporter.start()
    wait_for(lambda: len(asked) >= 3)
    assert not kept.table.exists() or len(asked) >= 4
    wait_for(kept.shows("0.jpg"))  # with room again it is made up for


def test_the_files_are_right_again_after_a_watch_that_was_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, state = tmp_path / "in", tmp_path / "state"
    start = datetime.now(UTC).replace(tzinfo=None, microsecond=0) - timedelta(hours=1)
    for number in range(3):
        put(folder / f"{number}.jpg", jpeg(number, start=start, size=(60, 40)), age_s=3600)
    settings = settings_for(folder)
    with Running(settings, state) as watch:
        watch.wait(lambda: len(watch.names()) == 3)
    table = state / "measurements.ecsv"
    table.write_text("as it was before the last frames", encoding="utf-8")
    monkeypatch.setattr(Exporter.__init__, "__kwdefaults__", {"least_s": 0.1, "share": 1.0})
    with Running(settings, state) as watch:
        # Nothing new comes: it is the start that makes up for what the end could not do.
        watch.wait(lambda: table.read_text(encoding="utf-8").startswith("# %ECSV"))
        assert [f.frame for f in read_measurements(table)] == ["0.jpg", "1.jpg", "2.jpg"]
