"""Whatever a file of settings, a table, a mark or a journal holds: it is read, or refused in one line.

    SENTINEL_FUZZ=20000 pytest -m slow -n0 tests/endurance/test_fuzz.py

runs so many examples of each. What once failed stands below as an example of its own.
"""

import os
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sentinel.chain.intake.events import read_marks, session_events
from sentinel.chain.pipeline import Pipeline
from sentinel.core.errors import Problem
from sentinel.core.records import Disc, Event, Mark, MarkKind, MeasuredFrame, Outcome, Surroundings, Tick
from sentinel.core.settings import Settings, load_settings
from sentinel.core.tables import read_measurements
from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal, Origin

ROOT = Path(__file__).parents[2]
SESSION = ROOT / "replay_data" / "five-days"
T0 = datetime(2027, 6, 21, tzinfo=UTC)

pytestmark = pytest.mark.slow
many = settings(
    max_examples=int(os.environ.get("SENTINEL_FUZZ", "300")),
    deadline=None,
    derandomize="SENTINEL_FUZZ" not in os.environ,
    suppress_health_check=list(HealthCheck),
    database=None,
)

ODD = [*"-:\n#[]{}\0", "  ", "null", "nan", "1e999", "-1", "é", "!!", "&a", "*a"]


@st.composite
def struck(draw: st.DrawFn, sound: bytes) -> bytes:
    """A sound file after a few accidents."""
    content = bytearray(sound)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(content)))
        match draw(st.integers(0, 4)):
            case 0:
                del content[at : at + draw(st.integers(1, 40))]
            case 1:
                content[at:at] = draw(st.sampled_from(ODD)).encode()
            case 2:
                content[at : at + 1] = draw(st.binary(min_size=1, max_size=3))
            case 3:
                other = draw(st.integers(0, len(content)))
                content[at:at] = content[other : other + 60]
            case _:
                content[at : at + 8] = str(draw(st.floats() | st.integers())).encode()
    return bytes(content)


class Content:
    """Bytes that are too many to be printed."""

    def __init__(self, held: bytes) -> None:
        self.held = held


def read_or_refused(read: Callable[[Path], Any], content: bytes, name: str) -> None:
    """Read a file of this content; all that may be raised is a `Problem` of one printable line."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        try:
            read(path)
        except Problem as problem:
            said = str(problem)
        else:
            return
    assert "\n" not in said
    said.encode()


EXAMPLE = (ROOT / "config" / "example.yaml").read_bytes()
TABLE = b"".join((SESSION / "measurements.ecsv").read_bytes().splitlines(keepends=True)[:60])
MARKS = b"".join(
    b'{"time_utc": "2027-06-21T0%d:00:00Z", "kind": "%s", "text": "cold"}\n' % (n, kind)
    for n, kind in enumerate((b"visit", b"recentred", b"seen", b"remark"))
)


@many
@given(struck(EXAMPLE))
def test_settings(content: bytes) -> None:
    read_or_refused(lambda path: load_settings([path]), content, "c.yaml")


@many
@given(struck(TABLE))
@pytest.mark.filterwarnings("ignore")
def test_tables(content: bytes) -> None:
    read_or_refused(read_measurements, content, "measurements.ecsv")


@many
@given(struck(MARKS))
def test_marks(content: bytes) -> None:
    read_or_refused(read_marks, content, "marks.jsonl")


@lru_cache(maxsize=1)
def sound_journal() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite"
        with Journal.create(path, Origin.WATCH) as journal:
            for n in range(30):
                at = T0 + timedelta(minutes=n)
                journal.record(frame(n, at), at, Outcome())
                journal.record(Tick(time_utc=at), at, Outcome())
            journal.record(Mark(time_utc=at, kind="seen"), at, Outcome())
        return path.read_bytes()


def frame(number: int, at: datetime, **disc: Any) -> MeasuredFrame:
    measured = Disc(found=bool(disc), **disc)
    return MeasuredFrame(frame=f"{number}.jpg", time_utc=at, width_px=6000, height_px=4000, disc=measured)


COLUMNS = st.sampled_from(["body", "kind", "now_utc"])


@many
@given(st.lists(st.tuples(st.integers(1, 60), COLUMNS, st.text(max_size=40))))
def test_journals_of_damaged_rows(changes: list[tuple[int, str, str]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.sqlite"
        path.write_bytes(sound_journal())
        with closing(sqlite3.connect(path)) as db, db:
            for seq, column, text in changes:
                value = text.encode("utf-8", "replace").decode().replace("\0", "")
                db.execute(f"UPDATE event SET {column} = ? WHERE seq = ?", (value, seq))
        with Journal.resume(path) as journal:
            struck_rows = {seq for seq, _, _ in changes}
            assert sum(1 for _ in journal.events()) >= 61 - len(struck_rows), "a row costs itself alone"
            export(journal, Path(name))


@many
@given(st.data())
def test_damaged_journals(data: st.DataObject) -> None:
    content = data.draw(struck(sound_journal()).map(Content))

    def all_of_it(path: Path) -> None:
        with Journal.resume(path) as journal:
            list(journal.events())
            export(journal, path.parent)

    read_or_refused(all_of_it, content.held, "journal.sqlite")


numbers = st.floats(-1e5, 1e5) | st.sampled_from([0.0, 3000.0, float("nan"), float("inf"), 1e300])
MINUTES = st.integers(-3000, 3000)


@st.composite
def happenings(draw: st.DrawFn) -> list[Event]:
    """Frames, marks and readings in any order, with whatever numbers."""
    found: list[Event] = []
    for number in range(draw(st.integers(1, 25))):
        at = T0 + timedelta(minutes=draw(MINUTES))
        match draw(st.integers(0, 3)):
            case 0:
                kind = draw(st.sampled_from(get_args(MarkKind)))
                found.append(Mark(time_utc=at, kind=kind, minutes=draw(st.none() | st.floats(1, 100))))
            case 1:
                reading = Surroundings(
                    time_utc=at,
                    free_bytes=draw(st.none() | st.integers(0, 10**15)),
                    bytes_per_frame=draw(st.none() | st.floats(0, 1e12)),
                    clock_step_s=draw(st.none() | st.floats(-1e7, 1e7)),
                    away_s=draw(st.none() | st.floats(0, 1e7)),
                )
                found.append(reading)
            case _:
                names = ("x_px", "y_px", "radius_px", "centre_sigma_px", "edge_width_px", "brightness")
                found.append(frame(number, at, **{name: draw(numbers) for name in names}))
    return found


@lru_cache(maxsize=1)
def chosen() -> Settings:
    return load_settings([ROOT / "config" / "example.yaml"])


@settings(many, max_examples=max(many.max_examples // 10, 20))
@given(happenings(), st.booleans())
def test_events_in_any_order(events: list[Event], in_order: bool) -> None:
    frames = [event for event in events if isinstance(event, MeasuredFrame)]
    marks = [event for event in events if isinstance(event, Mark)]
    timed = list(session_events(frames, marks)) if in_order else [(e, e.time_utc) for e in events]
    if not timed:
        return
    pipeline = Pipeline(chosen(), start_utc=timed[0][1])
    now_utc = timed[0][1]
    for event, at in timed:
        now_utc = max(now_utc, at)
        for alert in pipeline.step(event, now_utc).alerts:
            assert alert.title
            assert "nan" not in f"{alert.title} {alert.body}".lower().split()
