"""The first hour of the README, as somebody does it who has just installed the program.

`init`, `check` and a test message, then two bad nights from the sofa at sixty times their pace: the watch's
messages arrive at a real receiver, what is done is noted on its page in a real browser of a phone's size, and
what was sent, noted and reported is held against what truly happened, computed by another library.
"""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import unescape
from math import cos
from pathlib import Path

import pytest
from astropy.coordinates import get_sun
from astropy.time import Time

from sentinel.core.records import Alert, Mark
from sentinel.service.journal.journal import Journal
from tests.browser import CHROMIUM, Phone, phone
from tests.delivery.receivers import HttpReceiver, free_port, http_receiver, listens, wait_for
from tests.sky.by_astropy import quiet

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed"),
]

TOKEN = "beside-the-bed"
AT_MIN, LONG_MIN = 12, 36
FOCAL_MM, PITCH_UM, WIDTH_PX, SPEED = 250.0, 36.0, 1000, 60
MINUTE = timedelta(minutes=1)


@dataclass
class Home:
    """Somebody's folder, and the phone beside it."""

    folder: Path
    receiver: HttpReceiver

    def ran(self, *args: str) -> "subprocess.Popen[str]":
        """Start the program as a shell does."""
        return subprocess.Popen(
            [sys.executable, "-m", "sentinel", *args],
            cwd=self.folder,
            # Tests side by side are given a width, to which the program would wrap its lines.
            env={k: v for k, v in os.environ.items() if k != "COLUMNS"}
            | {"PHONE_URL": self.receiver.url, "PAGE_TOKEN": TOKEN},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def does(self, *args: str) -> str:
        """Run it to its end, which is a good one; return what it prints."""
        command = self.ran(*args)
        out, err = command.communicate(timeout=600)
        assert (command.returncode, err) == (0, ""), (args, out, err)
        return out


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Settings as `init` writes them, checked, and a test message that has arrived."""
    with http_receiver() as receiver:
        here = Home(tmp_path_factory.mktemp("home"), receiver)
        (here.folder / "in").mkdir()
        told = here.does(
            "init", "east.yaml", "--yes", "--latitude", "-33.9", "--longitude", "18.4",
            "--focal-length-mm", f"{FOCAL_MM:g}", "--pixel-pitch-um", f"{PITCH_UM:g}", "--folder", "in",
            "--channel", "phone=env:PHONE_URL", "--sleep", "22:30-06:00", "--zone", "Africa/Johannesburg",
        )  # fmt: skip
        assert (
            "Next: go through a bad night from the sofa\n  sentinel rehearse stop --config east.yaml" in told
        )
        checked = here.does("check", "--config", "east.yaml", "--send-test")
        assert "test message: phone: arrived" in checked
        assert [title for title in receiver.titles() if title.startswith("east: ")] == receiver.titles()
        # The page with its buttons: what `sentinel settings --explain page` names, laid over the rest.
        overlay = f"page: {{listen: '127.0.0.1:{free_port()}', token_from: env:PAGE_TOKEN}}\n"
        (here.folder / "page.yaml").write_text(overlay, encoding="utf-8")
        yield here


@dataclass
class Night:
    """A drill that was gone through."""

    said: str
    titles: list[str]
    alerts: list[Alert]
    marks: list[Mark]
    begin_utc: datetime
    at_utc: datetime
    frames: int
    report: str

    def first(self, condition: str) -> Alert:
        """Return the first message of a condition."""
        return next(one for one in self.alerts if one.condition == condition and one.kind == "first")

    def marked(self, kind: str) -> Mark:
        """Return the one mark of a kind."""
        (one,) = (mark for mark in self.marks if mark.kind == kind)
        return one


def rehearsed(home: Home, drill: str, wakes: str, presses: list[str]) -> Night:
    """Go through a drill: on the message that wakes, tap the page's buttons one after the other."""
    before = len(home.receiver.titles())
    out = home.folder / drill
    command = home.ran(
        "rehearse", drill, "--config", "east.yaml", "--config", "page.yaml", "--speed", str(SPEED),
        "--at", f"{AT_MIN}min", "--for", f"{LONG_MIN}min", "--out", drill,
    )  # fmt: skip
    overlay = (home.folder / "page.yaml").read_text(encoding="utf-8")
    address = re.findall(r"127\.0\.0\.1:\d+", overlay)[0]
    try:
        wait_for(lambda: listens(int(address.rpartition(":")[2])), 120)
        (home.folder / f"{drill}-phone").mkdir()
        with phone(home.folder / f"{drill}-phone") as browser:
            browser.open(f"http://{address}/")
            browser.wait("document.querySelector('h1') !== null || (location.reload(), false)")
            wait_for(lambda: any(wakes in title for title in home.receiver.titles()[before:]), 240)
            browser.open(f"http://{address}/")
            for kind in presses:
                pressed(browser, kind)
        said, err = command.communicate(timeout=600)
    finally:
        if command.poll() is None:
            command.kill()
            command.communicate()
    assert (command.returncode, err) == (0, "")
    assert f"Page      http://{address}\n" in said
    reported = home.does("report", f"{drill}/state")
    assert reported == f"Report    {drill}/state/report.html\n"
    with Journal.read(out / "state" / "journal.sqlite") as journal:
        frames = list(journal.frames())
        alerts, marks = list(journal.alerts()), list(journal.marks())
    begin = frames[0].time_utc
    return Night(
        said,
        home.receiver.titles()[before:],
        alerts,
        marks,
        begin,
        begin + AT_MIN * MINUTE,
        len(frames),
        text_of(out / "state" / "report.html"),
    )


def pressed(browser: Phone, kind: str) -> None:
    """Type the token, tap a button, read the answer and go back: as by thumb on a phone."""
    assert browser.find("innerWidth") == 390
    assert browser.find("document.documentElement.scrollWidth") <= 390, "nothing has to be pushed sideways"
    assert "ahead of this phone" not in browser.find("document.body.innerText")
    browser.type("#token", TOKEN)
    browser.tap(f"button[value='{kind}']")
    browser.wait("document.body.innerText.startsWith('Noted: ')")
    browser.tap("a")
    browser.wait("document.querySelector('h1') !== null")


def text_of(page: Path) -> str:
    """Return what a page says."""
    html = re.sub(r"<(script|style).*?</\1>", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def local(time_utc: datetime) -> str:
    """Return a time as the operator reads it: two hours ahead of UTC, all the year."""
    return f"{time_utc + timedelta(hours=2):%H:%M} Johannesburg ({time_utc:%H:%M}Z)"


@pytest.fixture(scope="module")
def stopped(home: Home) -> Night:
    return rehearsed(home, "stop", "MOUNT STOPPED", ["visit", "recentred"])


@pytest.fixture(scope="module")
def bare(home: Home) -> Night:
    return rehearsed(home, "filter", "DO NOT LOOK IN", ["visit"])


def test_what_is_tried_here_is_what_the_readme_says() -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    hour = readme.partition("## The first hour")[2].partition("```")[2].partition("```")[0]
    commands = [line.partition("#")[0].split()[1:] for line in hour.strip().splitlines()]
    assert [command[0] for command in commands] == ["init", "check", "rehearse", "watch"]
    assert commands[1] == ["check", "--config", "east.yaml", "--send-test"]
    assert commands[2][:4] == ["rehearse", "stop", "--config", "east.yaml"]


def touch_utc(night: Night) -> datetime:
    """When a stopped camera loses the sun: it goes by the sky's rate at its declination, from the middle."""
    with quiet():
        declination = get_sun(Time(night.at_utc)).dec
    px_s = 15.04 * cos(float(declination.to_value("rad"))) / (206.265 * PITCH_UM / FOCAL_MM)
    room_px = WIDTH_PX / 2 - 1919.0 / 2 / (206.265 * PITCH_UM / FOCAL_MM)
    return night.at_utc + timedelta(seconds=room_px / px_s)


def test_a_stop_is_sent_in_time_and_what_was_done_about_it_is_told_as_it_was(stopped: Night) -> None:
    first = stopped.first("runaway")
    assert MINUTE / 2 < first.time_utc - stopped.at_utc < 4 * MINUTE, "a picture or two, and no sooner"
    touch = touch_utc(stopped)
    said = re.search(r"touches the (left|right) edge at (\d\d):(\d\d) Johannesburg", first.body)
    assert said is not None, first.body
    told = touch.replace(hour=(int(said[2]) - 2) % 24, minute=int(said[3]))
    assert abs(told - touch) <= 2 * MINUTE
    assert stopped.titles.count(f"REHEARSAL east: {first.title.removeprefix('REHEARSAL east: ')}") >= 1
    visit, put = stopped.marked("visit"), stopped.marked("recentred")
    # Marks are kept to the millisecond, and the drill's clock stands still between pictures.
    assert first.time_utc - timedelta(milliseconds=1) < visit.time_utc <= put.time_utc
    # Saved or not as the sun and the thumb had it.
    left_min = (touch - put.time_utc).total_seconds() / 60
    ending = re.search(
        r"Saved: the disc was put back (\d+) min before|Not saved: the limb reached", stopped.said
    )
    assert ending is not None, stopped.said
    if ending[1] is not None:
        assert int(ending[1]) == pytest.approx(left_min, abs=1.5)
    else:
        assert left_min < 1.5


def test_a_filter_that_falls_off_wakes_at_once_and_is_saved_when_somebody_goes(bare: Night) -> None:
    first = bare.first("over-bright")
    assert timedelta(0) <= first.time_utc - bare.at_utc < 3 * MINUTE
    assert "Do NOT look into camera or finder" in first.body
    after = (bare.marked("visit").time_utc - bare.at_utc).total_seconds() / 60
    ending = re.search(r"^Saved (\d+) min after it happened;", bare.said, re.MULTILINE)
    assert ending is not None, bare.said
    assert int(ending[1]) == pytest.approx(after, abs=1.5)


@pytest.mark.parametrize("which", ["stopped", "bare"])
def test_what_the_end_of_the_drill_lists_is_what_arrived_and_what_was_noted(
    which: str, request: pytest.FixtureRequest
) -> None:
    night: Night = request.getfixturevalue(which)
    assert night.frames == LONG_MIN
    for alert in night.alerts:
        row = f"{re.escape(local(alert.time_utc))} +{alert.severity.value}, {alert.kind} "
        assert re.search(row, night.said)
    for mark in night.marks:
        assert f"{local(mark.time_utc)}  done            {mark.kind}" in night.said
    delivered = re.findall(r" delivered +(.*) -> phone", night.said)
    assert sorted(delivered) == sorted(night.titles)
    # The first picture tells the beginning to a second, on whichever side of a minute that falls.
    minutes = {local(night.at_utc - timedelta(seconds=seconds)) for seconds in (0, 1)}
    assert any(f"{minute}  happened" in night.said for minute in minutes)


@pytest.mark.parametrize("which", ["stopped", "bare"])
def test_the_report_counts_what_came_and_names_what_happened(
    which: str, request: pytest.FixtureRequest
) -> None:
    night: Night = request.getfixturevalue(which)
    assert f"{LONG_MIN} of {LONG_MIN} expected pictures were recorded" in night.report
    told = re.search(r"(\d+) messages?, (\d+) wake-ups?", night.report)
    assert told is not None
    assert int(told[1]) == len(night.alerts)
    wakes = [one for one in night.alerts if one.severity.value == "now" and one.kind in {"first", "repeat"}]
    assert int(told[2]) == len(wakes)
    what = "The mount stopped" if which == "stopped" else "filter may have been off"
    assert what in night.report
    # Only a disc that was in the frame was lost: none before it happened.
    assert f"{night.begin_utc:%Y-%m-%d %H:%M}" in night.report
