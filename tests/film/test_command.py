"""`sentinel film` as people call it, and its film in a real browser."""

import functools
import http.server
import json
import queue
import shutil
import subprocess
import threading
from pathlib import Path
from urllib.parse import unquote

import pytest

from tests.command import Run, runner
from tests.film.sessions import session
from tests.watch.test_browser import CHROMIUM, QUIET


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    # Screens are held against a terminal of 80 columns, whatever the tests are run in.
    monkeypatch.setenv("COLUMNS", "80")
    return runner(capsys, monkeypatch)


def film(run: Run, folder: Path, *more: object) -> tuple[int, str, str]:
    return run("film", folder / "out", "--frames", folder / "session", "--size", 240, *more)


def test_one_command_makes_a_film(run: Run, tmp_path: Path) -> None:
    status, said, wrong = film(run, session("cloudy", tmp_path))
    assert (status, wrong) == (0, "")
    assert "Shown 17, 6 without a disc, on cards, 1 unreadable, on cards; 3 cards for" in " ".join(
        said.split()
    )
    assert max(map(len, said.splitlines()[:-1])) <= 80
    assert (tmp_path / "out" / "film.mp4").is_file()


def test_the_same_for_scripts(run: Run, tmp_path: Path) -> None:
    status, said, _ = film(run, session("jpg", tmp_path), "--json", "--fps", 5, "--stamp", "none")
    told = json.loads(said)
    assert status == 0
    assert (told["frames"], told["shown"], told["fps"]) == (6, 6, 5.0)


def test_a_strip_by_the_same_command(run: Run, tmp_path: Path) -> None:
    status, said, wrong = film(run, session("jpg", tmp_path), "--strip")
    assert (status, wrong) == (0, "")
    assert "1 full hour with the sun up, 1 sun drawn" in said
    assert (tmp_path / "out" / "strip.png").is_file()


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (("--up", "south"), "--up: there is no 'south'; give solar-north, celestial-north, zenith or camera"),
        (("--stamp", "utc,moon"), "--stamp: there is no 'moon'; give utc, local, place, altitude or none"),
        (("--steady", "moon"), "--steady: there is no 'moon'; give sun or none"),
        (("--strip", "--png"), "--strip: a strip is one picture by itself; leave out the others"),
        (("--size", "241"), "Invalid value"), (("--fps", "0"), "--fps: 0 is not possible"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line(run: Run, tmp_path: Path, asked: tuple[str, ...], told: str) -> None:
    (tmp_path / "out").mkdir()
    status, said, wrong = run("film", tmp_path / "out", *asked)
    assert (status, said) == (2, "")
    assert wrong.count("\n") == 1
    assert told in wrong or "241" in wrong


def test_a_folder_without_a_session_is_one_line(run: Run, tmp_path: Path) -> None:
    status, _, wrong = run("film", tmp_path)
    assert status == 2
    assert wrong.count("\n") == 1


PAGE = """<!doctype html><video muted src="film.mp4"></video><script>
const video = document.querySelector("video");
const tell = (what) => fetch("seen?" + encodeURIComponent(what));
video.onerror = () => tell("error " + video.error.message);
video.ontimeupdate = () => { if (video.currentTime > 0.3)
  tell([video.videoWidth, video.videoHeight, video.currentTime, video.duration].join(" ")); };
video.play().catch((why) => tell("error " + why));
</script>"""


class Pages(http.server.SimpleHTTPRequestHandler):
    """Serves the page and its film, and takes what the page tells."""

    seen: queue.Queue[str]

    def do_GET(self) -> None:
        if self.path.startswith("/seen?"):
            self.seen.put(unquote(self.path.partition("?")[2]))
        super().do_GET()

    def log_message(self, *_: object) -> None:
        pass


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
def test_a_browser_plays_it(run: Run, tmp_path: Path) -> None:
    status, said, _ = film(run, session("cloudy", tmp_path), "--fps", 10, "--json")
    assert status == 0
    folder = tmp_path / "page"
    folder.mkdir()
    shutil.copy(json.loads(said)["out"], folder / "film.mp4")
    (folder / "page.html").write_text(PAGE, encoding="utf-8")
    Pages.seen = queue.Queue()
    handler = functools.partial(Pages, directory=str(folder))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        command = [
            str(CHROMIUM), *QUIET.split(), f"--user-data-dir={tmp_path / 'profile'}",
            "--autoplay-policy=no-user-gesture-required",
            f"http://127.0.0.1:{server.server_address[1]}/page.html",
        ]  # fmt: skip
        browser = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            told = Pages.seen.get(timeout=90)
        finally:
            browser.terminate()
            browser.wait(30)
            server.shutdown()
    assert not told.startswith("error"), told
    width, height, played, length = (float(value) for value in told.split())
    assert (width, height) == (240, 240)
    assert played > 0.3
    assert length == pytest.approx((17 + 3 * 10) / 10, abs=0.2)
