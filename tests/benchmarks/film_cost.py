"""What a film costs: its rate beside that of bare decoding on the same cores, and memory as sessions grow.

    .venv/bin/python tests/benchmarks/film_cost.py [--quick] [--frames N...]

Frames of 24 megapixels, some hundred drawn ones under so many names and times, to a film of 1080 pixels. The
bare loop decodes the files to red, green and blue and does nothing with them, on as many threads as there are
cores, and on one. The film's time is all of it, reading the session and looking for spots included. A bar: at
least 0.55 of the loop's rate, at most 700 MB, and no more for 7,200 frames than for 500.

Where other programs run beside it, rates are as good as the load is even; the ratio in processor time is not
moved by it. At the end the film is decoded: how many pictures it has, and how still the sun stands in them.
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

import imageio.v3 as iio
import numpy as np
import simplejpeg
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.measure import measure
from sentinel.core.records import MeasuredFrame, Outcome
from sentinel.jobs.film import FilmRequest, film
from tests.forecasts import mount_of
from tests.report.sessions import forecast, frame, journal_of, settings

WIDTH_PX, HEIGHT_PX, RADIUS_PX = 6000, 4000, 470.0
ROLL_DEG = 25.0
EVERY = 40
"""Of the film's pictures one in so many is measured."""
Grey = NDArray[np.float32]


def grain(rng: np.random.Generator) -> Grey:
    return rng.normal(0, 1.5, (HEIGHT_PX, WIDTH_PX)).astype(np.float32)


def drawn(x_px: float, y_px: float, noise: Grey) -> bytes:
    """Return a JPEG of a darkened disc with an edge two pixels wide."""
    light = 2 + noise
    left, top, side = int(x_px - RADIUS_PX) - 5, int(y_px - RADIUS_PX) - 5, int(2 * RADIUS_PX) + 11
    y, x = np.mgrid[top : top + side, left : left + side].astype(np.float32)
    away_px = np.hypot(x - x_px, y - y_px)
    face = 0.4 + 0.6 * np.sqrt(np.maximum(1 - (away_px / RADIUS_PX) ** 2, 0))
    light[top : top + side, left : left + side] += 190 * face * np.clip((RADIUS_PX - away_px) / 2 + 0.5, 0, 1)
    colours = np.clip(light[..., None] * np.array([1.0, 0.7, 0.3], np.float32), 0, 255).astype(np.uint8)
    return bytes(simplejpeg.encode_jpeg(colours, quality=92, colorsubsampling="420"))


def session(folder: Path, count: int, distinct: int) -> list[Path]:
    """Write a session of so many frames, all of them links to distinct pictures; return the pictures."""
    rng = np.random.default_rng(1)
    noise = grain(rng)
    places = rng.uniform((600, 600), (WIDTH_PX - 600, HEIGHT_PX - 600), (distinct, 2))
    pictures = []
    for k, place in enumerate(places):
        pictures.append(folder / f"picture-{k}.jpg")
        shifted = np.roll(noise, tuple(rng.integers(0, HEIGHT_PX, 2)), (0, 1))
        pictures[-1].write_bytes(drawn(place[0], place[1], shifted))
    frames: list[MeasuredFrame] = []
    for number in range(count):
        x_px, y_px = places[number % distinct]
        one = frame(number, x_px=x_px, y_px=y_px, radius_px=RADIUS_PX)
        one = replace(one, frame=f"P{number:05}.JPG", width_px=WIDTH_PX, height_px=HEIGHT_PX)
        (folder / one.frame).hardlink_to(pictures[number % distinct])
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


def bare_rate(pictures: list[Path], count: int, threads: int) -> tuple[float, float]:
    """Return how many pictures a second are decoded, and the processor time of one."""

    def decode(number: int) -> None:
        simplejpeg.decode_jpeg(pictures[number % len(pictures)].read_bytes())

    begin, spent_s = time.perf_counter(), time.process_time()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(decode, range(count)))
    return count / (time.perf_counter() - begin), (time.process_time() - spent_s) / count


def filmed(folder: Path) -> tuple[float, float, float]:
    """Make a film here; return its rate, the processor time a frame, and the memory at its most, MB."""
    begin = time.perf_counter()
    made = film(FilmRequest(folder=folder / "out", frames=folder, up="zenith", replace=True))
    rate = made.frames / (time.perf_counter() - begin)
    status = Path("/proc/self/status").read_text(encoding="ascii")  # getrusage counts the parent's peak too
    peak_kb = int(status.partition("VmHWM:")[2].split()[0])
    return rate, time.process_time() / made.frames, peak_kb * 1024 / 1e6


def seen(path: Path) -> str:
    """Decode a film; say how many pictures it has, and how still the sun stands in them."""
    count, places = 0, []
    for count, picture in enumerate(iio.imiter(path, plugin="pyav"), 1):
        if count % EVERY == 1:
            disc = measure(picture.mean(axis=2), transfer="srgb", full_scale=255.0)
            places.append((disc.x_px, disc.y_px))
    off_px = np.array(places) - np.nanmedian(places, axis=0)
    rms_px = float(np.sqrt(np.mean(off_px**2)))
    return f"{count} pictures, of {len(places)} the centre steady to {rms_px:.3f} px rms"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--frames", type=int, nargs="*")
    parser.add_argument("--pictures", type=int, default=240, help="distinct ones")
    parser.add_argument("--one", type=Path)
    asked = parser.parse_args()
    if asked.one:
        print(*filmed(asked.one))
        return
    cores = len(os.sched_getaffinity(0))
    for count in asked.frames or ([60] if asked.quick else [500, 7200]):
        with TemporaryDirectory() as folder:
            pictures = session(Path(folder), count, min(asked.pictures, count))
            few = min(count, 60)
            before = bare_rate(pictures, few, cores), bare_rate(pictures, few, 1)
            ended = subprocess.run(
                [sys.executable, __file__, "--one", folder], stdout=subprocess.PIPE, text=True, check=True,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )  # fmt: skip
            rate, spent_s, peak_mb = (float(value) for value in ended.stdout.split())
            after = bare_rate(pictures, few, cores), bare_rate(pictures, few, 1)
            (all_cores, _), (one_core, bare_s) = np.mean((before, after), axis=0)
            print(
                f"{count} frames on {cores} cores: {rate / all_cores:.2f} of bare decoding on all of them, "
                f"{rate / one_core:.2f} of bare decoding on one;\n  processor time of a frame "
                f"{spent_s / bare_s:.2f} times that of decoding it; {peak_mb:.0f} MB at most",
                flush=True,
            )
            print(f"  {seen(Path(folder, 'out/film.mp4'))}", flush=True)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main()
