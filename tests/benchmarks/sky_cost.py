"""What the sun costs and how good the interpolation is: `python tests/benchmarks/sky_cost.py [--quick]`.

Prints the largest and median interpolation error against astropy asked directly, microseconds a time for one
time and for many, the set-up time, and what projecting many draws of a mount costs.
"""

import argparse
import resource
import time
from collections.abc import Callable

import numpy as np

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, parse_utc, utc_s
from sentinel.sky import (
    Optics,
    Pose,
    Sun,
    axis_vector,
    in_mount_frame,
    pose_seeing,
    project,
    separation_deg,
)
from sentinel.sky.ephemeris import sun_vectors_km

START_S = utc_s(parse_utc("2026-06-21T00:00:00Z"))


def best_s(function: Callable[[], object], repeats: int) -> float:
    """Seconds of the quickest of five rounds, a call."""
    rounds = []
    for _ in range(5):
        begun = time.perf_counter()
        for _ in range(repeats):
            function()
        rounds.append((time.perf_counter() - begun) / repeats)
    return min(rounds)


def interpolation(count: int) -> None:
    rng = np.random.default_rng(7)
    for latitude in (70.37, 45.0, 0.0, -79.0):
        site = Site(latitude_deg=latitude, longitude_deg=31.1, pressure_hpa=0)
        times = START_S + rng.uniform(0, 3 * DAY_S, count)
        exact = sun_vectors_km(site, times)
        exact /= np.linalg.norm(exact, axis=-1, keepdims=True)
        error = separation_deg(Sun(site).true_direction(times), exact) * 3600
        print(f"latitude {latitude:6.2f}: interpolation error max {error.max():.4f} arcsec"
              f", median {np.median(error):.4f}")  # fmt: skip


def cost(repeats: int) -> None:
    site = Site(latitude_deg=70.37, longitude_deg=31.1)
    begun = time.perf_counter()
    sun = Sun(site)
    sun.direction(START_S)
    print(f"set-up: first answer after {time.perf_counter() - begun:.2f} s (astropy's tables)")
    begun = time.perf_counter()
    sun.direction(START_S + np.arange(0, 5 * DAY_S, 60))
    print(f"set-up: {(time.perf_counter() - begun) / 4 * 1e3:.0f} ms for each day not asked for before")
    times = START_S + np.arange(1440) * 60.0
    for name, method in (
        ("direction", sun.direction),
        ("altaz_deg", sun.altaz_deg),
        ("hour_angle_deg", sun.hour_angle_deg),
        ("angular_radius_arcsec", sun.angular_radius_arcsec),
        ("parallactic_angle_deg", sun.parallactic_angle_deg),
    ):
        many = best_s(lambda method=method: method(times), repeats) / times.size * 1e6  # type: ignore[misc]
        one = best_s(lambda method=method: method(START_S + 1234.5), repeats) * 1e6  # type: ignore[misc]
        print(f"{name}: {many:.2f} us a time of 1440, {one:.0f} us for one")


def draws(repeats: int) -> None:
    optics = Optics(400.0, 3.92, 6000, 4000)
    sun = Sun(Site(latitude_deg=70.37, longitude_deg=31.1))
    rng = np.random.default_rng(8)
    times = START_S + np.arange(500) * 300.0
    directions = sun.direction(times)
    axis = axis_vector(70.37, *rng.normal(0, 0.5, (2, 300)))
    theta = np.radians(15 / 3600) * (times - times[0]) * (1 + 1e-4 * rng.normal(size=(300, 1)))

    def run() -> object:
        mounted = in_mount_frame(directions, axis, theta, south=False)
        pose = pose_seeing(mounted[:, :1], 2999.5, 1999.5, optics, roll_deg=12.0)
        return project(mounted, Pose(pose.along_deg, pose.poleward_deg, pose.roll_deg), optics)

    print(f"300 draws of a track of 500 points: {best_s(run, max(1, repeats // 20)) * 1e3:.1f} ms")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer times, fewer repeats")
    quick = parser.parse_args().quick
    cost(20 if quick else 200)
    interpolation(100 if quick else 2000)
    draws(20 if quick else 200)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
