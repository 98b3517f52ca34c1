"""`measure --out`: a table that grows as frames come, loses nothing and is gone on with."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from shutil import copy2

import pytest
from astropy.table import Table

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.pool import measure_job
from sentinel.core.growing_table import GrowingTable
from sentinel.core.records import MeasuredFrame
from sentinel.core.tables import exact_row, read_measurements
from sentinel.jobs.measuring import MeasureRequest, measured
from tests.command import Run, runner

FRAMES = sorted(Path("replay_data/midnight-sun/DCIM").rglob("*.[jJ][pP][gG]"))[:40]
CONFIG = Path("replay_data/midnight-sun/config.yaml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    found = tmp_path / "frames"
    found.mkdir()
    for frame in FRAMES[:6]:
        copy2(frame, found)
    return found


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    return runner(capsys, monkeypatch)


class Here:
    """Measures in this process, and counts."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.measured: list[str] = []
        monkeypatch.setattr("sentinel.jobs.measuring.measure_all", self)

    def __call__(
        self,
        jobs: Sequence[MeasureJob],
        session_discs: object,
        *,
        on: object,
        kept: Mapping[str, MeasuredFrame] = {},
    ) -> Iterator[MeasuredFrame]:
        del session_discs, on
        for job in jobs:
            if job.frame not in kept:
                self.measured.append(job.frame)
            yield kept.get(job.frame) or measure_job(job)


def test_what_is_in_the_table_is_not_measured_again_and_what_changed_is(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, table = Here(monkeypatch), tmp_path / "night.ecsv"
    coming = measured(MeasureRequest(frames=[folder], table=table))
    first = [next(coming) for _ in range(3)]
    coming.close()  # cut short
    assert [one.frame for one in read_measurements(table)] == [one.frame for one in first]
    with table.open("a") as file:
        file.write("frame-half-writ")
    request = MeasureRequest(frames=[folder], table=table, resume=True)
    rest = list(measured(request))
    assert here.measured == sorted(path.name for path in folder.iterdir())
    assert [one.frame for one in (*first, *rest)] == here.measured
    whole = table.read_text()
    assert list(measured(request)) == []
    assert table.read_text() == whole, "the same again, to the byte"
    changed = sorted(folder.iterdir())[2]
    copy2(FRAMES[20], changed)
    assert [one.frame for one in measured(request)] == [changed.name]
    rows = read_measurements(table)
    assert len(rows) == 6
    assert not [row for row in rows if "row-repeated" in row.all_flags]
    assert len(Table.read(table)) == 6


def test_a_row_that_was_read_again_is_the_same_to_the_bit(folder: Path, tmp_path: Path) -> None:
    frame = measure_job(MeasureJob(next(folder.iterdir()), "a frame"))
    frame = replace(frame, camera="one of ours", flags=("b",))
    with GrowingTable(tmp_path / "t.ecsv", 7, resume=False) as table:
        table.add(frame)
    with GrowingTable(tmp_path / "t.ecsv", 7, resume=True) as table:
        assert exact_row(table.rows["a frame"]) == exact_row(frame)
        assert table.rows["a frame"].disc.x_px == frame.disc.x_px
        assert table.rows["a frame"].time_utc == frame.time_utc


def test_a_table_of_fewer_columns_is_gone_on_with_and_can_be_read_wherever_that_is_cut(
    folder: Path, tmp_path: Path
) -> None:
    """As a program before this one left it: without the last column of today."""
    path = tmp_path / "t.ecsv"
    frames = [measure_job(MeasureJob(one, one.name)) for one in sorted(folder.iterdir())[:2]]
    with GrowingTable(path, 7, resume=False) as table:
        table.add(frames[0])
    lines = [line for line in path.read_text().splitlines() if "name: orientation" not in line]
    lines = [line if line.startswith("#") else line.rsplit(" ", 1)[0] for line in lines]
    path.write_text("\n".join(lines) + "\n")
    with GrowingTable(path, 7, resume=True) as table:
        table.add(frames[1])
    assert [frame.frame for frame in read_measurements(path)] == [frame.frame for frame in frames]


def test_frames_without_a_size_wait_for_one_that_has_it(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"no picture")
    copy2(FRAMES[0], tmp_path / "c.jpg")
    table = tmp_path / "t.ecsv"
    found = list(measured(MeasureRequest(frames=[tmp_path], table=table)))
    assert [one.error is None for one in found] == [False, False, True]
    assert {row.frame for row in read_measurements(table)} == {"a.jpg", "b.jpg", "c.jpg"}


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["{table}", "--resume"], "is no table of"),
        (["{table}"], "is there already; go on with it by --resume"),
        (["{other}", "--resume", "--config", "{config}"], "measured with other settings"),
        (["{out}/none/t.ecsv"], "cannot be written"),
        (["{out}/t.ecsv", "{folder}"], "two frames have this name"),
    ],
)
def test_a_wrong_table_is_one_line_and_stays_as_it_was(
    args: list[str], says: str, folder: Path, tmp_path: Path, run: Run
) -> None:
    shipped = tmp_path / "shipped.ecsv"
    copy2("replay_data/five-days/measurements.ecsv", shipped)
    other = tmp_path / "other.ecsv"
    for path in folder.iterdir():
        if path.name != FRAMES[0].name:
            path.unlink()
    list(measured(MeasureRequest(frames=[folder], table=other)))
    before = {path: path.read_bytes() for path in (shipped, other)}
    names = {"table": shipped, "other": other, "config": CONFIG, "out": tmp_path, "folder": folder}
    table, *rest = (arg.format(**names) for arg in args)
    status, out, err = run("measure", folder, "--out", table, *rest)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert {path: path.read_bytes() for path in before} == before


def test_resume_without_a_table_and_send_without_a_cluster_are_refused(folder: Path, run: Run) -> None:
    assert run("measure", folder, "--resume")[2].startswith("sentinel: --resume: needs a table")
    assert "--send: there is nobody to send to" in run("measure", folder, "--send")[2]


@pytest.mark.slow
def test_killed_at_any_moment_it_goes_on_to_what_it_would_have_been(tmp_path: Path) -> None:
    folder = tmp_path / "frames"
    folder.mkdir()
    for frame in FRAMES:
        copy2(frame, folder)
    # A frame is a line where no width is asked for; the library that reads lines for pytest asks for one.
    environ = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    command = [sys.executable, "-m", "sentinel", "measure", str(folder), "--config", str(CONFIG), "--out"]
    whole, cut = tmp_path / "whole.ecsv", tmp_path / "cut.ecsv"
    subprocess.run([*command, str(whole)], check=True, capture_output=True, env=environ)
    for _ in range(2):
        with subprocess.Popen(
            [*command, str(cut), "--resume"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environ,
        ) as started:
            assert started.stdout is not None
            for _ in range(4):
                started.stdout.readline()
            started.send_signal(signal.SIGKILL)
    kept = len({row.frame for row in read_measurements(cut)})
    assert kept >= 4
    done = subprocess.run(
        [*command, str(cut), "--resume"], check=True, capture_output=True, text=True, env=environ
    )
    assert kept + done.stdout.count("\n") == len(FRAMES), "what was measured is not measured again"
    assert cut.read_bytes() == whole.read_bytes()
