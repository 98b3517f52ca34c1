"""Metrics: what they say, and that the real tools of that trade read them."""

import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import timedelta
from pathlib import Path
from urllib.error import URLError
from urllib.parse import urlencode
from urllib.request import Request, urlopen

import pytest

from sentinel.core.errors import RequestProblem
from sentinel.core.monitoring import Metrics
from sentinel.core.records import Outcome
from sentinel.core.settings import Settings, validate
from sentinel.service.status.board import Board
from sentinel.service.status.making import standing_of
from sentinel.service.status.metrics import measures
from sentinel.service.status.standing import Standing
from sentinel.service.watch.metrics_out import MetricsFile, metrics_reply
from tests.delivery.receivers import free_port, wait_for
from tests.watch.running import Running, settings_for
from tests.watch.test_serving import token
from tests.watch.test_status import SETTINGS, T0, board, frame, standing

__all__ = ["board", "standing", "token"]

pytest.importorskip("prometheus_client", reason="the extra `metrics` is not installed")
parser = pytest.importorskip("prometheus_client.openmetrics.parser")
NOW = T0 + timedelta(minutes=12)
OPENMETRICS = {"HTTP_ACCEPT": "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5"}


def samples(text: str) -> dict[tuple[str, str], float]:
    """Return each sample of an OpenMetrics text by its name and second label."""
    found = {}
    for family in parser.text_string_to_metric_families(text):
        for sample in family.samples:
            other = [value for name, value in sample.labels.items() if name != "camera"]
            found[sample.name, "".join(other)] = sample.value
    return found


def test_they_say_what_the_status_says(standing: Standing) -> None:
    status, text, kind = metrics_reply(replace(standing, latency_s=0.75), NOW, OPENMETRICS)
    assert (status, kind.partition(";")[0]) == (200, "application/openmetrics-text")
    assert text.endswith("# EOF\n")
    told = samples(text)
    assert told["sentinel_time_left_seconds", ""] == 6 * 3600 + 28 * 60
    assert told["sentinel_set_off_left_seconds", ""] == told["sentinel_time_left_seconds", ""] - 600
    assert told["sentinel_last_frame_age_seconds", ""] == 120
    assert told["sentinel_last_frame_timestamp_seconds", ""] == (T0 + timedelta(minutes=10)).timestamp()
    assert told["sentinel_status_timestamp_seconds", ""] == NOW.timestamp()
    opened = {severity: told["sentinel_open_conditions", severity] for severity in ("now", "soon", "note")}
    assert opened == {"now": 1, "soon": 0, "note": 1}
    assert told["sentinel_frames_total", ""] == 10
    assert told["sentinel_expected_frames", ""] == 11
    assert told["sentinel_backlog_messages", ""] == 2
    assert told["sentinel_latency_seconds", ""] == 0.75
    assert told["sentinel_free_bytes", "frames"] == 10**11
    assert told["sentinel_camera_clock_offset_seconds", ""] == 37.4


def test_an_age_grows_with_the_time_at_which_it_is_asked(standing: Standing) -> None:
    later = samples(metrics_reply(standing, NOW + timedelta(hours=1), OPENMETRICS).body)
    assert later["sentinel_last_frame_age_seconds", ""] == 3720
    assert later["sentinel_time_left_seconds", ""] == 5 * 3600 + 28 * 60


def test_what_is_not_known_is_left_out(board: Board) -> None:
    empty = standing_of(Board(), SETTINGS, T0)
    told = samples(metrics_reply(empty, T0, OPENMETRICS).body)
    assert ("sentinel_time_left_seconds", "") not in told
    assert ("sentinel_latency_seconds", "") not in told
    assert told["sentinel_frames_total", ""] == 0
    live = replace(frame("live.jpg", 12), arrived_utc=T0 + timedelta(minutes=12, seconds=3))
    board.update(live, Outcome(), T0 + timedelta(minutes=12, seconds=5))
    told = samples(metrics_reply(standing_of(board, SETTINGS, NOW), NOW, OPENMETRICS).body)
    assert told["sentinel_latency_seconds", ""] == 2.0


def test_no_place_no_secret_and_no_message_is_in_them(standing: Standing) -> None:
    text = metrics_reply(replace(standing, camera='ea"st\n\\'), NOW, OPENMETRICS).body
    assert samples(text)["sentinel_frames_total", ""] == 10
    for word in ("70.37", "31.1", "latitude", "azimuth", "phone", "no route", "script", "No pictures"):
        assert word not in text
    assert not {f.name for f in fields(standing)} & {"site", "latitude_deg"}


def test_names_follow_the_conventions(standing: Standing) -> None:
    for one in measures(standing, NOW):
        assert one.name.startswith("sentinel_")
        assert one.help.endswith(".")
        assert not one.name.endswith(("_min", "_hours", "_h", "_total", "_s", "_mb"))


def test_promtool_finds_nothing_wrong(standing: Standing, tmp_path: Path) -> None:
    promtool = shutil.which("promtool")
    if promtool is None:
        pytest.skip("promtool is not installed")
    out = MetricsFile(tmp_path / "east.prom")
    out.write(replace(standing, camera="East ridge", latency_s=0.5), NOW)
    text = (tmp_path / "east.prom").read_text(encoding="utf-8")
    checked = subprocess.run(
        [promtool, "check", "metrics"], input=text, capture_output=True, text=True, timeout=30, check=False
    )
    assert (checked.returncode, checked.stdout + checked.stderr) == (0, "")
    # The check is worth something: it finds a counter without its ending.
    spoilt = text.replace("sentinel_frames_total", "sentinel_frames")
    worse = subprocess.run(
        [promtool, "check", "metrics"], input=spoilt, capture_output=True, text=True, timeout=30, check=False
    )
    assert worse.returncode != 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["east.prom"]


def test_a_file_that_cannot_be_written_is_told_once(
    standing: Standing, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    out = MetricsFile(tmp_path / "none" / "east.prom")
    out.write(standing, NOW)
    out.write(standing, NOW)
    assert [r.message.partition(" (")[0] for r in caplog.records] == ["metrics.textfile cannot be written"]
    (tmp_path / "none").mkdir()
    out.write(standing, NOW)
    assert (tmp_path / "none" / "east.prom").exists()


def test_a_file_that_no_collector_reads_is_refused() -> None:
    with pytest.raises(RequestProblem, match=r"metrics\.textfile must end in \.prom"):
        validate(json.loads(SETTINGS.model_dump_json()) | {"metrics": {"textfile": "a.txt"}}, where="test")
    assert Metrics(textfile="").textfile == ""


@contextmanager
def monitor(folder: Path, target: str) -> Iterator[str]:
    """Run the real monitoring server on one target; a test is skipped where there is none."""
    program = shutil.which("prometheus")
    if program is None:
        pytest.skip("prometheus is not installed")
    listen = f"127.0.0.1:{free_port()}"
    config = {
        "global": {"scrape_interval": "1s", "scrape_timeout": "1s"},
        "scrape_configs": [{"job_name": "sun", "static_configs": [{"targets": [target]}]}],
    }
    (folder / "prometheus.yml").write_text(json.dumps(config), encoding="utf-8")
    process = subprocess.Popen(
        [program, f"--config.file={folder / 'prometheus.yml'}", f"--storage.tsdb.path={folder / 'data'}",
         f"--web.listen-address={listen}"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield f"http://{listen}"
    finally:
        process.terminate()
        process.wait(30)


def asked_of(server: str, query: str) -> list[dict[str, str]]:
    try:
        with urlopen(f"{server}/api/v1/query?{urlencode({'query': query})}", timeout=5) as answer:
            found: list[dict[str, str]] = json.load(answer)["data"]["result"]
            return found
    except (URLError, ConnectionError):
        return []


def test_the_real_server_reads_them_from_the_page_of_a_watch(tmp_path: Path, token: str) -> None:
    pytest.importorskip("waitress", reason="the extra `page` is not installed")
    (tmp_path / "in").mkdir()
    settings: Settings = settings_for(
        tmp_path / "in",
        camera={"name": "East ridge"},
        page={"listen": "127.0.0.1:0", "token_from": token},
        metrics={"served": True, "textfile": str(tmp_path / "east.prom")},
    )
    with Running(settings, tmp_path / "state") as watch:
        server = watch.wait(lambda: watch.watch is not None and watch.watch.server)
        watch.wait(watch.home.status_html.exists)
        target = "{}:{}".format(*server.address)
        with monitor(tmp_path, target) as prometheus:
            wait_for(lambda: bool(asked_of(prometheus, "sentinel_frames_total")), 60)
            (up,) = asked_of(prometheus, "up")
            assert up["value"][1] == "1"
            (frames,) = asked_of(prometheus, "sentinel_frames_total")
            assert frames["metric"]["camera"] == "East ridge"  # type: ignore[index]
            assert len(asked_of(prometheus, "sentinel_free_bytes")) >= 1
        plain = urlopen(Request(f"http://{target}/metrics"), timeout=5)
        assert plain.headers["Content-Type"].startswith("text/plain; version=0.0.4")
        plain.close()
        assert "sentinel_frames_total" in (tmp_path / "east.prom").read_text(encoding="utf-8")


def test_without_being_asked_for_there_are_none(tmp_path: Path, token: str) -> None:
    pytest.importorskip("waitress", reason="the extra `page` is not installed")
    (tmp_path / "in").mkdir()
    settings = settings_for(tmp_path / "in", page={"listen": "127.0.0.1:0", "token_from": token})
    with Running(settings, tmp_path / "state") as watch:
        server = watch.wait(lambda: watch.watch is not None and watch.watch.server)
        time.sleep(0.2)
        with pytest.raises(URLError):
            urlopen("http://{}:{}/metrics".format(*server.address), timeout=5)
