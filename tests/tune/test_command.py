"""The command on sessions that lie on disk."""

import json
from pathlib import Path
from typing import Any

import pytest
from astropy.table import Table

from sentinel.core.settings import load_settings
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.tune.grid import asked_for
from sentinel.jobs.tune.reading import TuneRequest, read_sessions
from sentinel.jobs.tune.run import Tuning, tune, tuned
from sentinel.service.journal.journal import Journal, Origin
from tests.command import runner
from tests.tune.sessions import dark_spells, written

ONLY = ("--only", "lost_now_min")


def silent(what: str, done: int, total: int) -> None:
    del what, done, total


@pytest.fixture(scope="session")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session as a table with its settings."""
    return written(dark_spells(17, between=8), tmp_path_factory.mktemp("tune") / "table")


@pytest.fixture(scope="session")
def session(table: Path) -> Path:
    """The same, replayed: its journal holds settings and forecasts."""
    replay(ReplayRequest(table, table.parent / "black"))
    return table.parent / "black"


def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *args: object
) -> tuple[int, str, str]:
    return runner(capsys, monkeypatch)("tune", *args)


def test_overlay_table_and_words_are_left_and_nothing_that_was_there_is_lost(
    session: Path,
    table: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out = tmp_path / "new" / "folder"
    results: list[Tuning] = []

    def once(*args: Any) -> Tuning:
        results.append(results[0] if results else tune(*args))
        return results[0]

    monkeypatch.setattr("sentinel.jobs.tune.tune", once)
    status, printed, _ = run(capsys, monkeypatch, session, "--out", out, *ONLY)
    assert status == 0
    assert "lost_now_min: was 15, now 20.2: wake-ups 1 -> 0" in printed
    assert sorted(p.name for p in out.iterdir()) == ["overlay.yaml", "tuning.ecsv"]
    tried = Table.read(out / "tuning.ecsv")
    assert set(tried["threshold"]) == {"lost_now_min", "all-chosen"}
    rows = {float(row["value"]): row for row in tried if row["threshold"] == "lost_now_min"}
    assert (rows[15.0]["in_use"], rows[15.0]["needless"], rows[20.2]["chosen"]) == (True, 1, True)
    settings = load_settings([table / "config.yaml", out / "overlay.yaml"])
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


def never(*args: object) -> None:
    raise AssertionError(args)


def test_a_replayed_session_brings_its_settings_and_forecasts(
    session: Path, table: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sentinel.jobs.tune.reading.with_forecasts", never)
    known = read_sessions(TuneRequest(sessions=[session], out=tmp_path), silent)[0]
    assert known.settings == load_settings([table / "config.yaml"])
    with Journal.read(session / "journal.sqlite") as journal:
        assert [made for _, _, made in known.rejudging.steps if made is not None] == list(journal.forecasts())
    other = tmp_path / "other.yaml"
    other.write_text((table / "config.yaml").read_text() + "visit: {travel_min: 30}\n")
    with pytest.raises(AssertionError):
        read_sessions(TuneRequest(sessions=[session], out=tmp_path, configs=[other]), silent)


@pytest.mark.slow
def test_forecasts_made_anew_are_those_of_the_journal(session: Path, table: Path, tmp_path: Path) -> None:
    kept, anew = (
        read_sessions(TuneRequest(sessions=[one], out=tmp_path), silent)[0] for one in (session, table)
    )
    assert (anew.base, anew.criteria, anew.frames) == (kept.base, kept.criteria, kept.frames)
    assert [made for _, _, made in anew.rejudging.steps] == [made for _, _, made in kept.rejudging.steps]


def left_in(folder: Path) -> list[Path]:
    """What lies there; a journal that is read keeps SQLite's own two files beside it."""
    return sorted(path for path in folder.iterdir() if not path.name.endswith(("-shm", "-wal")))


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "Missing argument"),
        (("{session}",), "Missing option '--out'"),
        (("/nonexistent", "--out", "{out}"), "no such session"),
        (("{session}", "{session}", "--out", "{out}"), "is named twice"),
        (("{session}", "--out", "{session}"), "the session's own folder"),
        (("{session}", "--out", "{watched}"), "journal of a watch"),
        (("{watched}", "--out", "{out}", "--config", "{table}/config.yaml"), "holds no frames"),
        (("{spoilt}", "--out", "{out}", "--config", "{table}/config.yaml"), "journal"),
        (("{session}", "{other}", "--out", "{out}"), "its thresholds differ"),
        (("{session}", "--out", "{out}", "--only", "lost_nowmin"), "'lost_nowmin' is no threshold"),
        (("{session}", "--out", "{out}", "--only", "bright_jump_ratio"), "left alone by tuning"),
        (("{session}", "--out", "{out}", "--trials", "0"), "at least 1"),
        (("{session}", "--out", "{out}", "--truth", "a", "--truth", "b"), "2 files for 1 session"),
        (("{session}", "--out", "{out}", "--truth", "/nonexistent"), "cannot be read"),
    ],
)
def test_a_wrong_request_is_one_line_and_leaves_nothing(  # noqa: PLR0917 - baselines and fixtures
    args: tuple[str, ...],
    says: str,
    session: Path,
    table: Path,
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
        "table": table,
        "out": tmp_path / "out",
        "watched": watched,
        "spoilt": spoilt,
        "other": other,
    }
    before = left_in(session)
    status, out, err = run(capsys, monkeypatch, *(arg.format(**places) for arg in args))
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert left_in(session) == before
    assert not (tmp_path / "out" / "overlay.yaml").exists()


@pytest.mark.slow
def test_a_season_is_tuned_on_like_its_sessions_named_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = tmp_path / "season"
    season.mkdir()
    named = [written(dark_spells(14 + n, between=6, seed=n), season / f"night-{n}") for n in range(3)]
    (season / "notes").mkdir()
    asked, out = asked_for(["lost_now_min"]), tmp_path / "out"
    monkeypatch.setattr("sentinel.jobs.tune.reading._WORKERS_PAY_FROM", 9)
    here = tuned(read_sessions(TuneRequest(sessions=named, out=out), silent), asked, 9)
    monkeypatch.setattr("sentinel.jobs.tune.reading._WORKERS_PAY_FROM", 3)
    monkeypatch.setattr("sentinel.jobs.tune.trial._POOL_PAYS_FROM", 0)
    monkeypatch.setattr("sentinel.jobs.tune.trial.cores", lambda: 2)
    sessions = read_sessions(TuneRequest(sessions=[season], out=out), silent)
    assert [one.name for one in sessions] == ["night-0", "night-1", "night-2"]
    apart = tuned(sessions, asked, 9)
    assert (apart.tried, apart.advice, apart.combined) == (here.tried, here.advice, here.combined)
    assert any(one.needless for one in apart.base)


def test_a_bad_session_of_a_season_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(3):
        written(dark_spells(3, between=4, seed=n), tmp_path / f"night-{n}")
    (tmp_path / "night-1" / "measurements.ecsv").write_text("nothing of the kind")
    status, out, err = run(capsys, monkeypatch, tmp_path, "--out", tmp_path / "out")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "night-1" in err
