"""Runs a watch again and again while frames arrive, and kills it at random moments: a program of its own.

    python -m tests.watch.killing FOLDER STATE SENT KILLS SEED

It forks from a process that has everything loaded, so that a hundred lives take a minute. Measuring is
replaced by reading a number off the frame's name, in the watch's own process.
"""

import io
import os
import random
import signal
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event as Flag

import numpy as np
from PIL import Image

from sentinel.chain.intake.examine import MeasureJob
from sentinel.core.clock import SystemClock
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Settings, validate
from sentinel.service.journal.journal import Journal
from sentinel.service.watch import daemon
from sentinel.service.watch.daemon import Watch
from sentinel.service.watch.state_folder import StateFolder

INTERVAL_S = 0.1
NO_FILTER = range(120, 140)
"""Frames on which the filter is off: an alarm that must not get lost."""


def made_settings(folder: Path, sent: Path, start_utc: datetime) -> Settings:
    """Return settings for a place where the sun is high when the test runs."""
    noon_deg = (12 - start_utc.hour - start_utc.minute / 60) * 15
    return validate(
        {
            "site": {"latitude_deg": 5.0, "longitude_deg": noon_deg},
            "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 90.0, "interval_s": 0.2},
            "frames": {"folder": str(folder)},
            "intake": {"rescan_s": 1.0},
            "state": {"ballast_mb": 0.0, "picture": "none"},
            "channels": [
                {"name": "file", "command": ["/bin/sh", "-c", 'cat >> "$0"; echo >> "$0"', str(sent)]}
            ],
        },
        where="test",
    )


def frame_of(job: MeasureJob, start_utc: datetime) -> MeasuredFrame:
    """Return what is measured on a frame of that number."""
    number = int(job.path.stem)
    off = number in NO_FILTER
    disc = Disc(
        found=True,
        x_px=150 + 0.01 * number,
        y_px=100.0,
        radius_px=20.6,
        centre_sigma_px=0.05,
        limb_in_frame=1.0,
        limb_coverage=1.0,
        edge_width_px=2.0,
        brightness=1.0 if off else 0.3,
        saturated_fraction=0.9 if off else 0.0,
    )
    return MeasuredFrame(
        frame=job.frame,
        time_utc=start_utc + timedelta(seconds=INTERVAL_S * number),
        width_px=300,
        height_px=200,
        disc=disc,
        exposure_s=0.001,
    )


class InPlace:
    """Stands in for the measuring processes."""

    def __init__(self, start_utc: datetime) -> None:
        self._start_utc = start_utc

    def results(self, jobs: Iterable[MeasureJob]) -> Iterator[MeasuredFrame]:
        for job in jobs:
            time.sleep(0.002)
            yield frame_of(job, self._start_utc)

    def rest(self) -> None:
        pass

    def close(self) -> None:
        pass


class QuickWatch(Watch):
    """A watch that measures in place."""

    start_utc: datetime

    def _make_pool(self) -> InPlace:  # type: ignore[override]
        return InPlace(self.start_utc)


def produce(folder: Path, count: int, done: Flag) -> None:
    """Write numbered frames in all the ways cameras and servers do."""
    chance = random.Random(5)
    for number in range(count):
        sink = io.BytesIO()
        Image.fromarray(np.full((20, 30), number % 200, np.uint8)).save(
            sink, "JPEG", comment=str(number).encode()
        )
        path = folder / f"{number:05d}.jpg"
        if number % 3 == 0:
            path.write_bytes(sink.getvalue())
        elif number % 3 == 1:
            part = folder / f"{number:05d}.part"
            part.write_bytes(sink.getvalue())
            part.rename(path)
        else:
            with path.open("wb") as file:
                file.write(sink.getvalue()[:100])
                file.flush()
                time.sleep(0.005)
                file.write(sink.getvalue()[100:])
        time.sleep(chance.expovariate(1 / INTERVAL_S))
    done.set()


def live_until_killed(settings: Settings, state: Path, start_utc: datetime, life_s: float) -> None:
    """Fork a watch, let it live so long, kill it."""
    child = os.fork()
    if child == 0:
        try:
            watch = QuickWatch(settings, StateFolder(state), SystemClock(), Flag())
            watch.start_utc = start_utc
            watch.run()
        finally:
            os._exit(1)
    time.sleep(life_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def stop_when_done(state: Path, count: int, stop: Flag) -> None:
    """Stop a watch when it has all frames, and had time for its messages."""
    until_s = time.monotonic() + 60
    while time.monotonic() < until_s:
        time.sleep(0.5)
        with Journal.read(state / "journal.sqlite") as journal:
            if sum(1 for _ in journal.frames()) >= count:
                break
    time.sleep(5)
    stop.set()


def main() -> None:
    """Kill so often while frames arrive, then let the watch end what there is."""
    folder, state, sent = map(Path, sys.argv[1:4])
    kills, seed = int(sys.argv[4]), int(sys.argv[5])
    # Snapshots so often that many lives begin from one, and some end in the middle of writing one.
    daemon.SNAPSHOT_S = 0.2
    start_utc = datetime.now(UTC).replace(microsecond=0)
    settings = made_settings(folder, sent, start_utc)
    chance = random.Random(seed)
    lives_s = [chance.choice((0.05, 0.3, 0.6, 1.5)) * chance.random() for _ in range(kills)]
    # Forking comes first in each round; the writer is a process too, so that no thread is ever forked.
    writer = os.fork()
    if writer == 0:
        produce(folder, max(int(sum(lives_s) / INTERVAL_S / 1.6), 200), Flag())
        os._exit(0)
    for life_s in lives_s:
        live_until_killed(settings, state, start_utc, life_s)
    os.waitpid(writer, 0)
    count = len(list(folder.glob("*.jpg")))
    stop = Flag()
    watch = QuickWatch(settings, StateFolder(state), SystemClock(), stop)
    watch.start_utc = start_utc
    threading.Thread(target=stop_when_done, args=(state, count, stop), daemon=True).start()
    watch.run()
    print(f"{start_utc.isoformat()} {count}")


if __name__ == "__main__":
    main()
