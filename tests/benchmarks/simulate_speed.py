"""How long rendering and inventing take: `python tests/benchmarks/simulate_speed.py [--quick]`.

Processor time of one core, medians; a busy machine does not show in it as much as in a clock.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.jobs.simulate.events import CloudBank
from sentinel.jobs.simulate.files import WARM_FILTER, Exif, write_picture
from sentinel.jobs.simulate.render import render
from sentinel.jobs.simulate.scene import Cloud, Noise, Scene, Spot, SunDisc
from sentinel.jobs.simulate.synthesize import synthesize
from tests.simulate.worlds import midsummer


def seconds(task: Callable[[], object], repeats: int) -> float:
    """Median processor time of a task, after one run that does not count."""
    task()
    taken = []
    for _ in range(repeats):
        begun = time.process_time()
        task()
        taken.append(time.process_time() - begun)
    return median(taken)


def scene(width_px: int, radius_px: float, *clouds: Cloud) -> Scene:
    sun = SunDisc(
        x_px=width_px / 2 + 0.3,
        y_px=width_px / 3 - 0.2,
        radius_px=radius_px,
        spots=(Spot(x=0.3, y=0.2, radius=0.05),),
    )
    return Scene(width_px=width_px, height_px=width_px * 2 // 3, sun=sun, clouds=clouds, noise=Noise())


def main() -> None:
    """Print a line for each task."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one run of each")
    repeats = 1 if parser.parse_args().quick else 5
    cloud = Cloud(mean=0.3, contrast=0.8, scale_px=900, glow=0.05)
    calm = midsummer(hours=48.0, mount={"worm_arcsec": 15.0, "wind_arcsec": 3.0, "flexure_arcsec": 15.0})
    banks = [CloudBank(at=4.5 * i + 1, until=4.5 * i + 2.5) for i in range(10)]
    print(f"{'render 1500 x 1000, disc 78 px':45}{seconds(lambda: render(scene(1500, 78)), repeats):7.3f} s")
    print(
        f"{'render 6000 x 4000, disc 470 px':45}{seconds(lambda: render(scene(6000, 470)), repeats):7.3f} s"
    )
    print(f"{'  under glowing cloud':45}{seconds(lambda: render(scene(6000, 470, cloud)), repeats):7.3f} s")
    with tempfile.TemporaryDirectory() as folder:
        image, path = render(scene(6000, 470)), Path(folder, "a.jpg")
        taken_utc = datetime(2027, 6, 21, tzinfo=UTC)
        exif = Exif(taken=taken_utc, exposure_s=0.002, iso=100, aperture=8.0, model="F1")
        taken = seconds(lambda: write_picture(path, image, exif, tint=WARM_FILTER), repeats)
        print(f"{'write 6000 x 4000 as tinted JPEG':45}{taken:7.3f} s")
    taken = seconds(lambda: synthesize(calm), repeats)
    print(f"{'48 h of measurements at 60 s':45}{taken:7.3f} s")
    taken = seconds(lambda: synthesize(calm.with_events(*banks)), repeats)
    print(f"{'  with ten cloud banks of 90 min':45}{taken:7.3f} s")


if __name__ == "__main__":
    main()
