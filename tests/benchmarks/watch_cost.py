"""What a watch costs, and how soon it speaks: time to ready, idle CPU, latency, memory and its slope.

    python tests/benchmarks/watch_cost.py [--quick] [latency] [idle] [slope] [beside]

Everything is the real program in processes of its own, on files on the local disk. Bounds to hold: ready
within 4 s; idle at most 1 % of one core; from closing a 24-megapixel file to the message handed over at most
1 s (median); memory of all processes together (proportional set size) at most 320 MiB, grown by at most 2 %
over 10,000 small frames; three watches side by side at most 2.2 times one.
"""

import argparse
import io
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import numpy as np
import yaml
from PIL import Image

TICKS = os.sysconf("SC_CLK_TCK")
MIB = 1 << 20
PAGE = os.sysconf("SC_PAGE_SIZE")
EVERY_S, ROUNDS = 10.0, 6
RESTED_S = 6.0
"""Longer than a watch waits between two looks at its folder."""


def frame_bytes(size: tuple[int, int], taken: datetime, seed: int, *, filter_off: bool = False) -> bytes:
    """Return a JPEG of a sun with a little noise, exposed at a time; its disc is 0.236 of the height wide."""
    y, x = np.ogrid[: size[1], : size[0]]
    radius = 0.118 * size[1]
    inside = np.clip(radius - np.hypot(x - size[0] / 2 - seed % 5, y - size[1] / 2) + 0.5, 0, 1)
    noise = np.random.default_rng(seed).normal(0, 1.5, (size[1] // 4, size[0] // 4)).repeat(4, 0).repeat(4, 1)
    level = np.full(inside.shape, 255.0) if filter_off else 4 + 150 * inside
    level[: noise.shape[0], : noise.shape[1]] += noise
    exif = Image.Exif()
    details = exif.get_ifd(0x8769)
    details[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    details[0x829A] = 0.002
    sink = io.BytesIO()
    Image.fromarray(np.clip(level, 0, 255).astype(np.uint8)).convert("RGB").save(
        sink, "JPEG", quality=92, exif=exif
    )
    return sink.getvalue()


def family(pid: int) -> list[int]:
    """Return a process and all that it started."""
    found, todo = [], [pid]
    while todo:
        one = todo.pop()
        found.append(one)
        for task in Path(f"/proc/{one}/task").glob("*/children"):
            try:
                todo += [int(child) for child in task.read_text().split()]
            except OSError:
                continue
    return found


def pss_bytes(pid: int) -> int:
    """Return the proportional set size of a process and all that it started, what is swapped out included."""
    total = 0
    for one in family(pid):
        try:
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        total += sum(int(line.split()[1]) * 1024 for line in lines if line.startswith(("Pss:", "SwapPss:")))
    return total


def cpu_s(pid: int) -> float:
    """Return the processor time a process and all that it started have taken."""
    total = 0
    for one in family(pid):
        try:
            fields = Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        total += int(fields[11]) + int(fields[12])
    return total / TICKS


class Peak:
    """Follows the memory of a family of processes."""

    def __init__(self, pid: int) -> None:
        self.bytes = 0
        self._pid, self._stop = pid, threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.03):
            self.bytes = max(self.bytes, pss_bytes(self._pid))

    def end(self) -> int:
        self._stop.set()
        self._thread.join()
        return self.bytes


class Started:
    """A watch in a process of its own."""

    def __init__(
        self,
        home: Path,
        *,
        latitude_deg: float = 5.0,
        pixel_pitch_um: float = 3.92,
        through: Sequence[str] = (),
    ) -> None:
        self.folder, self.state, self.sent = home / "in", home / "state", home / "sent"
        self.folder.mkdir(parents=True)
        now = datetime.now(UTC)
        content = {
            "site": {"latitude_deg": latitude_deg, "longitude_deg": (12 - now.hour - now.minute / 60) * 15},
            "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": pixel_pitch_um, "interval_s": 60.0},
            "frames": {"folder": str(self.folder)},
            "channels": [
                {"name": "clock", "command": ["/bin/sh", "-c", 'date +%s.%N >> "$0"', str(self.sent)]}
            ],
        }
        (home / "config.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind(str(home / "notify"))
            manager.settimeout(60)
            began_s = time.monotonic()
            self.process = subprocess.Popen(
                [
                    *through,
                    sys.executable,
                    "-m",
                    "sentinel",
                    "watch",
                    "--config",
                    str(home / "config.yaml"),
                    "--state",
                    str(self.state),
                ],
                env=os.environ | {"NOTIFY_SOCKET": str(home / "notify")},
                stderr=(home / "log").open("wb"),
            )
            while not manager.recv(4096).startswith(b"READY=1"):
                pass
            self.ready_s = time.monotonic() - began_s
        self.start = datetime.now(UTC).replace(microsecond=0)

    def wait_for(self, frames: int, timeout_s: float = 3600.0) -> None:
        """Wait until so many frames are judged and shown."""
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            try:
                if f'"frames": {frames},' in (self.state / "status.json").read_text(encoding="utf-8"):
                    return
            except OSError:
                pass
            time.sleep(0.05)
        raise SystemExit(f"no {frames} frames within {timeout_s:g} s")

    def put(self, name: str, content: bytes) -> float:
        """Write a file in place; return when it was closed."""
        with (self.folder / name).open("wb") as file:
            file.write(content)
        return time.time()

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(60)


def latency(rounds: int) -> None:
    """Print how long it takes from closing a file without filter to the message, and the memory meanwhile."""
    waits, readies, peaks = [], [], []
    size = (6000, 4000)
    for number in range(rounds):
        with tempfile.TemporaryDirectory() as home:
            watch = Started(Path(home))
            readies.append(watch.ready_s)
            peak = Peak(watch.process.pid)
            for n in range(3):
                watch.put(
                    f"{n}.jpg", frame_bytes(size, watch.start + timedelta(minutes=n - 3), 3 * number + n)
                )
                watch.wait_for(n + 1)
            content = frame_bytes(size, watch.start, number, filter_off=True)
            closed_s = watch.put("3.jpg", content)
            until = time.monotonic() + 30
            while not watch.sent.exists() and time.monotonic() < until:
                time.sleep(0.01)
            time.sleep(0.2)
            told_s = float(watch.sent.read_text().split()[0]) if watch.sent.exists() else float("nan")
            waits.append(told_s - closed_s)
            peaks.append(peak.end())
            watch.stop()
    print(f"ready after start {median(readies):10.2f} s    median of {rounds} (bound 4 s)")
    print(f"24 MP to message {median(waits):11.2f} s    median, worst {max(waits):.2f} s (bound 1 s)")
    print(f"memory, measuring 24 MP {max(peaks) / MIB:4.0f} MiB  highest, all processes (bound 320 MiB)")


def idle(span_s: float) -> None:
    """Print the processor time of a watch over a folder of 2,000 frames in which nothing happens."""
    with tempfile.TemporaryDirectory() as home:
        watch = Started(Path(home))
        small = [frame_bytes((120, 80), watch.start + timedelta(minutes=n - 50), n) for n in range(50)]
        for n, content in enumerate(small):
            watch.put(f"{n}.jpg", content)
        watch.wait_for(50)
        for n in range(2000):
            watch.put(f"copy-{n}.jpg", small[n % 50])
        time.sleep(20)
        began_s, began = time.monotonic(), cpu_s(watch.process.pid)
        time.sleep(span_s)
        share = (cpu_s(watch.process.pid) - began) / (time.monotonic() - began_s)
        print(f"idle CPU {100 * share:19.2f} %    over {span_s:g} s, 2,050 files in the folder (bound 1 %)")
        print(f"memory at rest {pss_bytes(watch.process.pid) / MIB:13.0f} MiB")
        watch.stop()


def pages_bytes(pids: Sequence[int]) -> int:
    """Return the memory that processes take together, each page once, whoever else maps it.

    What other programs share with them would be taken off a proportional set size, and off one watch more
    than off three. Only root is told which pages are the same.
    """
    found = []
    for pid in pids:
        with Path(f"/proc/{pid}/pagemap").open("rb") as table:
            for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
                begin, end = (int(part, 16) for part in line.split()[0].split("-"))
                if begin >= 1 << 47:
                    continue  # the kernel's own page
                table.seek(begin // PAGE * 8)
                entries = np.frombuffer(table.read((end - begin) // PAGE * 8), np.uint64)
                present = entries[(entries >> np.uint64(63)) == 1]
                found.append(present & np.uint64((1 << 55) - 1))
    return len(np.unique(np.concatenate(found))) * PAGE


def all_pages_bytes(watches: Sequence[Started]) -> int:
    """Return the memory that watches take together; a process that ends meanwhile is left out."""
    pids = [pid for one in watches for pid in family(one.process.pid)]
    while True:
        try:
            return pages_bytes(pids)
        except OSError:
            pids = [pid for pid in pids if Path(f"/proc/{pid}/maps").exists()]


def beside(most: int) -> None:
    """Print what watches side by side take, each for its own camera, against one alone.

    At rest, and the highest of what is found while each gets a picture every `EVERY_S`.
    """
    watches: list[Started] = []
    at_rest: list[int] = []
    at_work: list[int] = []
    with tempfile.TemporaryDirectory() as home:
        os.environ["RUNTIME_DIRECTORY"] = str(Path(home) / "run")
        pictures = [frame_bytes((6000, 4000), datetime.now(UTC), n) for n in range(4)]
        for number in range(most):
            watches.append(Started(Path(home) / str(number)))
            for n in range(3):
                watches[-1].put(f"{n}.jpg", pictures[n])
                watches[-1].wait_for(n + 1)
            time.sleep(RESTED_S)
            at_rest.append(all_pages_bytes(watches))
            at_work.append(max(_while_pictures_come(watches, pictures)))
            print(
                f"memory, {number + 1} side by side: at rest {at_rest[-1] / MIB:4.0f} MiB, "
                f"{at_rest[-1] / at_rest[0]:.2f} times one; at work {at_work[-1] / MIB:4.0f} MiB, "
                f"{at_work[-1] / at_work[0]:.2f} times one"
            )
            time.sleep(RESTED_S)
        for watch in watches:
            watch.stop()
    print(
        f"   (bound 2.2 for three; each more takes {(at_rest[-1] - at_rest[0]) / (most - 1) / MIB:.0f} MiB)"
    )


def _while_pictures_come(watches: Sequence[Started], pictures: Sequence[bytes]) -> Iterator[int]:
    """Yield what all watches take, again and again, while each gets picture after picture at once."""
    for round_ in range(ROUNDS):
        until_s = time.monotonic() + EVERY_S
        for watch in watches:
            watch.put(f"{time.monotonic_ns()}.jpg", pictures[round_ % len(pictures)] + os.urandom(8))
        while time.monotonic() < until_s:
            yield all_pages_bytes(watches)


SMALL = (180, 120)
MARKS = (250, 1000, 2500, 5000, 7500, 10_000)


def slope(count: int) -> None:
    """Print how the memory grows over a week of small frames of a sun that never sets."""
    south = datetime.now(UTC).month in (10, 11, 12, 1, 2, 3)
    # So that the disc is as large as the settings say.
    pitch_um = 400.0 * 960.0 / (0.118 * SMALL[1] * 206.265)
    with tempfile.TemporaryDirectory() as home:
        watch = Started(Path(home), latitude_deg=-80.0 if south else 80.0, pixel_pitch_um=pitch_um)
        samples: list[int] = []
        began_s = time.monotonic()
        start = watch.start - timedelta(minutes=count)
        for n in range(count):
            watch.put(f"{n:06d}.jpg", frame_bytes(SMALL, start + timedelta(minutes=n), n))
            if n % 20 == 19:
                watch.wait_for(n + 1)
            if n % (count // 50) == count // 50 - 1:
                samples.append(pss_bytes(watch.process.pid))
            if n + 1 in MARKS:
                print(f"   after {n + 1:6,} frames {pss_bytes(watch.process.pid) / MIB:8.1f} MiB")
        took_s = time.monotonic() - began_s
        watch.stop()
    early, late = median(samples[5:15]), median(samples[-10:])
    print(
        f"memory, {count:,} frames {late / MIB:8.0f} MiB  {100 * (late / early - 1):+.2f} % from the"
        f" second tenth to the last fifth (bound 2 %); {1000 * took_s / count:.0f} ms a frame"
    )


def main() -> None:
    """Run all of them, or those asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", default=["latency", "idle", "slope", "beside"])
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    quick = asked.quick
    sys.stdout = io.TextIOWrapper(sys.stdout.buffer, line_buffering=True)
    runs = {
        "latency": lambda: latency(3 if quick else 9),
        "idle": lambda: idle(30 if quick else 120),
        "slope": lambda: slope(1000 if quick else 10_000),
        "beside": lambda: beside(3),
    }
    for what in asked.what:
        runs[what]()


if __name__ == "__main__":
    main()
