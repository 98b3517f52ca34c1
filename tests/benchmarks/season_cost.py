"""What a season costs to tune on: time and memory of a session must not grow with the number of sessions.

python tests/benchmarks/season_cost.py [--hours 4] [--sessions 4 16] [--foreseen] [--trials 20] [--kinds 2]

Sessions are invented: some kinds of them, each under many names, and no two alike to the last bit (the light
of each is a ten-thousandth stronger than that of the one before), so that nothing kept of one serves another.
They are tables, and forecasts are made for each; or they were replayed (`--foreseen`) and bring theirs along.
Printed are the processor time of a session and the highest memory of all processes together, in those of the
smallest season. A bar: 200 sessions, a million rows, and both flat.
"""

import argparse
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.intake.session import JOURNAL_NAME, TABLE_NAME
from sentinel.core.tables import read_measurements, write_measurements
from sentinel.jobs.simulate.session import config_text
from tests.judge import worlds

STRONGER = 1e-4
"""Of the light: by so much each session differs from the last one of its kind."""


def drawn(folder: Path, kinds: int, hours: float, *, foreseen: bool) -> list[Path]:
    """Write a session of each kind, of as many frames; return their folders."""
    found: list[Path] = []
    seed = 3000
    while len(found) < kinds:
        world = worlds.clouds(seed, hours)
        seed += 1
        if world.scenario.camera.interval_s != 60.0:
            continue
        night, out = folder / f"drawn-{seed}", folder / f"kind-{seed}"
        night.mkdir(parents=True)
        write_measurements(night / TABLE_NAME, world.frames)
        (night / "config.yaml").write_text(config_text(world.scenario))
        if foreseen:
            replay = [sys.executable, "-m", "sentinel", "replay", str(night / TABLE_NAME), "--out", str(out)]
            subprocess.run(replay, stdout=subprocess.DEVNULL, check=True)
            night = out
        found.append(night)
    return found


def made(folder: Path, kinds: Sequence[Path], sessions: int) -> int:
    """Write a season; return its rows."""
    rows = 0
    for number in range(sessions):
        kind, night = kinds[number % len(kinds)], folder / f"night-{number:03}"
        stronger = 1 + STRONGER * (number // len(kinds))
        if (kind / JOURNAL_NAME).is_file():
            night.mkdir(parents=True)
            shutil.copy(kind / JOURNAL_NAME, night)
            rows += _brightened(night / JOURNAL_NAME, stronger)
        else:
            shutil.copytree(kind, night)
            frames = [
                replace(frame, disc=replace(frame.disc, brightness=frame.disc.brightness * stronger))
                for frame in read_measurements(night / TABLE_NAME)
            ]
            write_measurements(night / TABLE_NAME, frames)
            rows += len(frames)
    return rows


def _brightened(journal: Path, stronger: float) -> int:
    with closing(sqlite3.connect(journal)) as db, db:
        rows = db.execute("SELECT seq, body FROM event WHERE kind = 'frame'").fetchall()
        told = ((_LIGHT.sub(lambda found: f"{float(found[0]) * stronger}", body), seq) for seq, body in rows)
        db.executemany("UPDATE event SET body = ? WHERE seq = ?", told)
    return len(rows)


_LIGHT = re.compile(r'(?<="brightness":)[0-9.e-]+')


def spent(season: Path, out: Path, trials: int) -> tuple[float, float]:
    """Return processor time and highest memory, in MiB, of tuning on a season, all its processes together."""
    command = [sys.executable, "-m", "sentinel", "tune", season, "--out", out, "--trials", f"{trials}"]
    running = subprocess.Popen([str(part) for part in command], stdout=subprocess.DEVNULL)
    highest, used_s = 0.0, dict[int, float]()
    while running.poll() is None:
        memory_mib, used = _tree(running.pid)
        highest, used_s = max(highest, memory_mib), used_s | used
        time.sleep(0.2)
    if running.returncode:
        raise SystemExit(running.returncode)
    # Workers are no children of the program's own: what a parent is told of them is nothing.
    return sum(used_s.values()), highest


def _tree(root: int) -> tuple[float, dict[int, float]]:
    """Return the memory that a process and all below it hold for themselves, and the time each has used."""
    parents, used_s = dict[int, list[int]](), dict[int, float]()
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        process = int(status.parent.name)
        parents.setdefault(int(fields[1]), []).append(process)
        used_s[process] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    total, left, own = 0, [root], dict[int, float]()
    while left:
        process = left.pop()
        left += parents.get(process, [])
        own[process] = used_s.get(process, 0.0)
        try:
            text = Path(f"/proc/{process}/smaps_rollup").read_text()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
    return total / 1024, own


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--sessions", type=int, nargs="+", default=[4, 16])
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--kinds", type=int, default=2)
    parser.add_argument("--foreseen", action="store_true")
    asked = parser.parse_args()
    first: tuple[float, float] | None = None
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with tempfile.TemporaryDirectory() as home:
        kinds = drawn(Path(home), asked.kinds, asked.hours, foreseen=asked.foreseen)
        for sessions in asked.sessions:
            with tempfile.TemporaryDirectory() as folder:
                rows = made(Path(folder, "season"), kinds, sessions)
                began = time.monotonic()
                cost_s, memory_mib = spent(Path(folder, "season"), Path(folder, "tuned"), asked.trials)
                took_s = time.monotonic() - began
            first = first or (cost_s / sessions, memory_mib)
            print(
                f"{sessions} sessions of {asked.hours:g} h, {rows} rows: a session "
                f"{cost_s / sessions / first[0]:.2f} ({cost_s / sessions:.2f} s of processor time), "
                f"memory {memory_mib / first[1]:.2f} ({memory_mib:.0f} MiB), in all {took_s:.0f} s",
                flush=True,
            )


if __name__ == "__main__":
    main()
