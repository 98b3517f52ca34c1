"""How true the measured discs are, row by row, on random rendered frames.

Run as ``python tests/benchmarks/measure_accuracy.py [--quick] [--count N] [ROW ...]``.
"""

import argparse
import sys
from math import hypot
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.measure import measure
from sentinel.core.records import Disc
from tests.measure.rows import ROWS, TONES, Row
from tests.measure.scenes import Scene, frame_of


def measured(scene: Scene) -> Disc:
    """Render and measure one scene."""
    return measure(frame_of(scene), transfer="srgb", full_scale=255.0)


def try_row(row: Row, count: int, seed: int) -> list[float]:
    """Print one row; return its errors over sigma."""
    centre, radius, ratio, coverage, inside = [], [], [], [], []
    lost = []
    for i in range(count):
        scene = row.make(np.random.default_rng([seed, i]))
        disc = measured(scene)
        if not disc.found:
            lost.append(i)
            continue
        error = hypot(disc.x_px - scene.x, disc.y_px - scene.y)
        centre.append(error)
        radius.append(abs(disc.radius_px - scene.radius))
        ratio.append(error / disc.centre_sigma_px)
        coverage.append(disc.limb_coverage - scene.limb_visible)
        inside.append(abs(disc.limb_in_frame - scene.limb_in_frame))
    if not centre:
        print(f"{row.name:16s} NOTHING FOUND")
        return ratio
    c, r = np.array(centre), np.array(radius)
    bad = int(((c > row.centre_px) | (r > row.radius_px)).sum()) + len(lost)
    worst = int(np.argmax(np.maximum(c / row.centre_px, r / row.radius_px)))
    print(
        f"{row.name:16s}"
        f" centre {np.median(c):.3f} {np.quantile(c, 0.95):.3f} {c.max():.3f} (limit {row.centre_px})"
        f"  radius {np.median(r):.3f} {np.quantile(r, 0.95):.3f} {r.max():.3f} (limit {row.radius_px})"
        f"  err/sigma {np.sqrt(np.mean(np.square(ratio))):.2f}"
        f"  coverage {min(coverage):+.3f}..{max(coverage):+.3f} in frame {max(inside):.3f}"
        f"  missed {bad}/{count} lost {lost} worst {worst}",
        flush=True,
    )
    return ratio


def main() -> None:
    """Run the rows asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", nargs="*")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    count = 3 if chosen.quick else chosen.count
    print("centre and radius errors: median, 95 %, worst (px)")
    ratios: list[float] = []
    for row in (*ROWS, *TONES):
        if not chosen.rows or row.name in chosen.rows:
            ratios += try_row(row, count, chosen.seed)
    print(f"all rows: error over sigma, root mean square {np.sqrt(np.mean(np.square(ratios))):.2f}")


if __name__ == "__main__":
    main()
