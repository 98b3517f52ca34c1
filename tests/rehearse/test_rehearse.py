"""A whole drill: rendered pictures, a real watch on a quick clock, somebody who comes; what is refused."""

import json
import re
from pathlib import Path

import pytest

from sentinel.core.records import Alert
from sentinel.service.journal.journal import Journal
from tests.command import runner


def test_a_lost_filter_is_told_and_seen_to(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sentinel = runner(capsys, monkeypatch)
    out = tmp_path / "drill"
    options = ("--at", "10min", "--for", "20min", "--speed", "120")
    status, told, err = sentinel("rehearse", "filter", *options, "--out", out)
    assert (status, err) == (0, "")
    with Journal.read(out / "state" / "journal.sqlite") as journal:
        alerts: list[Alert] = list(journal.alerts())
        kinds = [mark.kind for mark in journal.marks()]
        frames = list(journal.frames())
    assert len(frames) == 20
    assert all(frame.error is None for frame in frames)
    assert [alert.condition for alert in alerts if alert.kind == "first"] == ["over-bright"]
    assert all(alert.title.startswith("REHEARSAL: ") for alert in alerts)
    assert kinds == ["visit"]
    assert "20:10Z  happened        the filter fell off" in told
    assert re.search(r"^Saved [678] min after it happened; .* the bare sun shone in", told, re.MULTILINE)
    assert max(map(len, told.splitlines())) <= max(80, len(str(out)) + 60)
    assert "REHEARSAL" in (out / "state" / "status.html").read_text(encoding="utf-8")
    written = json.loads((out / "state" / "status.json").read_text(encoding="utf-8"))
    assert written["written_utc"].startswith("2027-06-20T20:2"), "the watch goes by the drill's clock"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "which drill? Say one of stop, reverse"),
        (("fire",), "there is no drill 'fire'"),
        (("stop", "--speed", "1000"), "--speed: cannot go at 1000 times"),
        (("stop", "--at", "5min"), "--at: 5min is too early"),
        (("stop", "--at", "2h"), "--for: 65min does not reach beyond"),
        (("stop", "--at", "soon"), "--at: no span of time"),
        (("stop", "--config", "/nonexistent.yaml"), "cannot be read"),
        (("stop", "--out", "."), "holds something already"),
    ],
)
def test_what_cannot_be_rehearsed_is_refused_in_one_line(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    args: tuple[str, ...],
    says: str,
) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    status, _, err = runner(capsys, monkeypatch)("rehearse", *args)
    assert status == 2
    assert says in err
    assert err.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
