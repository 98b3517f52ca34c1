"""Faults that are really made: killed, disk full, unmounted, swamped. The long ones are slow tests."""

import json
import os
import random
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sentinel.journal import Journal
from sentinel.journal.codec import encode
from sentinel.pipeline import Pipeline
from sentinel.records import MeasuredFrame
from tests.watch import killing
from tests.watch.files import jpeg, put
from tests.watch.running import Running, frames_in, readings_in, settings_for

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_killed_a_hundred_times_while_frames_arrive(tmp_path: Path) -> None:
    folder, state, sent = tmp_path / "in", tmp_path / "state", tmp_path / "sent"
    folder.mkdir()
    arguments = [str(folder), str(state), str(sent), "100", "7"]
    done = subprocess.run(
        [sys.executable, "-m", "tests.watch.killing", *arguments],
        cwd=ROOT, capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    start, count = done.stdout.split()
    settings = killing.made_settings(folder, sent, datetime.fromisoformat(start))
    with Journal.read(state / "journal.sqlite") as journal:
        events = list(journal.events())
        frames = Counter(event.frame for event, _ in events if isinstance(event, MeasuredFrame))
        said = [encode(incident) for incident in journal.incidents()]
        alerts = [alert for alert in journal.alerts()]
    assert len(frames) == int(count) > 100, "no frame is lost"
    assert set(frames.values()) == {1}, "none is measured twice"
    # What was said is what one watch that never ended would have said of the same events.
    pipeline = Pipeline(settings, start_utc=events[0][1])
    outcomes = [pipeline.step(event, now_utc) for event, now_utc in events]
    assert said == [encode(incident) for outcome in outcomes for incident in outcome.incidents]
    assert [encode(a) for a in alerts] == [encode(a) for outcome in outcomes for a in outcome.alerts]
    assert any("over-bright" in one for one in said)
    delivered = sent.read_text(encoding="utf-8")
    for alert in alerts:
        if alert.kind == "first":
            assert alert.title in delivered, "no alert is lost"
