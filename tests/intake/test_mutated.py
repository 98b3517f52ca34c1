"""Files after accidents, their headers above all: each is a frame or a frame with an error, never an end."""

import io
import random
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from sentinel.chain.intake.events import read_marks
from sentinel.chain.intake.examine import MeasureJob, dated, examine
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Mark, MeasuredFrame, Outcome, Tick
from sentinel.core.tables import read_measurements, write_measurements
from sentinel.service.journal.journal import Journal, Origin
from tests.endurance.mutated import KINDS, mutated

T0 = datetime(2027, 6, 21, tzinfo=UTC)
DATES = st.text("0123456789: -/T", max_size=20) | st.from_regex(
    r"\A\d{4}:\d\d:\d\d \d\d:\d\d:\d\d\Z", fullmatch=True
)
ZONES = st.text("+-0123456789:Z", max_size=8) | st.from_regex(r"\A[+-]\d\d:\d\d\Z", fullmatch=True)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("mutated")


@settings(deadline=None, max_examples=60)
@given(DATES, ZONES, st.text(max_size=12), st.floats(-1e6, 1e6))
@example("0001:01:01 00:30:00", "+14:00", "", 0.0)
@example("9999:12:31 23:59:59", "-14:00", "999999", 0.0)
@example("1970:01:01 00:00:00", "+00:00", "0", 1e6)
def test_whatever_a_camera_says_of_time_a_frame_has_one(
    place: Path, date: str, zone: str, fraction: str, offset_s: float
) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: date, 0x9011: zone, 0x9291: fraction})
    sink = io.BytesIO()
    Image.fromarray(np.full((20, 30), 90, np.uint8)).save(sink, "JPEG", exif=exif)
    path = place / "dated.jpg"
    path.write_bytes(sink.getvalue())
    frame = dated(MeasureJob(path, "dated.jpg", clock_offset_s=offset_s))
    assert frame.time_utc.tzinfo is not None
    assert frame.time_utc.year in range(1970, 2200)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(["DATE-OBS", "EXPTIME", "INSTRUME", "NAXIS1", "BZERO", "BSCALE"]),
       st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)), max_size=5))  # fmt: skip
@example([("DATE-OBS", "= '0001-01-01T00:00:00+14:00'")])
@example([("DATE-OBS", "= '9999-12-31T23:59:59-14:00'")])
@example([("EXPTIME", "= 1e999")])
@example([("NAXIS1", "= -5")])
def test_whatever_a_header_holds_it_is_a_frame(place: Path, cards: list[tuple[str, str]]) -> None:
    sink = io.BytesIO()
    fits.PrimaryHDU(np.full((20, 30), 90, np.int16)).writeto(sink)
    content = sink.getvalue()
    added = "".join(f"{name:<8}{value}"[:80].ljust(80) for name, value in cards).encode()
    end = content.index(b"END" + b" " * 77)
    path = place / "header.fits"
    path.write_bytes(content[:end] + added + content[end : 2880 - len(added)] + content[2880:])
    frame = examine(MeasureJob(path, "header.fits"))
    assert frame.time_utc.year in range(1970, 2200)


@pytest.mark.parametrize(("kind", "seed"), [("tif", 7000199), ("jpg", 7000585)])
def test_files_that_once_ended_the_measuring(place: Path, kind: str, seed: int) -> None:
    path = place / f"once.{kind}"
    path.write_bytes(mutated(kind, random.Random(seed)))
    assert isinstance(examine(MeasureJob(path, path.name)), MeasuredFrame)


@pytest.mark.parametrize("kind", KINDS)
def test_mutated_files_are_frames(place: Path, kind: str) -> None:
    chance = random.Random(sum(kind.encode()))
    path = place / f"mutated.{kind}"
    for _ in range(60):
        path.write_bytes(mutated(kind, chance))
        assert isinstance(examine(MeasureJob(path, path.name)), MeasuredFrame)


@settings(deadline=None, max_examples=60)
@given(st.text() | st.binary().map(lambda some: some.decode("latin-1")))
def test_any_text_is_marks_or_one_line(place: Path, text: str) -> None:
    path = place / "marks.jsonl"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    said = ""
    try:
        assert all(isinstance(mark, Mark) for mark in read_marks(path))
    except RequestProblem as problem:
        said = str(problem)
    assert "\n" not in said


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(["time_utc", "kind", "text", "minutes"]), st.sampled_from(
    ["null", "[]", "{}", "1e999", "-1", "NaN", '"0001-01-01T00:00:00+14:00"', '"9999-12-31T23:59:59-14:00"',
     "true", "[" * 500 + "]" * 500, '"\\ud800"', '"\\u0000"']))  # fmt: skip
def test_any_value_is_a_mark_or_one_line(place: Path, key: str, value: str) -> None:
    said = {"time_utc": '"2027-06-21T00:00:00Z"', "kind": '"visit"'} | {key: value}
    path = place / "one.jsonl"
    path.write_text("{" + ", ".join(f'"{name}": {one}' for name, one in said.items()) + "}", encoding="utf-8")
    try:
        marks = read_marks(path)
    except RequestProblem as problem:
        assert "\n" not in str(problem)  # noqa: PT017 - either will do
        return
    with Journal.create(place / f"{uuid4().hex}.sqlite", Origin.WATCH) as journal:
        for mark in marks:
            journal.record(mark, T0, Outcome())
        assert list(journal.marks()) == marks


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_a_table_after_an_accident_is_a_table_or_one_line(place: Path, data: st.DataObject) -> None:
    path = place / "table.ecsv"
    write_measurements(path, [examine(MeasureJob(place / "none", f"{n}.jpg")) for n in range(3)])
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 9))] = data.draw(st.binary(max_size=9))
    path.write_bytes(bytes(content))
    said = ""
    try:
        list(read_measurements(path))
    except RequestProblem as problem:
        said = str(problem)
    assert "\n" not in said


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(1, 5), st.binary(max_size=30)), min_size=1, max_size=3))
def test_a_journal_of_damaged_rows_costs_those_rows(place: Path, damage: list[tuple[int, bytes]]) -> None:
    path = place / f"{uuid4().hex}.sqlite"
    with Journal.create(path, Origin.WATCH) as journal:
        for _ in range(5):
            journal.record(Tick(time_utc=T0), T0, Outcome())
        for seq, body in damage:
            text = body.decode("latin-1")
            journal._db.execute("UPDATE event SET body = ? WHERE seq = ?", (text, seq))
            journal._db.execute("UPDATE event SET now_utc = ? WHERE seq = ?", (text, seq))
        left = [number for number, _, _ in journal.numbered_events()]
        assert set(left) == set(range(1, 6)) - {seq for seq, _ in damage}
    path.unlink()
