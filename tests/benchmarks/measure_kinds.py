"""Suns of every kind from the second renderer, beside two general libraries that know nothing of the sun.

Run as ``python tests/benchmarks/measure_kinds.py [--count N] [--seed S] [KIND ...]``. A row prints how many
of the discs each finds within the kind's limits, the median and the worst error of the centre (px), and for
this program how often it put a disc wrong (beyond four sigma and 0.002 radii) and the largest error over
sigma.

- threshold: OpenCV, Otsu's threshold, the largest piece, the middle of its convex hull's moments.
- circle: scikit-image, Canny edges, a circle by random sample consensus.
"""

import argparse
import sys
from math import hypot, pi
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import canny
from skimage.measure import CircleModel, ransac

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.intake.pixels import from_jpeg
from sentinel.chain.measure import measure
from sentinel.core.records import Disc
from tests.measure.camera_kinds import CAMERA_KINDS, CAMERA_NO_SUNS, UNTOLD_NO_SUNS
from tests.measure.kinds import KINDS, NO_SUNS, Kind
from tests.measure.low_kinds import LOW_KINDS
from tests.measure.more_kinds import MORE_KINDS, MORE_NO_SUNS
from tests.measure.second import View, jpeg_of

Place = tuple[float, float, float] | None


def by_threshold(grey: NDArray[np.uint8]) -> Place:
    """Largest bright piece: its hull's middle and the radius of its area."""
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    outline = cv2.convexHull(max(contours, key=cv2.contourArea))
    moments = cv2.moments(outline)
    if moments["m00"] < 50:
        return None
    x, y = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
    return float(x), float(y), float(np.sqrt(moments["m00"] / pi))


def by_circle(grey: NDArray[np.uint8]) -> Place:
    """Edges of a copy at a third of the size, and the circle that most of them lie on."""
    small = cv2.resize(grey, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    points = np.argwhere(canny(small / 255.0, sigma=1.5))[:, ::-1]
    if len(points) < 20:
        return None
    if len(points) > 4000:
        points = points[np.random.default_rng(0).permutation(len(points))[:4000]]
    model, inliers = ransac(points, CircleModel, 3, 0.7, max_trials=300, rng=np.random.default_rng(0))
    if model is None or inliers is None or inliers.sum() < 20:
        return None
    x, y = model.center
    return (x + 0.5) * 3 - 0.5, (y + 0.5) * 3 - 0.5, model.radius * 3


def ours(content: bytes) -> tuple[NDArray[np.uint8], Disc]:
    """Decode and measure as the program does."""
    picture = from_jpeg(content)
    disc = measure(
        picture.values, transfer="srgb", full_scale=picture.full_scale, brightest=picture.brightest
    )
    return picture.values, disc


def _off(place: Place, view: View) -> float:
    return np.inf if place is None else hypot(place[0] - view.x, place[1] - view.y)


def _told(errors: list[float], limit: float) -> str:
    good = sorted(e for e in errors if e < limit)
    middle = f"{good[len(good) // 2]:.3f} {good[-1]:.3f}" if good else "   -     -"
    return f"{len(good):2d} {middle}"


def try_kind(kind: Kind, count: int, seed: int, *, baselines: bool) -> tuple[int, int, int, list[float]]:
    """Print one row; return how many were found, right, put wrong, and the errors over sigma."""
    mine: list[float] = []
    threshold: list[float] = []
    circle: list[float] = []
    over: list[float] = []
    lost: list[int] = []
    wrong: list[int] = []
    flagged: list[str] = []
    for i in range(count):
        view = kind.make(np.random.default_rng([seed, i]))
        content = jpeg_of(view)
        grey, disc = ours(content)
        if baselines:
            threshold.append(_off(by_threshold(grey), view))
            circle.append(_off(by_circle(grey), view))
        if not disc.found:
            lost.append(i)
            flagged += disc.flags
            continue
        error = hypot(disc.x_px - view.x, disc.y_px - view.y)
        mine.append(error if abs(disc.radius_px - view.radius) < kind.radius_px else np.inf)
        over.append(error / disc.centre_sigma_px)
        if error > max(4 * disc.centre_sigma_px, 0.002 * view.radius):
            wrong.append(i)
    rivals = (
        f"  threshold {_told(threshold, kind.centre_px)}  circle {_told(circle, kind.centre_px)}"
        if baselines
        else ""
    )
    worst = max(over, default=float("nan"))
    rms = float(np.sqrt(np.mean(np.square(over)))) if over else float("nan")
    print(
        f"{kind.name:18s} ours {_told(mine, kind.centre_px)} of {count}{rivals}"
        f"  err/sigma {rms:.2f} {worst:.1f}  lost {lost} {sorted(set(flagged))} wrong {wrong}",
        flush=True,
    )
    return len(mine), sum(e < kind.centre_px for e in mine), len(wrong), over


def main() -> None:
    """Run the kinds asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*")
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--ours", action="store_true", help="leave the other libraries out")
    chosen = parser.parse_args()
    count = 3 if chosen.quick else chosen.count
    print(f"seed {chosen.seed}; frame i of a kind is made from the seed [{chosen.seed}, i]")
    print("found within the limit, and of those the median and the largest error of the centre, px")
    found = right = wrong = tried = 0
    over: list[float] = []
    for kind in (*KINDS, *MORE_KINDS, *CAMERA_KINDS, *LOW_KINDS):
        if not chosen.kinds or kind.name in chosen.kinds:
            f, r, w, o = try_kind(kind, count, chosen.seed, baselines=not chosen.ours)
            found, right, wrong, tried = found + f, right + r, wrong + w, tried + count
            over += o
    if tried:
        beyond = float(np.mean(np.array(over) > 3))
        print(
            f"suns: {tried}, found {found}, within limits {right}, put wrong {wrong}; "
            f"over 3 sigma {beyond:.3f}"
        )
    taken = looked = 0
    for name, make in (NO_SUNS | MORE_NO_SUNS | CAMERA_NO_SUNS | UNTOLD_NO_SUNS).items():
        if not chosen.kinds or name in chosen.kinds:
            hits = []
            for i in range(count):
                view = make(np.random.default_rng([chosen.seed, i]))
                _, disc = ours(jpeg_of(view))
                if disc.found:
                    hits.append((i, round(disc.radius_px), round(disc.limb_coverage, 2)))
            print(f"{name:22s} taken for the sun: {hits}", flush=True)
            taken, looked = taken + len(hits), looked + count
    if looked:
        print(f"no suns: {looked}, taken for one {taken}")


if __name__ == "__main__":
    main()
