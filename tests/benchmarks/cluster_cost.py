"""Measuring on a cluster of two workers on this machine, beside two own processes.

python tests/benchmarks/cluster_cost.py [--frames 40] [--send]
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.pool import measure_all
from sentinel.chain.intake.workers import OnCluster
from sentinel.core.tables import exact_row
from tests.intake.test_cluster import Scheduler

ROUNDS = 3
"""Each way in turn, so that both meet the same load; the best of each counts."""


def drawn(folder: Path, frames: int) -> list[MeasureJob]:
    """Draw a 24-megapixel sun in a few places, each file on its own."""
    y, x = np.mgrid[0:4000, 0:6000].astype(np.float32)
    noise = np.random.default_rng(1).normal(0, 2, y.shape).astype(np.float32)
    jobs: list[MeasureJob] = []
    for number in range(frames):
        path = folder / f"{number:03}.jpg"
        if number < 4:
            edge = np.clip((np.hypot(x - 2500 - 300 * number, y - 2000) - 470) / 1.5, -30, 30)
            grey = np.clip(200 / (1 + np.exp(edge)) + 5 + noise, 0, 255).astype(np.uint8)
            Image.fromarray(np.dstack([grey] * 3)).save(path, quality=92)
        else:
            path.write_bytes((folder / f"{number % 4:03}.jpg").read_bytes())
        jobs.append(MeasureJob(path, path.name))
    return jobs


def taken(jobs: list[MeasureJob], on: OnCluster | None) -> tuple[float, list[str]]:
    """Return how long it took from the first frame to the last, and what was measured."""
    began, rows = 0.0, list[str]()
    for frame in measure_all(jobs, on=on):
        # Starting processes and connecting are no part of the rate.
        began = began or time.perf_counter()
        rows.append(exact_row(frame))
    return time.perf_counter() - began, rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--send", action="store_true", help="the pictures are sent along")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        jobs = drawn(Path(folder), asked.frames)
        scheduler = Scheduler(Path(folder))
        try:
            for _ in range(2):
                scheduler.worker()
            scheduler.wait_for(2)
            ways = {"own": None, "cluster": OnCluster(scheduler.address, asked.send)}
            times: dict[str, list[float]] = {name: [] for name in ways}
            rows: dict[str, list[str]] = {}
            for _ in range(ROUNDS):
                for name, on in ways.items():
                    time_s, rows[name] = taken(jobs, on)
                    times[name].append(time_s)
        finally:
            scheduler.close()
    own_s, cluster_s = min(times["own"]), min(times["cluster"])
    print(
        f"{asked.frames} frames of 24 megapixels: the cluster at {own_s / cluster_s:.2f} of the rate of own "
        f"processes (bound: 0.85); the same numbers to the last bit: {rows['own'] == rows['cluster']}\n"
        f"rounds, in the best of own processes: "
        + ", ".join(f"{name} {[round(t / own_s, 2) for t in found]}" for name, found in times.items())
    )


if __name__ == "__main__":
    main()
