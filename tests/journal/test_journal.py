"""The journal gives back what it was given, in order, and refuses what is not its own."""

import dataclasses
import json
import random
import re
import sqlite3
import tracemalloc
from contextlib import closing
from datetime import UTC, datetime, timedelta
from math import nan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sentinel.chain.judge.details import CoveredLimb
from sentinel.core.detail import Detail
from sentinel.core.errors import Problem
from sentinel.core.records import (
    Alert,
    Disc,
    Event,
    Incident,
    Mark,
    MeasuredFrame,
    Outcome,
    Severity,
    Tick,
)
from sentinel.core.tables import read_measurements
from sentinel.service.journal.codec import decode, encode, plain
from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.migrations import STEPS
from sentinel.service.journal.opening import Damaged, Unwritable
from tests.forecasts import foreseen

T0 = datetime(2027, 6, 21, 1, 2, 3, 456_789, tzinfo=UTC)
FRAME = MeasuredFrame(
    frame="100VIEWS/line\\none.jpg",
    time_utc=T0,
    width_px=1500,
    height_px=1000,
    disc=Disc(
        found=True, x_px=700.123456789, y_px=480.0, radius_px=78.5, limb_in_frame=1.0, flags=("clipped",)
    ),
    iso=100.0,
)
FORECAST = foreseen(time_utc=T0, basis="straight line", exit_utc=T0 + timedelta(hours=3), edge="top")
INCIDENT = Incident(
    time_utc=T0,
    condition="covered-limb",
    state="opened",
    severity=Severity.NOTE,
    onset_utc=T0 - timedelta(minutes=2),
    frame=FRAME.frame,
    detail=CoveredLimb(covered_fraction=0.41, others={"limb_coverage": 0.59}),
    message="Limb covered.",
)
ALERT = Alert(time_utc=T0, kind="first", severity=Severity.NOW, condition="x", title="t", body="b")


def test_events_and_outcomes_come_back_equal_and_in_order(tmp_path: Path) -> None:
    late = dataclasses.replace(FRAME, frame="late", time_utc=T0 - timedelta(hours=1))
    events: list[Event] = [FRAME, Tick(time_utc=T0), Mark(time_utc=T0, kind="visit", minutes=15.0), late]
    with Journal.create(tmp_path / "journal.sqlite", Origin.REPLAY) as journal:
        for event in events:
            journal.record(event, T0, Outcome())
        journal.record(FRAME, T0, Outcome(forecast=FORECAST, incidents=(INCIDENT,), alerts=(ALERT, ALERT)))
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        # As text, for NaN is not equal to itself; how UTC is named there differs between pydantic's versions.
        read, written = (
            re.sub(r"TzInfo\(\w+\)|datetime.timezone.utc", "UTC", repr(held))
            for held in ([e for e, _ in journal.events()], [*events, FRAME])
        )
        assert read == written
        assert [now for _, now in journal.events()] == [T0] * 5
        assert [f.frame for f in journal.frames()] == [FRAME.frame, "late", FRAME.frame]
        assert list(journal.forecasts()) == [FORECAST]
        assert list(journal.incidents()) == [INCIDENT]
        assert list(journal.alerts()) == [ALERT, ALERT]
        assert journal.origin is Origin.REPLAY


def test_what_cannot_be_committed_leaves_nothing_behind(tmp_path: Path) -> None:
    broken = dataclasses.replace(INCIDENT, detail=Detail(others={"not json": object()}))
    with Journal.create(tmp_path / "journal.sqlite", Origin.WATCH) as journal:
        with pytest.raises(Exception, match="serialize"):
            journal.record(FRAME, T0, Outcome(incidents=(INCIDENT, broken)))
        assert list(journal.events()) == []
        assert list(journal.incidents()) == []


def test_a_reader_changes_nothing(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "journal.sqlite", Origin.REPLAY):
        pass
    with Journal.read(tmp_path / "journal.sqlite") as journal, pytest.raises(Unwritable):
        journal.record(FRAME, T0, Outcome())


def test_what_is_no_journal_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="there is no journal"):
        Journal.read(tmp_path / "journal.sqlite")
    (tmp_path / "journal.sqlite").write_bytes(b"SQLite format 4" + bytes(5000))
    with pytest.raises(Problem, match="not a journal of sentinel"):
        Journal.read(tmp_path / "journal.sqlite")
    with pytest.raises(Problem, match="stands there already"):
        Journal.create(tmp_path / "journal.sqlite", Origin.REPLAY)


def test_a_spoilt_row_costs_that_row(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.WATCH) as journal:
        for _ in range(4):
            journal.record(FRAME, T0, Outcome(incidents=(INCIDENT,)))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE event SET body = '{\"frame\": 3' WHERE seq = 1")
        db.execute("UPDATE event SET kind = 'fra\x01e' WHERE seq = 2")
        db.execute("UPDATE event SET now_utc = '2027-06-2' WHERE seq = 3")
        db.execute("UPDATE outcome SET body = '[]' WHERE seq = 2")
    db.close()
    with Journal.read(path) as journal:
        assert [number for number, _, _ in journal.numbered_events()] == [4]
        assert len(list(journal.incidents())) == 3
        assert len(list(journal.frames())) == 2


def test_a_newer_journal_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.REPLAY):
        pass
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    db.close()
    before = path.read_bytes()
    with pytest.raises(Problem, match="newer version"):
        Journal.read(path)
    assert path.read_bytes() == before


@given(st.floats(), st.text(), st.datetimes(timezones=st.just(UTC)))
def test_any_record_is_decoded_as_it_was(x_px: float, text: str, time: datetime) -> None:
    text = text.encode("utf-8", "ignore").decode()
    frame = dataclasses.replace(
        FRAME, frame=text, time_utc=time, disc=dataclasses.replace(FRAME.disc, x_px=x_px, y_px=nan)
    )
    back = decode(MeasuredFrame, encode(frame))
    assert repr(back.disc) == repr(frame.disc)
    assert (back.frame, back.time_utc) == (frame.frame, frame.time_utc)
    json.dumps(plain(frame), allow_nan=False)


def test_exports_are_the_contracts_files(tmp_path: Path) -> None:
    early = dataclasses.replace(FRAME, frame="late arrival", time_utc=T0 - timedelta(minutes=1))
    with Journal.create(tmp_path / "journal.sqlite", Origin.REPLAY) as journal:
        journal.record(FRAME, T0, Outcome(forecast=FORECAST, incidents=(INCIDENT,), alerts=(ALERT,)))
        journal.record(early, T0, Outcome())
        journal.record(Mark(time_utc=T0, kind="seen"), T0, Outcome())
        export(journal, tmp_path)
    assert [f.frame for f in read_measurements(tmp_path / "measurements.ecsv")] == [
        "late arrival",
        FRAME.frame,
    ]
    (forecast,) = map(json.loads, (tmp_path / "forecasts.jsonl").read_text().splitlines())
    assert forecast["exit_utc"] == "2027-06-21T04:02:03.457Z"
    assert forecast["exit_safe_utc"] is None
    (incident,) = map(json.loads, (tmp_path / "incidents.jsonl").read_text().splitlines())
    assert incident == {
        "time_utc": "2027-06-21T01:02:03.457Z",
        "condition": "covered-limb",
        "state": "opened",
        "severity": "note",
        "onset_utc": "2027-06-21T01:00:03.457Z",
        "frame": FRAME.frame,
        "detail": {"covered_fraction": 0.41, "limb_coverage": 0.59},
        "message": "Limb covered.",
    }
    for name in ("alerts.jsonl", "marks.jsonl"):
        assert len((tmp_path / name).read_text().splitlines()) == 1


def test_exports_are_as_of_one_moment_and_in_order_of_exposure_then_name(tmp_path: Path) -> None:
    chance = random.Random(3)
    frames = [
        dataclasses.replace(FRAME, frame=f"{n:03d}.jpg", time_utc=T0 + timedelta(seconds=n // 3))
        for n in range(120)
    ]
    chance.shuffle(frames)
    with Journal.create(tmp_path / "journal.sqlite", Origin.WATCH) as writer:
        for frame in frames:
            writer.record(frame, T0, Outcome(incidents=(INCIDENT,)))
        with Journal.read(tmp_path / "journal.sqlite") as reader, reader.as_of_now():
            assert len(list(reader.incidents())) == 120
            writer.record(FRAME, T0, Outcome(incidents=(INCIDENT,)))
            assert len(list(reader.incidents())) == 120, "the writer goes on, the reader's moment stays"
            assert [f.frame for f in reader.frames_by_exposure()] == [f"{n:03d}.jpg" for n in range(120)]


def test_a_long_journal_is_exported_in_little_memory(tmp_path: Path) -> None:
    peaks = []
    for count in (500, 4000):
        folder = tmp_path / str(count)
        folder.mkdir()
        with Journal.create(folder / "journal.sqlite", Origin.REPLAY) as journal:
            for n in range(count):
                journal.record(dataclasses.replace(FRAME, time_utc=T0 + timedelta(seconds=n)), T0, Outcome())
            export(journal, folder)
            tracemalloc.start()
            export(journal, folder)
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    assert peaks[1] - peaks[0] < 100 * 3500, "bytes more for each frame more"


def test_a_row_that_is_no_text_costs_itself_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.create(path, Origin.WATCH) as journal:
        for n in range(5):
            at = T0 + timedelta(minutes=n)
            journal.record(Tick(time_utc=at), at, Outcome())
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE event SET body = CAST(x'7be2287d' AS TEXT) WHERE seq = 2")
        db.execute("UPDATE event SET kind = CAST(x'74e228' AS TEXT) WHERE seq = 4")
    with Journal.resume(path) as journal:
        assert [number for number, _, _ in journal.numbered_events()] == [1, 3, 5]


def test_a_schema_that_is_no_text_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    Journal.create(path, Origin.WATCH).close()
    content = path.read_bytes()
    # SQLite repeats what it does not understand there, in bytes that are no text.
    sound, spoilt = b"REFERENCES event,", b"REFERENCEx\xe2\xc4vent,"
    assert sound in content
    path.write_bytes(content.replace(sound, spoilt))
    with pytest.raises(Damaged):
        Journal.resume(path)
    with pytest.raises(Problem):
        Journal.read(path)
