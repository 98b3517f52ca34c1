"""What a season costs to tune on: time and memory of a session must not grow with the number of sessions.

python tests/benchmarks/season_cost.py [--hours 4] [--sessions 4 16] [--foreseen] [--trials 20]

Sessions are invented tables, and forecasts are made for each; or they were replayed (`--foreseen`) and bring
theirs along. Printed are the processor time of a session and the highest memory of all processes together, in
those of the smallest season. A bar: 200 sessions, a million rows, and both flat.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.core.tables import write_measurements
from sentinel.jobs.simulate.session import config_text
from tests.judge import worlds


def made(folder: Path, sessions: int, hours: float, *, foreseen: bool) -> int:
    """Write a season: one session under many names, as none is to cost more than another; return its rows."""
    world = worlds.clouds(3000, hours)
    first = folder / "night-000"
    first.mkdir(parents=True)
    write_measurements(first / "measurements.ecsv", world.frames)
    (first / "config.yaml").write_text(config_text(world.scenario))
    if foreseen:
        replay = [sys.executable, "-m", "sentinel", "replay", str(first / "measurements.ecsv")]
        subprocess.run([*replay, "--out", str(folder / "out")], stdout=subprocess.DEVNULL, check=True)
        shutil.rmtree(first)
        (folder / "out").rename(first)
    for number in range(1, sessions):
        shutil.copytree(first, folder / f"night-{number:03}")
    return sessions * len(world.frames)


def spent(season: Path, out: Path, trials: int) -> tuple[float, float]:
    """Return processor time and highest memory, in MiB, of tuning on a season."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "sentinel", "tune", season, "--out", out, "--trials", f"{trials}"]
    running = subprocess.Popen([str(part) for part in command], stdout=subprocess.DEVNULL)
    highest = 0.0
    while running.poll() is None:
        highest = max(highest, _tree_mib(running.pid))
        time.sleep(0.2)
    if running.returncode:
        raise SystemExit(running.returncode)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, highest


def _tree_mib(root: int) -> float:
    """Return the memory that a process and all below it hold for themselves."""
    parents: dict[int, list[int]] = {}
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        parents.setdefault(int(fields[1]), []).append(int(status.parent.name))
    total, left = 0, [root]
    while left:
        process = left.pop()
        left += parents.get(process, [])
        try:
            text = Path(f"/proc/{process}/smaps_rollup").read_text()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
    return total / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--sessions", type=int, nargs="+", default=[4, 16])
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--foreseen", action="store_true")
    asked = parser.parse_args()
    first: tuple[float, float] | None = None
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    for sessions in asked.sessions:
        with tempfile.TemporaryDirectory() as folder:
            rows = made(Path(folder, "season"), sessions, asked.hours, foreseen=asked.foreseen)
            cost_s, memory_mib = spent(Path(folder, "season"), Path(folder, "tuned"), asked.trials)
        first = first or (cost_s / sessions, memory_mib)
        print(
            f"{sessions} sessions of {asked.hours:g} h, {rows} rows: a session "
            f"{cost_s / sessions / first[0]:.2f} ({cost_s / sessions:.1f} s of processor time), "
            f"memory {memory_mib / first[1]:.2f} ({memory_mib:.0f} MiB)",
            flush=True,
        )


if __name__ == "__main__":
    main()
