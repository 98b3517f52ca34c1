"""Screens at 80 columns as a person meets them: help, nothing there yet, something wrong, and how it stands.

    python tests/screens.py > tests/screens.txt                # then read what changed
    python tests/screens.py jobs > tests/screens_of_jobs.txt   # the same of what a session comes to

What depends on the machine (its clock, its disks, where a folder lies), and the sigma of a fit,
is named instead of shown.
"""

import contextlib
import io
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sentinel.cli import main
from sentinel.core.records import Outcome, Severity, Tick
from sentinel.service.status.board import Board
from sentinel.service.status.lines import status_lines, to_json
from sentinel.service.status.making import standing_of
from sentinel.service.status.standing import Standing
from sentinel.service.watch.state_folder import StateFolder
from tests.watch.test_status import FORECAST, SETTINGS, T0, frame, incident

COMMANDS = (
    "init", "settings", "rehearse", "watch", "status", "page", "mark", "check", "measure", "replay", "align",
    "tune", "report", "plan", "simulate", "film", "share",
)  # fmt: skip
INIT = (
    "init east.yaml --yes --latitude 70.37 --longitude 31.1 --focal-length-mm 400 --pixel-pitch-um 3.92 "
    "--folder in --zone Europe/Oslo --sleep 22:30-06:00"
)
NIGHT = """\
# Invented: an evening in which the mount turns back.
site: {latitude_deg: 70.37, longitude_deg: 31.1}
camera: {focal_length_mm: 400, pixel_pitch_um: 47.04, width_px: 750, height_px: 500, interval_s: 120}
mount: {azimuth_error_deg: -0.6, altitude_error_deg: 1.1}
start_utc: 2027-06-20T18:00:00Z
hours: 2
start_px: [320, 300]
events: [{kind: reverse, at: 2027-06-20T19:10:00Z}]
"""
JOBS = (
    "simulate night.yaml night", "measure night/DCIM/100FERNL/FERN0001.JPG night/DCIM/100FERNL/FERN0060.JPG",
    "replay night --out kept", "report kept", "report kept --beside kept", "film kept --up camera",
    "film kept --strip --up camera", "film kept --png --steady none", "share kept to-give",
    "share kept for-all --public", "tune kept --out tuned --only lost_now_min,lost_soon_min",
)  # fmt: skip
NOTHING_YET = (
    "status --state nowhere", "status --state nowhere --until 07:00", "mark recentred --state nowhere",
    "check", "check --config nowhere.yaml", "watch", "watch --config nowhere.yaml",
    "plan 2027-06-18 2027-06-22", "align nowhere", "replay nowhere --out out", "tune nowhere --out out",
    "report nowhere", "film nowhere", "share nowhere out", "measure nowhere.jpg", "simulate nowhere.yaml out",
    "measure in", "align in --config east.yaml", "replay in --out out --config east.yaml", "report in",
    "film in", "share in out",
)  # fmt: skip
WRONG = (
    "init east.yaml --yes", "rehearse", "rehearse fire", "rehearse stop --speed 1000",
    "mark bogus --state east",
    "mark battery of the mount --state east", "mark recentred --at 25:00 --state east",
    "mark visit --minutes soon --state east", "status --state east --until soon", "check --clock in/a.jpg",
    "plan 2027-06-22 2027-06-18 --config east.yaml", "plan soon 2027-06-18 --config east.yaml",
    "settings --explain focal_length", "simulate east.yaml out", "film in --size 241", "report", "bogus",
)  # fmt: skip


def screen(command: str) -> str:
    """Return what a command prints, and its exit status where that is not 0."""
    out, status = io.StringIO(), 0
    before, sys.argv = sys.argv, ["sentinel", *command.split()]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            main()
    except SystemExit as left:
        status = int(left.code or 0)
    finally:
        sys.argv = before
    said = "\n".join(line.rstrip() for line in out.getvalue().strip().splitlines())
    ends = f"\n[exit status {status}]" if status else ""
    return f"$ sentinel {command}\n{said}{ends}\n"


def told(text: str, here: Path) -> str:
    """Return a screen without what depends on the machine."""
    text = text.replace(str(here), "/home/me")
    text = re.sub(
        r"state folder: .*: [\d.]+ GB free(; make room)?", "state folder: (its place and room)", text
    )
    text = re.sub(r"^Room      .*$", "Room      (what is free there)", text, flags=re.MULTILINE)
    text = re.sub(r"± \d\.\d\d degrees", "± (so many) degrees", text)
    text = re.sub(r"(\S) +# (?=[a-z])", r"\1  # ", text)
    return re.sub(r"^clock: .*$", "clock: (the computer's)", text, flags=re.MULTILINE)


def standings() -> Iterator[tuple[str, Standing]]:
    """Yield a watch in each of its states, each with a name."""
    board = Board()
    later = T0 + timedelta(minutes=11)
    for minute in range(11):
        forecast = FORECAST if minute == 10 else None
        board.update(frame(f"IMG_{minute:04d}.JPG", minute), Outcome(forecast=forecast), later)
    settings = SETTINGS.model_copy(
        update={"alerts": SETTINGS.alerts.model_copy(update={"zone": "Europe/Oslo"})}
    )
    well = standing_of(board, settings, later, clock_offset_s=37.4, focus_ratio=1.02)
    yield "all is well", well
    for state, condition, severity, detail in (
        ("something can wait", "soft-focus", Severity.SOON, {"ratio": 1.6, "held_min": 20.0}),
        ("somebody is wanted now", "no-frames", Severity.NOW, {"missed_frames": 4}),
    ):
        board.update(
            Tick(time_utc=later), Outcome(incidents=(incident(condition, severity, **detail),)), later
        )
        yield state, standing_of(board, settings, later, clock_offset_s=37.4, focus_ratio=1.02)
    yield "it has just begun", standing_of(Board(), settings, T0)


def everything(here: Path, screens: Callable[[], Iterable[str]] | None = None) -> str:
    """Return all screens, or those that are named; `here` is an empty folder to work in."""
    before, os.environ["COLUMNS"] = (Path.cwd(), os.environ.get("COLUMNS")), "80"
    os.chdir(here)
    try:
        return told("\n".join((screens or _screens)()), here)
    finally:
        os.chdir(before[0])
        os.environ.pop("COLUMNS") if before[1] is None else os.environ.update(COLUMNS=before[1])


def of_jobs() -> Iterator[str]:
    """Yield what each job says of a session that it was done on."""
    Path("night.yaml").write_text(NIGHT, encoding="utf-8")
    yield from map(screen, JOBS)


def _screens() -> Iterator[str]:
    yield from map(screen, ("--help", *(f"{name} --help" for name in COMMANDS)))
    Path("in").mkdir()
    yield from map(screen, (INIT, "check --config east.yaml", *NOTHING_YET))
    files = StateFolder(Path("east"))
    files.create()
    yield from map(screen, WRONG)
    for name, standing in standings():
        files.status_json.write_text(to_json(standing), encoding="utf-8")
        files.tell_time(standing.written_utc + timedelta(minutes=1))
        files.lock()
        asked = [screen("status --state east"), screen("status --state east --until 14:00")]
        files.unlock()
        yield from (f"({name})\n{text}" for text in asked)
    ended = status_lines(next(standings())[1], T0 + timedelta(hours=30), watched=False)
    yield "\n".join(("(the watch ended a day ago, not wrapped)", *ended, ""))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        print(everything(Path(folder), of_jobs if "jobs" in sys.argv else None), end="")
