"""What a film costs: its rate beside that of bare decoding on the same cores, and memory as sessions grow.

    .venv/bin/python tests/benchmarks/film_cost.py [--quick] [--frames N...]

Frames of 24 megapixels, a few drawn ones over and over, to a film of 1080 pixels. The bare loop decodes the
files to red, green and blue and does nothing with them, on as many threads as there are cores, and on one.
The film's time is all of it, reading the session and looking for spots included. A bar: at least 0.55 of the
loop's rate, at most 700 MB, and no more for 7,200 frames than for 500.
"""

import argparse
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import simplejpeg

from sentinel.core.records import MeasuredFrame, Outcome
from sentinel.jobs.film import FilmRequest, film
from tests.forecasts import mount_of
from tests.report.sessions import forecast, frame, journal_of, settings

WIDTH_PX, HEIGHT_PX, RADIUS_PX = 6000, 4000, 470.0
PICTURES = 4
ROLL_DEG = 25.0


def drawn(x_px: float, y_px: float, seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:HEIGHT_PX, :WIDTH_PX].astype(np.float32)
    away = np.hypot(x - x_px, y - y_px) / RADIUS_PX
    light = np.where(away < 1, 190 * (0.4 + 0.6 * np.sqrt(np.maximum(1 - away**2, 0))), 2)
    light += rng.normal(0, 1.5, light.shape)
    colours = light[..., None] * np.array([1.0, 0.7, 0.3])
    return bytes(
        simplejpeg.encode_jpeg(np.clip(colours, 0, 255).astype(np.uint8), quality=92, colorsubsampling="420")
    )


def session(folder: Path, count: int) -> list[Path]:
    """Write a session of so many frames, all of them links to a few pictures; return the pictures."""
    places = [(3000.0 + 37 * k, 1900.0 + 21 * k) for k in range(PICTURES)]
    pictures = []
    for k, place in enumerate(places):
        pictures.append(folder / f"picture-{k}.jpg")
        pictures[-1].write_bytes(drawn(*place, k))
    frames: list[MeasuredFrame] = []
    for number in range(count):
        x_px, y_px = places[number % PICTURES]
        one = frame(number, x_px=x_px, y_px=y_px, radius_px=RADIUS_PX)
        one = replace(one, frame=f"P{number:05}.JPG", width_px=WIDTH_PX, height_px=HEIGHT_PX)
        (folder / one.frame).hardlink_to(pictures[number % PICTURES])
        frames.append(one)
    told = forecast(1)
    mount = replace(
        mount_of(told), roll_deg=ROLL_DEG, roll_share=1.0, roll_sigma_deg=0.1, axis_sigma_deg=0.01
    )
    told = replace(told, mount=mount)
    journal_of(
        folder / "out", frames, {1: Outcome(forecast=told)},
        told=[settings(camera={"focal_length_mm": 400, "pixel_pitch_um": 3.92})],
    )  # fmt: skip
    return pictures


def bare_rate(pictures: list[Path], count: int, threads: int) -> float:
    def decode(number: int) -> None:
        simplejpeg.decode_jpeg(pictures[number % PICTURES].read_bytes())

    begin = time.perf_counter()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(decode, range(count)))
    return count / (time.perf_counter() - begin)


def filmed(folder: Path) -> tuple[float, float]:
    """Make a film in this process; return its rate and the memory at its most, MB."""
    begin = time.perf_counter()
    made = film(FilmRequest(folder=folder / "out", frames=folder, up="zenith", replace=True))
    spent_s = time.perf_counter() - begin
    status = Path("/proc/self/status").read_text(encoding="ascii")
    peak_kb = int(status.partition("VmHWM:")[2].split()[0])
    return made.frames / spent_s, peak_kb / 1000


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--frames", type=int, nargs="*")
    parser.add_argument("--one", type=Path)
    asked = parser.parse_args()
    if asked.one:
        print(*filmed(asked.one))
        return
    cores = len(os.sched_getaffinity(0))
    for count in asked.frames or ([60] if asked.quick else [500, 7200]):
        with TemporaryDirectory() as folder:
            pictures = session(Path(folder), count)
            few = min(count, 60)
            before = bare_rate(pictures, few, cores), bare_rate(pictures, few, 1)
            ended = subprocess.run(
                [sys.executable, __file__, "--one", folder], capture_output=True, text=True, check=True,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )  # fmt: skip
            rate, peak_mb = (float(value) for value in ended.stdout.split())
            after = bare_rate(pictures, few, cores), bare_rate(pictures, few, 1)
            all_cores, one_core = ((a + b) / 2 for a, b in zip(before, after, strict=True))
            print(
                f"{count} frames on {cores} cores: {rate / all_cores:.2f} of bare decoding on all of them, "
                f"{rate / one_core:.2f} of bare decoding on one; {peak_mb:.0f} MB at most"
            )


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main()
