"""What a frame costs: reading, decoding and measuring against simplejpeg's grey decode of the same bytes.

Run as ``python tests/benchmarks/measure_cost.py [--quick]``; pinned to one core. Prints medians and ratios,
of a frame of which nothing is known beforehand and of one whose session has told of its discs,
the peak memory of a process that measures one frame, and the gain of two cores over one on a folder.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np
import simplejpeg
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from sentinel.chain.intake.disc_prior import DiscPrior  # noqa: E402
from sentinel.chain.intake.examine import MeasureJob, examine  # noqa: E402
from sentinel.chain.intake.pool import MeasuringPool, measure_job, measuring_failed  # noqa: E402
from sentinel.chain.intake.session_discs import ENOUGH, SessionDiscs  # noqa: E402
from sentinel.core.clock import SystemClock  # noqa: E402 - after the path
from sentinel.core.records import MeasuredFrame  # noqa: E402
from tests.measure.scenes import Scene, develop, render_linear  # noqa: E402

KINDS = {
    "clear, 2 MB": Scene(width=6000, height=4000, x=2810.3, y=2107.7, noise=0.012, quality=None),
    "clear, 5 MB": Scene(width=6000, height=4000, x=3210.3, y=1907.7, noise=0.03, quality=None, sky=0.02),
    "clear, 10 MB": Scene(width=6000, height=4000, x=3210.3, y=1907.7, noise=0.06, quality=None, sky=0.05),
    "cut by the edge": Scene(width=6000, height=4000, x=5900.0, y=1907.7, noise=0.012, quality=None),
    "ridge": Scene(width=6000, height=4000, x=2810.3, y=2107.7, noise=0.012, ridge=0.1, quality=None),
    "no sun": Scene(width=6000, height=4000, level=0.0, noise=0.012, quality=None),
    "glow only": Scene(width=6000, height=4000, level=6.0, blur=60.0, noise=0.012, quality=None),
}


def write(folder: Path) -> dict[str, Path]:
    """Render the frames."""
    paths: dict[str, Path] = {}
    for name, scene in KINDS.items():
        grey = develop(scene, render_linear(scene))
        paths[name] = folder / f"{len(paths)}.jpg"
        Image.fromarray(np.repeat(grey[:, :, None], 3, axis=2)).save(paths[name], "JPEG", quality=92)
    return paths


def compare(one: Callable[[], object], other: Callable[[], object], count: int) -> tuple[float, float]:
    """Median seconds of two things done by turns, so that a busy machine is busy for both."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(count):
        for thing, taken in zip((one, other), times, strict=True):
            start = time.process_time()
            thing()
            taken.append(time.process_time() - start)
    return median(times[0]), median(times[1])


def told_by(frame: MeasuredFrame) -> DiscPrior:
    """What a session of such frames has told of the next one."""
    discs = SessionDiscs(2.0)
    for _ in range(ENOUGH):
        discs.learn(frame)
    return discs.prior


def peak_mb(path: Path) -> float:
    """Peak resident memory of a fresh process that examines one file."""
    code = (
        "import sys; from pathlib import Path; from sentinel.chain.intake.examine import MeasureJob, examine;"
        "examine(MeasureJob(Path(sys.argv[1]), 'x'));"
        "print(next(l.split()[1] for l in open('/proc/self/status') if l.startswith('VmHWM')))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return float(run.stdout) / 1024


def folder_seconds(jobs: list[MeasureJob], cores: int) -> float:
    """Wall time of a folder on so many processes, their start not counted."""
    with MeasuringPool(SystemClock(), measure_job, measuring_failed, count=cores) as pool:
        list(pool.results(jobs[: 2 * cores]))
        start = time.perf_counter()
        list(pool.results(jobs))
        return time.perf_counter() - start


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    count = 5 if parser.parse_args().quick else 25
    every = os.sched_getaffinity(0)
    with tempfile.TemporaryDirectory() as folder:
        paths = write(Path(folder))
        os.sched_setaffinity(0, {min(every)})
        for name, path in paths.items():
            content = path.read_bytes()
            first = examine(MeasureJob(path, "x"))
            plain, whole = compare(
                partial(simplejpeg.decode_jpeg, content, colorspace="GRAY"),
                partial(examine, MeasureJob(path, "x")),
                count,
            )
            again, informed = compare(
                partial(simplejpeg.decode_jpeg, content, colorspace="GRAY"),
                partial(examine, MeasureJob(path, "x", prior=told_by(first))),
                count,
            )
            print(
                f"{name:16s} {len(content) / 1e6:5.1f} MB  decode {plain * 1e3:6.1f} ms  "
                f"alone {whole * 1e3:6.1f} ms = {whole / plain:.2f}  "
                f"in a session {informed * 1e3:6.1f} ms = {informed / again:.2f}  found {first.disc.found}"
            )
        os.sched_setaffinity(0, every)
        print(f"peak memory of one process: {max(peak_mb(path) for path in paths.values()):.0f} MiB")
        jobs = [MeasureJob(path, path.name) for path in list(paths.values())[:4]] * (2 if count == 5 else 10)
        one, two = folder_seconds(jobs, 1), folder_seconds(jobs, 2)
        print(f"a folder of {len(jobs)}: one core {one:.2f} s, two cores {two:.2f} s, gain {one / two:.2f}")
        print(f"peak of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
