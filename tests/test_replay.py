"""A past session from its source to the files and the verdict."""

import dataclasses
import json
import shutil
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.table import Table

from sentinel.chain.intake.events import session_events
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Disc, Mark, MeasuredFrame, Severity
from sentinel.core.settings import validate
from sentinel.core.tables import read_measurements, write_measurements
from sentinel.core.times import parse_utc
from sentinel.jobs.replay import RecordedSession, ReplayRequest, replay
from sentinel.jobs.report.summary import Summary, summary_lines
from sentinel.service.journal.journal import Journal, Origin
from tests.shipped import FIVE_DAYS, five_days

SHIPPED = Path(__file__).parents[1] / "replay_data"
CLOUD_FROM, CLOUD_TO = "2027-06-20T20:24", "2027-06-20T21:36"
EXPORTS = ("measurements.ecsv", "forecasts.jsonl", "incidents.jsonl", "alerts.jsonl", "marks.jsonl")


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


@pytest.fixture(scope="session")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first hours of the shipped five days, as a table."""
    folder = tmp_path_factory.mktemp("evening")
    frames = five_days()[:70]
    write_measurements(folder / "measurements.ecsv", frames)
    shutil.copy(FIVE_DAYS / "config.yaml", folder)
    return folder


@pytest.fixture(scope="session")
def replayed(evening: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Summary]:
    out = tmp_path_factory.mktemp("out") / "new" / "folder"
    return out, replay(ReplayRequest(evening, out))


def test_the_contracts_files_are_left_behind(replayed: tuple[Path, Summary], evening: Path) -> None:
    out, summary = replayed
    assert {p.name for p in out.iterdir()} == {*EXPORTS, "journal.sqlite"}
    table = Table.read(out / "measurements.ecsv")
    assert len(table) == summary.frames == 70
    source = Table.read(evening / "measurements.ecsv")
    assert list(table["frame"]) == list(source["frame"])
    assert list(table["time_utc"]) == list(source["time_utc"])
    for record in lines(out / "forecasts.jsonl"):
        for key, value in record.items():
            if key.endswith("_utc") and value is not None:
                assert value.endswith("Z"), key
                parse_utc(value)


def test_forecasts_are_renewed_at_least_every_ten_minutes(replayed: tuple[Path, Summary]) -> None:
    times = [parse_utc(record["time_utc"]) for record in lines(replayed[0] / "forecasts.jsonl")]
    longest_s = max((b - a).total_seconds() for a, b in pairwise(times))
    assert longest_s <= 600


def test_the_summary_opens_with_until_when_the_camera_may_be_left_alone(
    replayed: tuple[Path, Summary],
) -> None:
    text = summary_lines(replayed[1])
    assert text[0].startswith("The camera may be left alone until ")
    assert any(line.startswith("Frames    70, one every 60 s:") for line in text)


def test_the_same_session_gives_the_same_files(
    replayed: tuple[Path, Summary], evening: Path, tmp_path: Path
) -> None:
    replay(ReplayRequest(evening, tmp_path / "again"))
    for name in EXPORTS:
        assert (tmp_path / "again" / name).read_bytes() == (replayed[0] / name).read_bytes(), name


def test_a_journal_replays_to_what_it_came_from(
    replayed: tuple[Path, Summary], evening: Path, tmp_path: Path
) -> None:
    config = evening / "config.yaml"
    replay(ReplayRequest(replayed[0], tmp_path / "again", configs=[config]))
    for name in EXPORTS:
        assert (tmp_path / "again" / name).read_bytes() == (replayed[0] / name).read_bytes(), name


def test_a_second_replay_takes_the_place_of_the_first(evening: Path, tmp_path: Path) -> None:
    few = tmp_path.with_name("few")
    few.mkdir()
    shutil.copy(evening / "config.yaml", few)
    write_measurements(few / "measurements.ecsv", five_days()[:6])
    replay(ReplayRequest(few, tmp_path))
    (tmp_path / "notes.txt").write_text("mine")
    replay(ReplayRequest(few, tmp_path))
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]


def test_what_a_replay_must_not_replace_is_refused(evening: Path, tmp_path: Path) -> None:
    with pytest.raises(RequestProblem, match="the session's own folder"):
        replay(ReplayRequest(evening, evening))
    with Journal.create(tmp_path / "journal.sqlite", Origin.WATCH):
        pass
    before = (tmp_path / "journal.sqlite").read_bytes()
    with pytest.raises(RequestProblem, match="journal of a watch"):
        replay(ReplayRequest(evening, tmp_path))
    assert (tmp_path / "journal.sqlite").read_bytes() == before


def test_a_session_without_settings_or_frames_is_refused_in_one_line(evening: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    bare.mkdir()
    shutil.copy(evening / "measurements.ecsv", bare)
    with pytest.raises(RequestProblem, match=r"no config\.yaml lies beside the session"):
        replay(ReplayRequest(bare, tmp_path / "out"))
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(RequestProblem, match="holds no frames"):
        replay(ReplayRequest(empty, tmp_path / "out", configs=[evening / "config.yaml"]))
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(Problem, match="cannot be created"):
        replay(ReplayRequest(evening, tmp_path / "file" / "out"))


def test_marks_beside_the_session_are_taken_up(evening: Path, tmp_path: Path) -> None:
    marks = tmp_path / "m.jsonl"
    marks.write_text('{"time_utc": "2027-06-18T10:00:00Z", "kind": "remark", "text": "clouds coming"}\n')
    replay(ReplayRequest(evening, tmp_path / "out", marks=marks))
    assert lines(tmp_path / "out" / "marks.jsonl")[0]["text"] == "clouds coming"


def test_a_table_of_places_alone_is_foreseen_and_judged(evening: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    bare.mkdir()
    shutil.copy(evening / "config.yaml", bare)
    table = Table.read(evening / "measurements.ecsv")
    table.keep_columns(["time_utc", "x_px", "y_px", "radius_px"])
    table.write(bare / "measurements.ecsv", format="ascii.ecsv")
    summary = replay(ReplayRequest(bare, tmp_path / "out"))
    assert summary.discs > 60
    assert summary.left_alone.startswith("The camera may be left alone until ")


def test_where_no_disc_was_ever_seen_nothing_is_promised(evening: Path, tmp_path: Path) -> None:
    frames = [
        dataclasses.replace(f, disc=Disc(found=False))
        for f in read_measurements(evening / "measurements.ecsv")
    ]
    (tmp_path / "dark").mkdir()
    write_measurements(tmp_path / "dark" / "measurements.ecsv", frames)
    text = summary_lines(
        replay(ReplayRequest(tmp_path / "dark", tmp_path / "out", configs=[evening / "config.yaml"]))
    )
    assert text[0].startswith("Until when the camera may be left alone is not known yet")
    assert not any("reaches no edge" in line for line in text)
    assert all(record["exit_utc"] is None for record in lines(tmp_path / "out" / "forecasts.jsonl"))


@pytest.mark.slow
def test_the_shipped_night_is_measured_true_and_its_end_is_noticed(tmp_path: Path) -> None:
    """Golden: measured against the simulator's truth; the reversal must wake somebody in time."""
    summary = replay(ReplayRequest(SHIPPED / "midnight-sun", tmp_path))
    assert summary.unreadable == 0
    truth = Table.read(SHIPPED / "midnight-sun" / "truth.ecsv")
    measured = Table.read(tmp_path / "measurements.ecsv")
    assert list(measured["frame"]) == list(truth["frame"])
    error_px = np.hypot(measured["x_px"] - truth["x_px"], measured["y_px"] - truth["y_px"])
    sigmas = error_px / measured["centre_sigma_px"]
    bank = [CLOUD_FROM <= time <= CLOUD_TO for time in measured["time_utc"]]
    clear = measured["found"] & (measured["limb_in_frame"] > 0.97) & ~np.array(bank)
    assert sum(clear) > 400
    assert max(error_px[clear]) < 0.1
    seen = measured["found"] & truth["found"]
    assert np.sqrt(np.mean(sigmas[seen] ** 2)) < 1.5, "in cloud it is less sure, and says so"
    assert max(sigmas[seen]) < 6
    runaway = [i for i in lines(tmp_path / "incidents.jsonl") if i["condition"] == "runaway"]
    assert [i["state"] for i in runaway[:1]] == ["opened"]
    assert runaway[0]["severity"] == "now"
    assert runaway[0]["detail"]["kind"] == "reversed"
    assert parse_utc(runaway[0]["time_utc"]) <= parse_utc("2027-06-21T02:00:30Z"), "two frames after onset"
    grave = {i["condition"] for i in lines(tmp_path / "incidents.jsonl") if i["severity"] == "now"}
    assert grave == {"drift-exit", "runaway"}, "the bottom edge comes near before the re-centring"


def test_what_was_noted_before_the_first_frame_is_no_silence_and_no_visit_gone_wrong() -> None:
    begun = datetime(2026, 6, 21, 18, 0, tzinfo=UTC)
    noted = [
        Mark(time_utc=begun - timedelta(hours=6), kind="battery"),
        Mark(time_utc=begun - timedelta(hours=5), kind="visit", minutes=10.0),
    ]
    frames = [
        MeasuredFrame(
            frame=f"{k}.jpg", time_utc=begun + timedelta(minutes=k), width_px=6000, height_px=4000,
            disc=Disc(found=False, brightness=0.0),
        )
        for k in range(12)
    ]  # fmt: skip
    session = RecordedSession(frames, list(session_events(frames, noted)))
    settings = validate(
        {
            "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
            "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 3.92},
        },
        where="test",
    )
    pipeline = Pipeline(settings, start_utc=session.start_utc)
    said = [one for event, now in session.events for one in pipeline.step(event, now).incidents]
    assert [one.condition for one in said if one.severity is not Severity.NOTE] == []
