"""The commands of the watch: what they print, where, and how they end."""

import json
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import yaml

from sentinel import cli
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.status.board import Board
from sentinel.service.status.lines import to_json
from sentinel.service.status.making import standing_of
from sentinel.service.watch.marks import find_marks
from sentinel.service.watch.state_folder import StateFolder
from tests.watch.files import T0, jpeg, png, put
from tests.watch.running import frames_in, settings_for

Ran = tuple[int, str, str]


class Sentinel:
    """Runs the program in this process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch, self._capsys = monkeypatch, capsys

    def __call__(self, *arguments: object) -> Ran:
        self._monkeypatch.setattr(sys, "argv", ["sentinel", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        out, err = self._capsys.readouterr()
        return int(ended.value.code or 0), out, err


@pytest.fixture
def sentinel(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Sentinel:
    return Sentinel(monkeypatch, capsys)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "in"
    path.mkdir()
    return path


def written(path: Path, content: dict[str, object]) -> Path:
    path.write_text(yaml.safe_dump(content), encoding="utf-8")
    return path


def minimal(folder: Path) -> dict[str, object]:
    return {
        "site": {"latitude_deg": 70.0, "longitude_deg": 30.0},
        # A sun as large as in the pictures of `files.jpeg`.
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 45.8},
        "frames": {"folder": str(folder)},
    }


def test_check_finds_nothing_wrong(sentinel: Sentinel, tmp_path: Path, folder: Path) -> None:
    put(folder / "a.jpg", jpeg(1))
    config = written(tmp_path / "c.yaml", minimal(folder))
    status, out, err = sentinel("check", "--config", config, "--state", tmp_path / "state")
    assert (status, err) == (0, "")
    assert ": 1 frame\n" in out
    assert "300 x 200 px" in out


WRONG: tuple[tuple[dict[str, object], str], ...] = (
    (
        {"camera": {"focal_length_m": 0.4}},
        r"focal_length_m is not a known setting; write camera.focal_length_mm",
    ),
    ({"camera": {"focal_length_mm": 0.4}}, r"focal_length_mm: 0.4 is unlikely; give it in millimetres"),
    ({"camera": {"pixel_pitch_um": 0.00392}}, r"camera.pixel_pitch_um: 0.00392 is unlikely"),
    ({"camera": {"interval_s": "60"}}, r"camera.interval_s .*valid number"),
    ({"site": {"latitude_deg": 700.0}}, r"site.latitude_deg .*less than or equal to 90"),
    ({"site": {"latitud_deg": 7.0}}, r"latitud_deg is not a known setting; write site.latitude_deg"),
    ({"thresholds": {"lost_now_mins": 7.0}}, r"write thresholds.lost_now_min"),
    ({"frames": {"folder": "/nowhere/at/all"}}, r"frames.folder: /nowhere/at/all is missing"),
    ({"frames": {"folder": ""}}, r"frames.folder: no folder is named"),
    ({"channels": [{"name": "a", "url_from": "env:NOT_SET"}]}, r"NOT_SET is not set"),
    ({"channels": [{"name": "a", "command": ["no-such-program"]}]}, r"no-such-program. is not there"),
    ({"channels": [{"name": "a", "command": ["sh"], "severities": ["note"]}]}, r"nobody would be woken"),
    (
        {"page": {"listen": "127.0.0.1:0", "token_from": "env:NOT_SET"}},
        r"page.token_from.*NOT_SET is not set",
    ),
    ({"heartbeat": {"url_from": "env:NOT_SET"}}, r"heartbeat.*the variable NOT_SET"),
    (
        {"metrics": {"served": True}},
        r"yaml: metrics\.served needs a page to be served with: set page\.listen",
    ),
    ({"metrics": {"textfile": "east.txt"}}, r"metrics\.textfile must end in \.prom"),
    ({"page": {"listen": "127.0.0.1:0"}}, r"page needs token_from"),
    (
        {"page": {"listen": "0.0.0.0:8712", "token_from": "env:PATH"}},
        r"page listen can be reached from elsewhere: if that is meant, beyond_loopback: true",
    ),
    (
        {"page": {"listen": "127.0.0.1:0", "token_from": "secret"}},
        r"page\.token_from must say where the token",
    ),
    ({"mqtt": {"url_from": "env:NOT_SET"}}, r"mqtt\.url_from.*NOT_SET is not set"),
    ({"sleep": {"from_utc": "21:00"}}, r"sleep needs both from_utc and until_utc"),
    (
        {"sleep": {"from_utc": "9pm", "until_utc": "05:00"}},
        r"sleep\.from_utc must be a time of day in quotes",
    ),
    ({"alerts": {"zone": "Oslo"}}, r"alerts\.zone names no time zone; write it like Europe"),
    ({"channels": [{"name": "a", "url_from": "json://u:p@h"}]}, r"must say where the address stands"),
    ({"channels": [{"name": "a"}]}, r"first channel needs either url_from or command"),
    ({"channels": [{"name": "a", "command": ["sh"]}] * 2}, r"yaml: the channel 'a' stands twice"),
    ({"camera": {"clock_offset_s": "2h"}}, r"camera\.clock_offset_s should be a valid number"),
    ({"site": {"longitude_deg": 1900.0}}, r"site\.longitude_deg .*less than or equal to 360"),
    ({"mount": {"tracking": "star"}}, r"mount\.tracking .*'solar', 'sidereal', 'lunar' or 'none'"),
    ({"visit": {"travel_min": 900.0}}, r"visit\.travel_min: 900 is unlikely; give it in minutes"),
    ({"frames": {"patterns": []}}, r"frames\.patterns should hold at least 1, not 0"),
    ({"sites": {}}, r"sites is not a known setting; write site"),
)


@pytest.mark.parametrize(("change", "said"), WRONG, ids=lambda value: value if isinstance(value, str) else "")
def test_check_says_in_one_line_what_is_wrong(
    sentinel: Sentinel, tmp_path: Path, folder: Path, change: dict[str, object], said: str
) -> None:
    content = minimal(folder)
    for section, values in change.items():
        held = content.get(section, {})
        content[section] = held | values if isinstance(held, dict) and isinstance(values, dict) else values
    config = written(tmp_path / "c.yaml", content)
    status, _, err = sentinel("check", "--config", config, "--state", tmp_path / "state")
    assert status == 2
    matching = [line for line in err.splitlines() if re.search(said, line)]
    assert len(matching) == 1, err
    assert "Traceback" not in err


def test_check_names_everything_at_once(sentinel: Sentinel, tmp_path: Path) -> None:
    config = written(tmp_path / "c.yaml", {"site": {"latitude": 7.0}, "camera": {"iso": 1}, "fun": {}})
    status, _, err = sentinel("check", "--config", config)
    assert status == 2
    for key in ("site.latitude ", "site.latitude_deg", "site.longitude_deg", "camera.iso", "fun"):
        assert key in err


def test_check_refuses_secrets_that_others_may_read(sentinel: Sentinel, tmp_path: Path, folder: Path) -> None:
    secret = put(tmp_path / "secret", b"json://token-of-mine@host/\n")
    secret.chmod(0o644)
    content = minimal(folder) | {"channels": [{"name": "phone", "url_from": f"file:{secret}"}]}
    config = written(tmp_path / "c.yaml", content)
    status, out, err = sentinel("check", "--config", config, "--state", tmp_path / "state")
    assert status == 2
    assert len(err.splitlines()) == 1
    assert "token-of-mine" not in out + err
    secret.chmod(0o600)
    assert sentinel("check", "--config", config, "--state", tmp_path / "state")[0] == 0


def test_check_refuses_a_state_folder_among_the_frames(
    sentinel: Sentinel, tmp_path: Path, folder: Path
) -> None:
    config = written(tmp_path / "c.yaml", minimal(folder))
    status, _, err = sentinel("check", "--config", config, "--state", folder / "state")
    assert status == 2
    assert "where nothing is ever written" in err
    assert list(folder.iterdir()) == []


def test_check_reads_the_offset_off_a_photographed_clock(sentinel: Sentinel, tmp_path: Path) -> None:
    photo = put(tmp_path / "clock.jpg", jpeg(0))
    shown = (T0.replace(tzinfo=UTC) - timedelta(seconds=37)).isoformat()
    status, out, _ = sentinel("check", "--clock", photo, "--shown", shown)
    assert status == 0
    assert yaml.safe_load(out) == {"camera": {"clock_offset_s": 37}}
    status, _, err = sentinel("check", "--clock", put(tmp_path / "a.png", png()), "--shown", shown)
    assert (status, len(err.splitlines())) == (2, 1)
    assert "says no time of its exposure" in err
    assert sentinel("check", "--clock", photo)[0] == 2


def test_mark_leaves_a_mark(sentinel: Sentinel, tmp_path: Path) -> None:
    state = tmp_path / "state"
    state.mkdir()
    status, out, _ = sentinel("mark", "visit", "up", "there", "--minutes", "20", "--state", state)
    assert status == 0
    assert "for 20 min" in out
    assert "takes it up when it starts" in out
    assert sentinel("mark", "recentred", "--at", "2026-06-21T03:02:00Z", "--state", state)[0] == 0
    first, second = (mark for _, mark in find_marks(state / "marks"))
    assert (first.kind, first.time_utc) == ("recentred", datetime(2026, 6, 21, 3, 2, tzinfo=UTC))
    assert (second.kind, second.text, second.minutes) == ("visit", "up there", 20.0)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("fly",), "is no kind of mark"),
        (("card", "--minutes", "5"), "belongs to a visit"),
        (("visit", "--minutes", "0"), "belongs to a visit"),
        (("card", "--at", "2126-06-21T03:02:00Z"), "is still to come"),
        (("card", "--at", "yesterday"), "not a time"),
    ],
)
def test_a_mark_that_makes_no_sense_is_refused(
    sentinel: Sentinel, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    status, _, err = sentinel("mark", *arguments, "--state", tmp_path / "state")
    assert (status, len(err.splitlines())) == (2, 1)
    assert said in err
    assert not find_marks(tmp_path / "state" / "marks")


def test_a_state_folder_that_is_none_is_refused_and_not_made(sentinel: Sentinel, tmp_path: Path) -> None:
    for state in (tmp_path / "slip-of-the-pen", tmp_path):
        (tmp_path / "letter.txt").write_text("mine")
        status, _, err = sentinel("mark", "recentred", "--state", state)
        assert (status, len(err.splitlines())) == (2, 1)
        assert "state folder" in err
        assert sorted(path.name for path in tmp_path.iterdir()) == ["letter.txt"]


def test_what_a_replay_left_takes_no_mark(sentinel: Sentinel, tmp_path: Path) -> None:
    """No watch starts there: nobody would ever take it up."""
    left = tmp_path / "replayed"
    left.mkdir()
    with Journal.create(left / "journal.sqlite", Origin.REPLAY):
        pass
    (left / "measurements.ecsv").touch()
    status, _, err = sentinel("mark", "seen", "--state", left)
    assert status == 2
    assert "is no state folder of a watch" in err
    assert sorted(path.name for path in left.iterdir()) == ["journal.sqlite", "measurements.ecsv"]


def test_a_mark_is_read_and_said_back_by_the_operators_clock(
    sentinel: Sentinel, tmp_path: Path, folder: Path
) -> None:
    home = StateFolder(tmp_path / "state")
    home.create()
    settings = settings_for(folder, alerts={"zone": "Asia/Tokyo"})
    standing = standing_of(Board(), settings, datetime(2027, 6, 21, tzinfo=UTC))
    home.status_json.write_text(to_json(standing), encoding="utf-8")
    args = ("mark", "visit", "--at", "2026-06-21T07:00", "--minutes", "2h", "--state", home.folder)
    status, out, _ = sentinel(*args)
    ((_, made),) = find_marks(home.marks)
    assert (status, made.time_utc, made.minutes) == (0, datetime(2026, 6, 20, 22, tzinfo=UTC), 120.0)
    assert "21 Jun 07:00 Tokyo (22:00Z)" in out
    status, _, err = sentinel("mark", "visit", "--minutes", "long", "--state", home.folder)
    assert (status, len(err.splitlines())) == (2, 1)
    assert "--minutes: no span of time: 'long'" in err


def test_status_shows_what_was_written_last(sentinel: Sentinel, tmp_path: Path, folder: Path) -> None:
    state = tmp_path / "state"
    status, out, err = sentinel("status", "--state", state)
    assert (status, out, len(err.splitlines())) == (1, "", 1)
    home = StateFolder(state)
    home.create()
    text = to_json(standing_of(Board(), settings_for(folder), datetime(2027, 6, 21, tzinfo=UTC)))
    home.status_json.write_text(text, encoding="utf-8")
    status, out, _ = sentinel("status", "--state", state)
    assert status == 3, "nobody looks after the camera"
    assert "not known yet" in out
    assert "THE WATCH IS NOT RUNNING" in out
    status, out, _ = sentinel("status", "--state", state, "--json")
    assert (status, json.loads(out)) == (3, json.loads(text))
    assert sentinel("status", "--state", state, "--until", "07:00")[0] == 3
    home.lock()
    assert sentinel("status", "--state", state)[0] == 0
    assert sentinel("status", "--state", state, "--until", "+8h")[0] == 0
    status, _, err = sentinel("status", "--state", state, "--until", "late")
    assert (status, len(err.splitlines())) == (2, 1)
    home.unlock()
    home.status_json.write_text("{}")
    assert sentinel("status", "--state", state)[0] == 1


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_daemon_stops_cleanly(tmp_path: Path, folder: Path, number: signal.Signals) -> None:
    config = written(tmp_path / "c.yaml", minimal(folder))
    state = tmp_path / "state"
    command = [sys.executable, "-m", "sentinel", "watch", "--config", str(config), "--state", str(state)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        put(folder / "a.jpg", jpeg(1))
        until = time.monotonic() + 60
        while not frames_in(state / "journal.sqlite") and time.monotonic() < until:
            time.sleep(0.1)
        second = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert second.returncode == 2
        assert second.stderr.count("\n") == 1
        assert f"another watch is at work here (process {process.pid})" in second.stderr
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (0, "")
    assert "Traceback" not in err
    assert (state / "measurements.ecsv").exists()
    assert not [path for path in state.glob("*") if path.name.endswith(("-wal", "-shm"))]
