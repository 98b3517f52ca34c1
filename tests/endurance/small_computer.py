"""A watch on a small computer: one core, 512 MiB for all its processes, 24 megapixels every ten seconds.

    python -m tests.endurance.small_computer [--minutes 20]

It must keep up, and from the second to the last tenth memory must not grow by more than 2 %, nor open files,
threads and log lines at all. The memory is bounded by a control group where one can be had (as root), which
ends what takes more; else it is only measured.
"""

import argparse
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from statistics import median

from tests.benchmarks.watch_cost import MIB, Started, frame_bytes, pss_bytes

EVERY_S = 10.0
LIMIT_BYTES = 512 * MIB
SIZE = (6000, 4000)
TEMPLATES = 3
GROUPS = (
    (Path("/sys/fs/cgroup/memory/sentinel-small"), "memory.limit_in_bytes"),
    (Path("/sys/fs/cgroup/sentinel-small"), "memory.max"),
)


@dataclass
class Sample:
    """What the watch holds, and how long its last frame took to be judged and shown."""

    memory_bytes: int
    files: int
    threads: int
    log_lines: int
    took_s: float


def bounded() -> list[str]:
    """Return what a command is started through, to be bounded like a small computer."""
    for group, limit in GROUPS:
        with suppress(OSError):
            group.mkdir(exist_ok=True)
            (group / limit).write_text(str(LIMIT_BYTES))
            print(f"memory bounded by {group}")
            into = f'echo $$ > {group}/cgroup.procs; exec "$@"'
            return ["taskset", "-c", "0", "sh", "-c", into, "sh"]
    print("memory is measured and not bounded: no control group can be had")
    return ["taskset", "-c", "0"]


def sample(watch: Started, log: Path, took_s: float) -> Sample:
    """Look at the watch."""
    process = Path(f"/proc/{watch.process.pid}")
    status = dict(line.split(":", 1) for line in (process / "status").read_text().splitlines())
    return Sample(
        memory_bytes=pss_bytes(watch.process.pid),
        files=len(list((process / "fd").iterdir())),
        threads=int(status["Threads"]),
        log_lines=len(log.read_bytes().splitlines()),
        took_s=took_s,
    )


def run(minutes: float) -> list[Sample]:
    """Give it a frame every ten seconds; return a sample a frame."""
    samples: list[Sample] = []
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        watch = Started(base, through=bounded())
        stamp = watch.start.strftime("%Y:%m:%d %H:%M:%S").encode()
        # Only their times differ: making each anew would take longer than measuring it.
        templates = [frame_bytes(SIZE, watch.start, seed) for seed in range(TEMPLATES)]
        begin_s = time.monotonic()
        for number in range(round(minutes * 60 / EVERY_S)):
            time.sleep(max(begin_s + number * EVERY_S - time.monotonic(), 0.0))
            taken = watch.start + timedelta(seconds=number * EVERY_S)
            new = taken.strftime("%Y:%m:%d %H:%M:%S").encode()
            put_s = time.monotonic()
            watch.put(f"{number:05d}.jpg", templates[number % TEMPLATES].replace(stamp, new))
            watch.wait_for(number + 1, timeout_s=120)
            samples.append(sample(watch, base / "log", time.monotonic() - put_s))
        watch.stop()
    return samples


def wrong(samples: list[Sample]) -> list[str]:
    """Return what is not as it should be, and print what is."""
    tenth = max(len(samples) // 10, 1)
    begin, end = samples[tenth : 2 * tenth], samples[-tenth:]
    took = sorted(one.took_s for one in samples)
    grown = median(s.memory_bytes for s in end) / median(s.memory_bytes for s in begin) - 1
    print(f"{len(samples)} frames; shown after {median(took):.1f} s (median), {took[-1]:.1f} s (worst)")
    print(
        f"memory of all processes {max(s.memory_bytes for s in samples) / MIB:.0f} MiB at most,"
        f" {100 * grown:+.1f} % from the second to the last tenth"
    )
    print(f"files {begin[-1].files} -> {end[-1].files}, threads {begin[-1].threads} -> {end[-1].threads}")
    print(f"log lines {begin[-1].log_lines} -> {end[-1].log_lines}")
    found = [f"frames took longer than {EVERY_S:g} s"] if took[-1] > EVERY_S else []
    found += [f"memory grew by {100 * grown:.1f} %"] if grown > 0.02 else []
    for what in ("files", "threads", "log_lines"):
        if max(getattr(s, what) for s in end) > max(getattr(s, what) for s in begin):
            found.append(f"more {what}")
    return found


def main() -> int:
    """Run it; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    found = wrong(run(parser.parse_args().minutes))
    print("\n".join(found) or "all as it should be")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
