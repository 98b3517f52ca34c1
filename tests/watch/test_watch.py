"""A whole watch on real files: nothing lost, nothing twice, whatever comes."""

import dataclasses
import json
import os
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sentinel.chain.pipeline import Pipeline
from sentinel.core.detail import Detail
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Event, Incident, Mark, MeasuredFrame, Outcome, Severity, Tick
from sentinel.core.tables import read_measurements
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.migrations import STEPS
from sentinel.service.watch.marks import leave_mark
from sentinel.service.watch.state_folder import StateFolder
from tests.watch.files import jpeg, put
from tests.watch.running import Running, SetClock, frames_in, incidents_in, readings_in, settings_for

INCIDENT = Incident(
    time_utc=datetime(2027, 6, 21, tzinfo=UTC),
    condition="moved",
    state="opened",
    severity=Severity.NOTE,
    onset_utc=datetime(2027, 6, 21, tzinfo=UTC),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "in"
    path.mkdir()
    return path


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


def just_now() -> datetime:
    """Return a camera's clock as it is now, for frames that come live."""
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)


def test_frames_are_measured_once_over_restarts(folder: Path, state: Path) -> None:
    settings = settings_for(folder)
    start = just_now() - timedelta(hours=1)
    put(folder / "100/IMG_9999.jpg", jpeg(0, start=start), age_s=3600)
    put(folder / "101/IMG_0001.jpg", jpeg(1, start=start), age_s=3540)
    with Running(settings, state) as watch:
        watch.wait(lambda: len(watch.names()) == 2)
        assert watch.names() == ["100/IMG_9999.jpg", "101/IMG_0001.jpg"]
        put(folder / "101/IMG_0002.jpg", jpeg(60, start=start))
        watch.wait(lambda: len(watch.names()) == 3)
        watch.wait(lambda: watch.status()["frame"] == "101/IMG_0002.jpg")
    first, second, live = frames_in(state / "journal.sqlite")
    assert first.time_utc == start.replace(tzinfo=UTC)
    assert first.arrived_utc is None, "nobody saw it come"
    assert live.arrived_utc is not None
    assert second.sha256
    assert second.size_bytes == (folder / "101/IMG_0001.jpg").stat().st_size
    assert [f.frame for f in read_measurements(state / "measurements.ecsv")] == [
        "100/IMG_9999.jpg", "101/IMG_0001.jpg", "101/IMG_0002.jpg"
    ]  # fmt: skip
    put(folder / "101/IMG_0003.jpg", jpeg(61, start=start))
    shutil.copy(folder / "101/IMG_0002.jpg", folder / "copy.jpg")
    with Running(settings, state) as watch:
        watch.wait(lambda: len(watch.names()) == 4)
        put(folder / "101/IMG_0004.jpg", jpeg(62, start=start))
        watch.wait(lambda: len(watch.names()) == 5)
    assert watch.names()[3:] == ["101/IMG_0003.jpg", "101/IMG_0004.jpg"]
    away = [reading.away_s for reading in readings_in(state / "journal.sqlite") if reading.away_s is not None]
    assert away, "each run says for how long nobody watched"


def test_what_was_measured_and_not_committed_is_not_lost(folder: Path, state: Path) -> None:
    start = just_now() - timedelta(hours=3)
    for number in range(90):
        put(folder / f"{number:02d}.jpg", jpeg(number, start=start, size=(60, 40)), age_s=5400)
    # Stopped again and again while frames are on their way from the measuring to the journal.
    for wanted in (3, 40, 90):
        with Running(settings_for(folder), state) as watch:
            watch.wait(lambda n=wanted: len(watch.names()) >= n)  # type: ignore[misc]
    assert watch.names() == [f"{number:02d}.jpg" for number in range(90)]


def test_a_restart_goes_on_where_it_was_with_and_without_a_snapshot(folder: Path, state: Path) -> None:
    settings = settings_for(folder)
    start = just_now() - timedelta(minutes=10)
    for number in range(5):
        put(folder / f"{number}.jpg", jpeg(number, start=start), age_s=600 - 60 * number)
    with Running(settings, state) as watch:
        watch.wait(lambda: len(watch.names()) == 5)
    held = watch.status()
    for leave_snapshot in (True, False):
        if not leave_snapshot:
            (state / "snapshot.bin").unlink()
        with Running(settings, state) as watch:
            watch.wait(lambda: len(readings_in(state / "journal.sqlite")) > 1)
        again = watch.status()
        for name in ("frame", "frames", "verified_utc", "edge_width_px", "frames_expected"):
            assert again[name] == held[name], name
    assert len(incidents_in(state / "journal.sqlite")) == len(
        {str(i) for i in incidents_in(state / "journal.sqlite")}
    )


def test_a_snapshot_of_other_settings_is_not_used(folder: Path, state: Path) -> None:
    put(folder / "0.jpg", jpeg(0), age_s=60)
    with Running(settings_for(folder), state) as watch:
        watch.wait(watch.names)
    snapshot = (state / "snapshot.bin").read_bytes()
    (state / "snapshot.bin").write_bytes(snapshot[:-200])
    with Running(settings_for(folder, camera={"interval_s": 30.0}), state) as watch:
        watch.wait(lambda: watch.home.status_json.exists() and watch.status()["interval_s"] == 30.0)
    assert len(watch.names()) == 1


def test_marks_are_taken_up_once(folder: Path, state: Path) -> None:
    home = StateFolder(state)
    home.create()
    before = Mark(
        time_utc=datetime(2027, 6, 21, 2, tzinfo=UTC), kind="remark", text="on the way \N{SNOWFLAKE}"
    )
    leave_mark(home.marks, before)
    (home.marks / "zz.json").write_text("no mark")
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: not list(home.marks.glob("*.json")))
        leave_mark(
            home.marks, Mark(time_utc=before.time_utc + timedelta(hours=1), kind="visit", minutes=15.0)
        )
        watch.wait(lambda: not list(home.marks.glob("*.json")))
    # As if the watch had ended between committing the mark and removing its file.
    leave_mark(home.marks, before)
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: not list(home.marks.glob("*.json")))
    with Journal.read(home.journal) as journal:
        assert [(m.kind, m.text, m.minutes) for m in journal.marks()] == [
            ("remark", "on the way \N{SNOWFLAKE}", None),
            ("visit", "", 15.0),
        ]
    assert len((state / "marks.jsonl").read_text().splitlines()) == 2
    assert (home.marks / "zz.unreadable").exists()


def test_the_cameras_offset_is_found_from_arrivals_and_kept(folder: Path, state: Path) -> None:
    settings = settings_for(folder, camera={"clock_offset_s": "auto"})
    fast = just_now() + timedelta(hours=2, seconds=40)
    with Running(settings, state) as watch:
        watch.wait(lambda: readings_in(watch.home.journal))
        taken_utc = just_now().replace(tzinfo=UTC)
        put(folder / "0.jpg", jpeg(0, start=fast + (taken_utc.replace(tzinfo=None) - just_now())))
        watch.wait(lambda: len(watch.names()) == 1)
    (first,) = watch.frames()
    assert first.arrived_utc is not None
    assert abs(first.arrived_utc - first.time_utc) < timedelta(seconds=5), "even the first frame"
    put(folder / "1.jpg", jpeg(1, start=fast), age_s=30)
    with Running(settings, state) as watch:
        watch.wait(lambda: len(watch.names()) == 2)
    second = watch.frames()[1]
    assert second.arrived_utc is None
    assert abs(second.time_utc - first.time_utc - timedelta(seconds=60)) < timedelta(seconds=8)
    assert "clock-offset-unknown" not in second.all_flags


def test_a_second_watch_is_refused(folder: Path, state: Path) -> None:
    with Running(settings_for(folder), state) as watch:
        watch.wait(watch.home.is_watched)
        second = Running(settings_for(folder), state)
        with pytest.raises(RequestProblem, match="another watch is at work here"), second:
            second.wait(lambda: second.failed)
    assert not watch.home.is_watched()


def test_the_state_may_not_lie_among_the_frames(folder: Path) -> None:
    watch = Running(settings_for(folder), folder / "state")
    with pytest.raises(RequestProblem, match="where nothing is ever written"), watch:
        watch.wait(lambda: watch.failed)
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_the_clock_is_set(folder: Path, state: Path, step_s: float) -> None:
    clock = SetClock()
    start = just_now()
    with Running(settings_for(folder), state, clock) as watch:
        watch.wait(lambda: readings_in(watch.home.journal))
        put(folder / "before.jpg", jpeg(0, start=start))
        watch.wait(lambda: len(watch.names()) == 1)
        clock.step(step_s)
        watch.wait(lambda: any(r.clock_step_s for r in readings_in(watch.home.journal)))
        put(folder / "after.jpg", jpeg(1, start=start))
        watch.wait(lambda: len(watch.names()) == 2)
        end_utc = clock.now_utc()
    with Journal.read(watch.home.journal) as journal:
        times = [now for _, now in journal.events()]
    assert times == sorted(times)
    assert all(abs(end_utc - now) < timedelta(minutes=2) for now in times), (
        "all is told by the clock as it is now"
    )
    (told,) = [r.clock_step_s for r in readings_in(watch.home.journal) if r.clock_step_s is not None]
    assert told == pytest.approx(step_s, abs=0.5)
    opened = {i.condition for i in incidents_in(watch.home.journal)}
    assert "no-frames" not in opened, "an hour that never passed is no silence"
    before, _ = watch.frames()
    assert before.time_utc == start.replace(tzinfo=UTC), "the camera's clock was not set"
    assert before.arrived_utc is not None
    assert abs(before.arrived_utc - end_utc) < timedelta(minutes=2)


def test_a_clock_that_wakes_up_in_the_past(folder: Path, state: Path) -> None:
    put(folder / "0.jpg", jpeg(0, start=just_now()))
    with Running(settings_for(folder), state) as watch:
        watch.wait(watch.names)
    last_utc = max(r.time_utc for r in readings_in(watch.home.journal))
    clock = SetClock()
    clock.step(-86_400.0)
    with Running(settings_for(folder), state, clock) as watch:
        watch.wait(lambda: max(r.time_utc for r in readings_in(watch.home.journal)) > last_utc)
        clock.step(86_400.0 + 600.0)
        watch.wait(lambda: any(r.clock_step_s for r in readings_in(watch.home.journal)))
    with Journal.read(watch.home.journal) as journal:
        times = [now for _, now in journal.events()]
    assert times == sorted(times)
    assert "no-frames" not in {i.condition for i in incidents_in(watch.home.journal)}


def test_the_folder_is_missing_at_the_start(folder: Path, state: Path) -> None:
    folder.rmdir()
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: [r.folder for r in readings_in(watch.home.journal)][-1:] == ["missing"])
        folder.mkdir()
        put(folder / "0.jpg", jpeg(0, start=just_now()))
        watch.wait(lambda: watch.names() == ["0.jpg"])


@pytest.mark.slow
def test_the_folder_is_replaced_deleted_and_comes_back(folder: Path, state: Path, tmp_path: Path) -> None:
    start = just_now()
    settings = settings_for(folder)
    with Running(settings, state) as watch:
        put(folder / "0.jpg", jpeg(0, start=start))
        watch.wait(lambda: watch.names() == ["0.jpg"])
        folder.rename(tmp_path / "elsewhere")
        folder.mkdir()
        watch.wait(lambda: readings_in(watch.home.journal)[-1].folder == "empty")
        put(folder / "1.jpg", jpeg(1, start=start))
        watch.wait(lambda: watch.names()[1:] == ["1.jpg"])
        shutil.rmtree(folder)
        watch.wait(lambda: watch.status()["folder"] == "missing")
        (tmp_path / "elsewhere").rename(folder)
        put(folder / "2.jpg", jpeg(2, start=start))
        watch.wait(lambda: watch.names()[2:] == ["2.jpg"])


def test_what_is_no_picture_is_told_and_passed_by(folder: Path, state: Path) -> None:
    start = just_now()
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: readings_in(watch.home.journal))
        os.mkfifo(folder / "pipe.jpg")
        (folder / "dangling.jpg").symlink_to(folder / "nothing.jpg")
        (folder / "folder.jpg").mkdir()
        put(folder / os.fsdecode(b"line\nand byte\xff.jpg"), jpeg(0, start=start))
        put(folder / "cut.jpg", jpeg(1, start=start)[:-800])
        put(folder / "whole.jpg", jpeg(2, start=start))
        watch.wait(lambda: len(watch.names()) == 6)
        watch.wait(lambda: watch.status()["unusable"] == 4)
    errors = {frame.frame: frame.error for frame in watch.frames()}
    assert {name for name, error in errors.items() if error is None} == {
        "whole.jpg",
        "line\\nand byte\\xff.jpg",
    }
    assert all(errors[name] for name in ("pipe.jpg", "dangling.jpg", "folder.jpg", "cut.jpg"))


def test_a_damaged_journal_is_set_aside_and_the_watch_goes_on(folder: Path, state: Path) -> None:
    start = just_now() - timedelta(minutes=3)
    for number in range(3):
        put(folder / f"{number}.jpg", jpeg(number, start=start), age_s=180 - 60 * number)
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: len(watch.names()) == 3)
    whole = watch.home.journal.read_bytes()
    broken = whole[:5000] + os.urandom(8000) + whole[13000:]
    watch.home.journal.write_bytes(broken)
    with Running(settings_for(folder), state) as watch:
        put(folder / "3.jpg", jpeg(3, start=start))
        watch.wait(lambda: "3.jpg" in watch.names())
        watch.wait(lambda: watch.status()["frames"] == 4)
        assert watch.names() == ["3.jpg"], "what it knew is not lost, and not measured again"
    (aside,) = state.glob("damaged-*")
    assert (aside / "journal.sqlite").read_bytes() == broken


def test_a_picture_that_cannot_be_judged_is_passed_by(
    folder: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def step(self: Pipeline, event: Event, now_utc: datetime) -> Outcome:
        if isinstance(event, MeasuredFrame) and event.frame == "1.jpg":
            raise ZeroDivisionError
        if isinstance(event, MeasuredFrame) and event.frame == "2.jpg":
            return Outcome(
                incidents=(dataclasses.replace(INCIDENT, detail=Detail(others={"not json": object()})),)
            )
        return real(self, event, now_utc)

    real = Pipeline.step
    monkeypatch.setattr(Pipeline, "step", step)
    for number in range(4):
        put(folder / f"{number}.jpg", jpeg(number, start=just_now()), age_s=60)
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: len(watch.names()) == 4)
    (state / "snapshot.bin").unlink()
    with Running(settings_for(folder), state) as watch:
        watch.wait(lambda: len(readings_in(watch.home.journal)) == 2)
    assert sorted(watch.names()) == [f"{number}.jpg" for number in range(4)]


def test_a_newer_journal_is_refused_and_left_alone(folder: Path, state: Path) -> None:
    state.mkdir()
    with Journal.create(state / "journal.sqlite", Origin.WATCH):
        pass
    db = sqlite3.connect(state / "journal.sqlite")
    db.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    db.close()
    before = (state / "journal.sqlite").read_bytes()
    watch = Running(settings_for(folder), state)
    with pytest.raises(Problem, match="newer version"), watch:
        watch.wait(lambda: watch.failed)
    assert (state / "journal.sqlite").read_bytes() == before


def test_an_old_journal_is_brought_up_to_date_and_a_copy_kept(state: Path) -> None:
    state.mkdir()
    db = sqlite3.connect(state / "journal.sqlite", isolation_level=None)
    STEPS[0](db)
    db.execute("PRAGMA user_version = 1")
    db.execute("INSERT INTO fact VALUES ('origin', 'watch')")
    body = json.dumps({"time_utc": "2027-06-21T01:00:00Z"})
    db.execute("INSERT INTO event VALUES (1, 'tick', '2027-06-21T01:00:00+00:00', ?)", (body,))
    db.close()
    with Journal.resume(state / "journal.sqlite") as journal:
        assert [event for event, _ in journal.events()] == [
            Tick(time_utc=datetime(2027, 6, 21, 1, tzinfo=UTC))
        ]
    versions = {}
    for path in state.glob("*.sqlite"):
        with closing(sqlite3.connect(path)) as copy:
            versions[path.name] = copy.execute("PRAGMA user_version").fetchone()[0]
    assert versions == {"journal.sqlite": len(STEPS), "journal.schema-1.sqlite": 1}


def test_a_watch_that_is_started_again_and_again_says_so(
    folder: Path, state: Path, caplog: pytest.LogCaptureFixture
) -> None:
    for _ in range(6):
        assert "times within an hour" not in caplog.text
        with Running(settings_for(folder), state) as watch:
            before = len(readings_in(watch.home.journal))
            watch.wait(lambda n=before: len(readings_in(watch.home.journal)) > n)  # type: ignore[misc]
    assert "The watch was started again 5 times within an hour" in caplog.text
