"""The command on sessions that lie on disk."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from astropy.table import Table

from sentinel.cli import main
from sentinel.journal import Journal, Origin
from sentinel.settings import load_settings
from sentinel.tune.grid import asked_for
from sentinel.tune.run import Result, tune, tuned
from tests.tune.sessions import dark_spells, written

ONLY = ("--only", "lost_now_min")


@pytest.fixture(scope="session")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(dark_spells(17, between=8), tmp_path_factory.mktemp("tune") / "black")


def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *args: object
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["sentinel", "tune", *map(str, args)])
    with pytest.raises(SystemExit) as left:
        main()
    printed = capsys.readouterr()
    return int(left.value.code or 0), printed.out, printed.err


def test_overlay_table_and_words_are_left_and_nothing_that_was_there_is_lost(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "new" / "folder"
    results: list[Result] = []

    def once(*args: Any) -> Result:
        results.append(results[0] if results else tune(*args))
        return results[0]

    monkeypatch.setattr("sentinel.tune.tune", once)
    status, printed, _ = run(capsys, monkeypatch, session, "--out", out, *ONLY)
    assert status == 0
    assert "lost_now_min: was 15, now 20.2: wake-ups 1 -> 0" in printed
    assert sorted(p.name for p in out.iterdir()) == ["overlay.yaml", "tuning.ecsv"]
    table = Table.read(out / "tuning.ecsv")
    assert set(table["threshold"]) == {"lost_now_min", "all-chosen"}
    rows = {float(row["value"]): row for row in table if row["threshold"] == "lost_now_min"}
    assert (rows[15.0]["in_use"], rows[15.0]["needless"], rows[20.2]["chosen"]) == (True, 1, True)
    settings = load_settings([session / "config.yaml", out / "overlay.yaml"])
    assert settings.thresholds.lost_now_min == 20.2

    before = {path.name: path.read_bytes() for path in out.iterdir()}
    (out / "overlay.yaml").write_text("mine: 1\n")
    status, printed, err = run(capsys, monkeypatch, session, "--out", out, *ONLY, "--json")
    assert status == 0
    assert err == ""
    said = json.loads(printed)
    assert said["changes"] == {"lost_now_min": 20.2}
    assert (said["before"]["needless"], said["after"]["needless"]) == (1, 0)
    assert (out / "overlay.1.yaml").read_text() == "mine: 1\n"
    after = {path.name: path.read_bytes() for path in out.iterdir() if path.name != "overlay.1.yaml"}
    assert after == before, "the same again, to the byte"
    assert tuned(results[0].sessions, asked_for(["lost_now_min"]), 120) == results[0]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "Missing argument"),
        (("{session}",), "Missing option '--out'"),
        (("/nonexistent", "--out", "{out}"), "no such session"),
        (("{session}", "{session}", "--out", "{out}"), "is named twice"),
        (("{session}", "--out", "{session}"), "the session's own folder"),
        (("{session}", "--out", "{watched}"), "journal of a watch"),
        (("{watched}", "--out", "{out}", "--config", "{session}/config.yaml"), "holds no frames"),
        (("{spoilt}", "--out", "{out}", "--config", "{session}/config.yaml"), "journal"),
        (("{session}", "{other}", "--out", "{out}"), "its thresholds differ"),
        (("{session}", "--out", "{out}", "--only", "lost_nowmin"), "'lost_nowmin' is none"),
        (("{session}", "--out", "{out}", "--only", "bright_jump_ratio"), "left alone by tuning"),
        (("{session}", "--out", "{out}", "--trials", "0"), "at least 1"),
        (("{session}", "--out", "{out}", "--truth", "a", "--truth", "b"), "2 files for 1 sessions"),
        (("{session}", "--out", "{out}", "--truth", "/nonexistent"), "cannot be read"),
    ],
)
def test_a_wrong_request_is_one_line_and_leaves_nothing(  # noqa: PLR0917 - cases and fixtures
    args: tuple[str, ...],
    says: str,
    session: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    watched = tmp_path / "watched"
    watched.mkdir()
    with Journal.create(watched / "journal.sqlite", Origin.WATCH):
        pass
    spoilt = tmp_path / "spoilt"
    spoilt.mkdir()
    (spoilt / "journal.sqlite").write_bytes(b"no journal at all" * 100)
    other = tmp_path / "other"
    if "{other}" in args:
        written(dark_spells(2), other, lost_now_min=20.0)
    places = {
        "session": session,
        "out": tmp_path / "out",
        "watched": watched,
        "spoilt": spoilt,
        "other": other,
    }
    before = sorted(session.iterdir())
    status, out, err = run(capsys, monkeypatch, *(arg.format(**places) for arg in args))
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert sorted(session.iterdir()) == before
    assert not (tmp_path / "out" / "overlay.yaml").exists()
