"""A week in a day: invented days of trouble and of calm through the real watch, its own clock run ahead.

    python -m tests.endurance.week [--short] [--keep FOLDER]

Real files, a real journal, real receivers, processes that are really killed; only time is moved, a minute at
each frame, as soon as the frame before it is in the journal. At the end journal, table, messages and page are
held against the truth. The whole week is 10,080 frames; `--short` is four hours of trouble.
"""

import argparse
import json
import mmap
import os
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from astropy.table import Table

from sentinel.chain.intake.events import read_marks
from sentinel.core.errors import RequestProblem
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import load_settings, validate
from sentinel.core.times import from_utc_s, parse_utc, utc_s
from sentinel.jobs.simulate.scenario import scenario_from
from sentinel.jobs.simulate.session import simulate
from sentinel.service.journal.journal import Journal
from sentinel.service.journal.session_facts import DeliveryRecord, deliveries
from sentinel.service.watch.marks import leave_mark
from sentinel.service.watch.state_folder import StateFolder
from tests.delivery.receivers import TOKEN, HttpReceiver, http_receiver, secret_file

BEGIN_UTC = datetime(2027, 6, 14, tzinfo=UTC)
FRAMES_A_DAY = 1440
PATIENCE_S = 120.0


class FastClock:
    """Time as whoever runs the week has set it, shared by all processes."""

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._shared = mmap.mmap(file.fileno(), 8)
        self._here = threading.local()

    def set(self, now_utc: datetime) -> None:
        self._shared[:8] = struct.pack("d", utc_s(now_utc))

    def _now_s(self) -> float:
        now_s: float = struct.unpack("d", self._shared[:8])[0]
        self._here.now_s, self._here.at = now_s, time.monotonic()
        return now_s

    def now_utc(self) -> datetime:
        return from_utc_s(self._now_s())

    def monotonic_s(self) -> float:
        # Read right after the time of day it must not have moved on: that would look like a clock being set.
        if time.monotonic() - getattr(self._here, "at", -1.0) < 0.2:
            return float(self._here.now_s)
        return self._now_s()


@dataclass
class Truth:
    """One trouble that must be told, and nothing that must not be."""

    conditions: set[str]
    onset_utc: datetime
    within: timedelta
    until_utc: datetime


@dataclass
class Plan:
    """What happens, to the sun and to the watch."""

    events: list[dict[str, Any]] = field(default_factory=list)
    truths: list[Truth] = field(default_factory=list)
    acts: list[tuple[datetime, str]] = field(default_factory=list)
    hours: float = 0.0
    begin_utc: datetime = BEGIN_UTC

    def event(self, kind: str, at: datetime, until: datetime | None = None, **more: Any) -> None:
        said = {"kind": kind, "at": at.isoformat()} | more
        self.events.append(said | ({"until": until.isoformat()} if until else {}))


def day(plan: Plan, start: datetime, *, trouble: int | None) -> None:
    """Add a day: unwound in the morning; on days of trouble, what can go wrong."""

    def at(hour: float) -> datetime:
        return start + timedelta(hours=hour)

    put: dict[str, Any] = {"hand_error_px": 3.0, "unwound": True, "marked": True}
    # Twice a day, long before the axis has turned all the way: nobody is to be woken for that.
    for hour in (4.5, 16.5):
        plan.event("recentre", at(hour), to_px=[240, 160], **put)
    plan.acts += [(at(hour), "restart") for hour in (3.2, 11.2, 19.2)]
    plan.event("cloud", at(15), at(15.7), transmission=0.2, patchiness=0.5)
    if trouble == 0:
        plan.event("stop", at(10), at(10.5))
        plan.event("recentre", at(10.55), to_px=[240, 160], **put)
        plan.truths.append(Truth({"runaway"}, at(10), timedelta(minutes=12), at(10.6)))
        plan.acts += [(at(9.9), "phone-out"), (at(10.3), "phone-back")]
    if trouble == 1:
        plan.event("filter-lost", at(12), at(12.2))
        plan.truths.append(Truth({"over-bright"}, at(12), timedelta(minutes=6), at(12.3)))
        plan.acts += [(at(11.5), "disk-full"), (at(11.75), "disk-back"), (at(12.1), "power-cut")]
    if trouble == 2:
        # One that costs time: a harmless one is noted, and nobody is told.
        plan.event("knock", at(8), arcmin=45, toward_deg=100)
        plan.event("recentre", at(8.5), to_px=[240, 160], **put)
        plan.truths.append(Truth({"moved", "runaway"}, at(8), timedelta(minutes=15), at(8.6)))
        plan.event("focus", at(12), at(14), sigma_px=3.0)
        plan.event("focus", at(17), at(17.1), sigma_px=0.8)
        plan.truths.append(Truth({"soft-focus"}, at(12), timedelta(hours=4), at(17.5)))
        plan.acts.append((at(13), "power-cut"))


def week(*, short: bool) -> Plan:
    plan = Plan()
    if short:
        plan.begin_utc, plan.hours = BEGIN_UTC + timedelta(hours=9), 4.0
        day(plan, BEGIN_UTC, trouble=0)
        day(plan, BEGIN_UTC, trouble=1)
        # What came before the beginning is left out, and what happens to the watch stands there once.
        plan.events = [e for e in plan.events if datetime.fromisoformat(e["at"]) > plan.begin_utc]
        plan.events = [e for e in plan.events if datetime.fromisoformat(e["at"]).hour < 13]
    else:
        plan.hours = 7 * 24.0
        for number, trouble in enumerate((None, 0, None, 1, None, 2, None)):
            day(plan, BEGIN_UTC + timedelta(days=number), trouble=trouble)
    end_utc = plan.begin_utc + timedelta(hours=plan.hours)
    plan.acts = sorted({act for act in plan.acts if plan.begin_utc < act[0] < end_utc})
    return plan


def scenario(plan: Plan) -> dict[str, Any]:
    return {
        "site": {"latitude_deg": 60.0, "longitude_deg": 10.0},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 45, "width_px": 480, "height_px": 320},
        "mount": {
            "azimuth_error_deg": 0.1, "altitude_error_deg": -0.08, "roll_deg": 4, "worm_arcsec": 8,
            "wind_arcsec": 3,
        },
        "start_utc": plan.begin_utc.isoformat(),
        "hours": plan.hours,
        "seed": 11,
        "events": plan.events,
    }  # fmt: skip


class Late(Exception):  # noqa: N818
    """A frame did not come to the journal in time."""


@dataclass
class Sample:
    """What the watch holds at one moment."""

    frame: int
    memory_bytes: int
    files: int
    threads: int
    log_lines: int


class Run:
    """The week as it goes."""

    def __init__(self, base: Path, plan: Plan, phone: HttpReceiver, heart: HttpReceiver) -> None:
        self.base, self.plan, self.phone, self.heart = base, plan, phone, heart
        self.folder, self.place = base / "in", base / "disk"
        self.state, self.log = self.place / "state", base / "log"
        for path in (self.folder, self.place):
            path.mkdir()
        self.mounted = os.geteuid() == 0 and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=160m", "week", str(self.place)], check=False
        ).returncode  # fmt: skip
        (base / "clock").write_bytes(bytes(8))
        self.clock = FastClock(base / "clock")
        self.process: subprocess.Popen[bytes] | None = None
        self.samples: list[Sample] = []
        self.blind_pings = 0
        self._db: sqlite3.Connection | None = None

    def configure(self, made: Path) -> None:
        content = load_settings([made / "config.yaml"]).model_dump(mode="json")
        beat = secret_file(self.base, "beat", f"http://127.0.0.1:{self.heart.port}/{TOKEN}")
        content |= {
            "frames": content["frames"] | {"folder": str(self.folder), "patterns": ["*.jpg"]},
            "state": {"ballast_mb": 4.0, "picture": "none"},
            "channels": [{"name": "phone", "url_from": secret_file(self.base, "url", self.phone.url)}],
            "heartbeat": {"url_from": beat, "every_min": 5.0},
        }
        validate(content, where="week")
        (self.base / "config.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")

    def start(self) -> None:
        command = [sys.executable, "-m", "tests.endurance.week", "--watch", str(self.base)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stderr=log)

    def end(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)
        status = self.process.wait(PATIENCE_S)
        assert status == (0 if number == signal.SIGTERM else -number), self.last_words()
        self._forget()

    def _forget(self) -> None:
        if self._db is not None:
            self._db.close()
        self._db = None

    def last_words(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")[-2000:]

    def count(self) -> int:
        """Return how many frames are in the journal."""
        try:
            if self._db is None:
                path = (self.state / "journal.sqlite").absolute().as_uri()
                self._db = sqlite3.connect(f"{path}?mode=ro", uri=True)
            row = self._db.execute("SELECT count(*) FROM event WHERE kind = 'frame'").fetchone()
            return int(row[0])
        except sqlite3.Error:
            self._forget()
            return 0

    def wait_for(self, frames: int, patience_s: float = PATIENCE_S) -> None:
        until_s = time.monotonic() + patience_s
        while self.count() < frames:
            assert self.process is not None
            assert self.process.poll() is None, self.last_words()
            if time.monotonic() >= until_s:
                raise Late(f"frame {frames} does not come\n{self.last_words()}")
            time.sleep(0.005)

    def act(self, what: str) -> None:
        fill = self.place / "fill"
        match what:
            case "restart":
                self.end(signal.SIGTERM)
                self.start()
            case "power-cut":
                self.end(signal.SIGKILL)
                self.start()
            case "phone-out":
                self.phone.mode = "500"
            case "phone-back":
                self.phone.mode = "fine"
            case "disk-full" if self.mounted:
                for size in (1 << 20, 4096, 512):
                    with fill.open("ab", buffering=0) as file, suppress(OSError):
                        while file.write(bytes(size)) == size:
                            pass
            case "disk-back":
                fill.unlink(missing_ok=True)

    def go(self, frames: list[tuple[str, datetime]], made: Path) -> None:
        acts, full = list(self.plan.acts), False
        marks = read_marks(made / "marks.jsonl") if (made / "marks.jsonl").exists() else []
        home = StateFolder(self.state)
        self.clock.set(self.plan.begin_utc)
        home.create()
        self.start()
        every = max(len(frames) // 20, 1)
        for number, (name, taken_utc) in enumerate(frames):
            now_utc = taken_utc + timedelta(seconds=3)
            while acts and acts[0][0] <= now_utc:
                what = acts.pop(0)[1]
                full = self.mounted and (what == "disk-full" or (full and what != "disk-back"))
                self.act(what)
            while marks and marks[0].time_utc <= now_utc and not full:
                leave_mark(home.marks, marks.pop(0))
            self.clock.set(now_utc)
            target = self.folder / name.replace("/", "-").lower()
            if number % 10 == 0:
                os.link(made / name, target.with_suffix(".part"))
                target.with_suffix(".part").rename(target)
            else:
                target.write_bytes((made / name).read_bytes())
            if full:
                # Some are written on what was held back; when nothing is any more, time goes on.
                with suppress(Late):
                    self.wait_for(number + 1, patience_s=5.0)
            else:
                self.wait_for(number + 1)
            if number % every == every - 1 and not full:
                self.sample(number + 1)
        self.clock.set(frames[-1][1] + timedelta(minutes=2))
        self.wait_for(len(frames))
        time.sleep(5)
        self.end(signal.SIGTERM)

    def sample(self, frame: int) -> None:
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="utf-8")
        held = dict(line.split(":", 1) for line in status.splitlines())
        now = Sample(
            frame=frame,
            memory_bytes=int(held["VmRSS"].split()[0]) * 1024,
            files=len(list(Path(f"/proc/{self.process.pid}/fd").iterdir())),
            threads=int(held["Threads"]),
            log_lines=len(self.log.read_bytes().splitlines()),
        )
        self.samples.append(now)
        print(
            f"frame {now.frame}: {now.memory_bytes / 2**20:.0f} MiB, {now.files} files,"
            f" {now.threads} threads, {now.log_lines} log lines",
            flush=True,
        )

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self.mounted:
            subprocess.run(["umount", "-l", str(self.place)], check=False)


def held_against_truth(run: Run, truth: Table) -> list[str]:
    """Return what is not as it should be."""
    wrong: list[str] = []
    with Journal.read(run.state / "journal.sqlite") as journal:
        events = list(journal.events())
        alerts, sent = list(journal.alerts()), list(deliveries(journal))
    frames: dict[str, MeasuredFrame] = {}
    for event, _ in events:
        if isinstance(event, MeasuredFrame):
            wrong += [f"{event.frame} twice"] if event.frame in frames else []
            frames[event.frame] = event
    off_px, unlike = [], 0
    for row in truth:
        frame = frames.pop(str(row["frame"]).replace("/", "-").lower(), None)
        if frame is None:
            wrong.append(f"{row['frame']} is not in the journal")
            continue
        if abs(utc_s(frame.time_utc) - utc_s(parse_utc(str(row["time_utc"])))) > 1.0:
            wrong.append(f"{frame.frame}: time {frame.time_utc} is not {row['time_utc']}")
        unlike += frame.disc.found != bool(row["found"])
        if frame.disc.found and row["found"]:
            off_px.append(np.hypot(frame.disc.x_px - row["x_px"], frame.disc.y_px - row["y_px"]))
    wrong += [f"{name} never was" for name in frames]
    if off_px and (np.percentile(off_px, 99) > 1.0 or np.median(off_px) > 0.2):
        wrong.append(f"centres are off by {np.median(off_px):.2f} px, 99 %: {np.percentile(off_px, 99):.2f}")
    if unlike > 0.02 * len(truth):
        wrong.append(f"a disc was found where there is none, or not where there is one: {unlike} times")
    wrong += files_wrong(run, len(truth))
    wrong += messages_wrong(run, alerts, sent)
    print(f"centres off by {np.median(off_px):.3f} px (median), {np.percentile(off_px, 99):.2f} px (99 %)")
    print(f"found unlike the truth: {unlike} of {len(truth)}")
    return wrong


def files_wrong(run: Run, frames: int) -> list[str]:
    wrong = []
    table = Table.read(run.state / "measurements.ecsv")
    if len(table) != frames:
        wrong.append(f"the table has {len(table)} rows, not {frames}")
    status = json.loads((run.state / "status.json").read_text(encoding="utf-8"))
    if status["frames"] != frames:
        wrong.append(f"the page counts {status['frames']} frames")
    return wrong


def messages_wrong(run: Run, alerts: list[Any], sent: list[DeliveryRecord]) -> list[str]:
    wrong: list[str] = []
    first = [alert for alert in alerts if alert.kind == "first"]
    for truth in run.plan.truths:
        told = [a for a in first if a.condition in truth.conditions and a.time_utc >= truth.onset_utc]
        if not told or told[0].time_utc > truth.onset_utc + truth.within:
            late = told[0].time_utc if told else "never"
            wrong.append(f"{truth.conditions} of {truth.onset_utc} was told at {late}")
    for alert in first:
        near = [t for t in run.plan.truths if t.onset_utc <= alert.time_utc <= t.until_utc]
        if alert.severity == "now" and not near:
            wrong.append(f"nobody was to be woken at {alert.time_utc}: {alert.title}")
    titles = [got.title for got in run.phone.got if got.answered]
    for one in sent:
        # A message may give way to a newer one that says the same, and to nothing else.
        later = [two for two in sent if two.alert.topics & one.alert.topics and two.state == "delivered"]
        if one.state != "delivered" and not (one.state == "dropped" and later):
            wrong.append(f"never arrived: {one.alert.title} ({one.state} {one.why})")
    # What arrives late says so between the camera's name and the rest.
    arrived = [one.alert.title.removeprefix("camera: ") for one in sent if one.state == "delivered"]
    wrong += [f"not with the phone: {title}" for title in arrived if not any(title in t for t in titles)]
    again = [got for got in run.phone.got if got.answered and "You may have had this before" in got.body]
    kinds = Counter((a.kind, str(a.severity)) for a in alerts)
    print(f"messages: {dict(kinds)}; arrived {len(titles)}, of them perhaps twice {len(again)}")
    return wrong


def resources_wrong(run: Run) -> list[str]:
    """Return what grew from the second to the last tenth."""
    wrong = []
    tenth = max(len(run.samples) // 10, 1)
    begin, end = run.samples[tenth : 2 * tenth] or run.samples[:1], run.samples[-tenth:]
    grown = max(s.memory_bytes for s in end) / max(s.memory_bytes for s in begin) - 1
    print(f"memory of the watch: {100 * grown:+.1f} % from the second to the last tenth")
    if max(s.files for s in end) > max(s.files for s in begin) + 6:
        wrong.append("more and more files are open")
    if max(s.threads for s in end) > max(s.threads for s in begin) + 3:
        wrong.append("more and more threads")
    return wrong + ([f"memory grew by {100 * grown:.1f} %"] if grown > 0.02 else [])


def run_week(base: Path, *, short: bool) -> list[str]:
    """Run it all; return what is wrong."""
    plan = week(short=short)
    made = base / "made"
    begin_s = time.monotonic()
    simulate(scenario_from(scenario(plan), where="week"), made)
    truth = Table.read(made / "truth.ecsv")
    frames = [(str(row["frame"]), parse_utc(str(row["time_utc"]))) for row in truth]
    print(f"{len(frames)} frames made in {time.monotonic() - begin_s:.0f} s")
    with http_receiver() as phone, http_receiver() as heart:
        run = Run(base, plan, phone, heart)
        try:
            run.configure(made)
            begin_s = time.monotonic()
            run.go(frames, made)
            print(f"watched in {time.monotonic() - begin_s:.0f} s; {heart.pings} heartbeats")
            return held_against_truth(run, truth) + ([] if short else resources_wrong(run))
        finally:
            run.close()


def watch(base: Path) -> None:
    """Be the watch, by the clock of the week."""
    import logging  # noqa: PLC0415

    from sentinel.service.watch.allocator import give_memory_back  # noqa: PLC0415
    from sentinel.service.watch.daemon import Watch  # noqa: PLC0415

    give_memory_back()
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(message)s")
    logging.getLogger("sentinel").setLevel(logging.INFO)
    settings = load_settings([base / "config.yaml"])
    Watch(settings, StateFolder(base / "disk" / "state"), FastClock(base / "clock"), stop).run()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--watch", type=Path)
    parser.add_argument("--keep", type=Path, help="where everything is left to be looked at")
    options = parser.parse_args()
    if options.watch:
        watch(options.watch)
        return 0
    base = options.keep or Path(tempfile.mkdtemp())
    base.mkdir(exist_ok=True)
    wrong = run_week(base, short=options.short)
    print("\n".join(wrong) or "all as it should be")
    return bool(wrong)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except RequestProblem as problem:
        sys.exit(str(problem))
