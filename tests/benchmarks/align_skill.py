"""How soon `align` knows both bolts, and how well: on worlds whose geometry is not the product's.

python tests/benchmarks/align_skill.py [--sessions N] [--first SEED] [--until 60] [--ways WAY...] [--show]

Sessions from 45 to 85 degrees in both hemispheres, aligned by day to about 0.7 degrees; three hours of
frames, looked at after 30, 60 and 180 minutes. Four ways with each: frames alone; by a camera that writes
which side of its picture is up (level); told how the camera sits, to the nearest of four (`--top`); and with
a pause of the drive after six minutes that is told (`--paused`).
"""

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.times import from_utc_s, utc_s
from sentinel.jobs.align import with_top
from sentinel.jobs.align.bolts import Bolt, bolts_of
from sentinel.jobs.align.fitted import Fit
from sentinel.sky import Sun
from tests.forecasts import axis_of
from tests.worlds import happenings as h
from tests.worlds.changes import kept_in
from tests.worlds.level import LevelSensor
from tests.worlds.run import Run
from tests.worlds.world import World, drawn

CUTS_MIN = (30, 60, 180)
WAYS = ("frames alone", "level", "--top", "--paused")
PAUSE_H = 0.1
TOPS = ("pole", "west", "away", "east")
KIND = 640


@dataclass(frozen=True)
class Look:
    """What was known of both bolts at one time."""

    determined: bool
    off_deg: tuple[float, float]
    """Error of azimuth, on the sky, and of altitude."""
    sigmas: tuple[float, float]
    """Error over sigma."""


def session(seed: int, *, paused: bool) -> tuple[World, tuple[tuple[datetime, datetime], ...]]:
    """Return three hours, the disc kept in the frame; with the pause, where there is one."""
    rng = np.random.default_rng([seed, KIND])
    latitude = float(np.round(rng.uniform(45, 85), 2)) * (1 if rng.random() < 0.5 else -1)
    world = drawn(seed, hours=CUTS_MIN[-1] / 60, latitude_deg=latitude, kind=KIND)
    spans: tuple[tuple[datetime, datetime], ...] = ()
    if paused:
        # Two or three pictures while it stands; the hand at the switch is a few seconds late.
        length_s = max(120.0, 2 * world.interval_s) + float(rng.uniform(0, 20))
        begin_s = world.start_s + PAUSE_H * 3600
        rate = 15.0 * (1 + world.rate_share)
        world = world.with_happenings(
            h.Rate(at_h=PAUSE_H, arcsec_s=0.0), h.Rate(at_h=PAUSE_H + length_s / 3600, arcsec_s=rate)
        )
        late = rng.uniform(-5, 5, 2)
        spans = ((from_utc_s(begin_s + late[0]), from_utc_s(begin_s + length_s + late[1])),)
    return kept_in(world, world.hours, rng), spans


def top_of(world: World) -> str:
    """Return what an operator would say of how the camera sits."""
    roll_deg = world.roll_deg - (180.0 if world.south else 0.0)
    quarter = round(roll_deg / 90) % 4
    if world.south:
        # Looking at a sun in the north, east is on the right.
        quarter = -quarter % 4
    return TOPS[quarter]


def looks(seed: int, way: str, cuts_min: Sequence[int]) -> Iterator[tuple[int, Look]]:
    """Feed a session; yield what is known at each cut."""
    world, spans = session(seed, paused=way == "--paused")
    if way == "level":
        # Each maker's sensor changes its mind elsewhere.
        changes_deg = float(np.random.default_rng([seed, KIND + 1]).uniform(47, 65))
        world = replace(world, level_sensor=LevelSensor(changes_deg))
    run = Run(world)
    settings = with_top(world.settings, top_of(world) if way == "--top" else None)
    sun = Sun(settings.site)
    forecaster = Following(Context(settings, sun), paused=spans)
    cuts = list(cuts_min)
    azimuth, altitude = (float(value) for value in run.axis_deg(0))
    share = float(np.cos(np.radians(world.latitude_deg)))
    frames = run.frames()
    for k, frame in enumerate(frames):
        if not cuts:
            return
        forecaster.feed(frame, frame.time_utc)
        last = k + 1 == len(frames)
        following_s = np.inf if last else utc_s(frames[k + 1].time_utc)
        while cuts and following_s > world.start_s + cuts[0] * 60:
            forecast = forecaster.look(frame.time_utc)
            if axis_of(forecast).azimuth_error_deg is None:
                cuts.pop(0)
                continue
            one, other = bolts_of(Fit(settings, sun, forecast, frame))
            yield cuts.pop(0), _look(one, other, (azimuth, altitude), share)


def _look(azimuth: Bolt, altitude: Bolt, truth: tuple[float, float], share: float) -> Look:
    off = azimuth.error_deg - truth[0], altitude.error_deg - truth[1]
    return Look(
        determined=azimuth.determined and altitude.determined,
        off_deg=(off[0] * share, off[1]),
        sigmas=(off[0] / azimuth.sigma_deg, off[1] / altitude.sigma_deg),
    )


def line(found: list[Look], number: int) -> str:
    known = [one for one in found if one.determined]
    off = np.abs([one.off_deg for one in known]) if known else np.full((1, 2), np.nan)
    sigmas = np.abs([one.sigmas for one in found]).max(axis=1)
    told = np.abs([one.sigmas for one in known]).max(axis=1) if known else np.zeros(1)
    return (
        f"determined {len(known) / number:4.0%}  off (median, 95 %) azimuth on the sky "
        f"{np.median(off[:, 0]):.3f} {np.quantile(off[:, 0], 0.95):.3f}, altitude {np.median(off[:, 1]):.3f} "
        f"{np.quantile(off[:, 1], 0.95):.3f} deg  within 3 sigma {np.mean(sigmas <= 3):4.0%}, worst "
        f"{sigmas.max():.1f}; of those determined {np.mean(told <= 3):4.0%}, worst {told.max():.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--until", type=int, default=CUTS_MIN[-1], help="minutes, for a quick look")
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=WAYS)
    parser.add_argument("--show", action="store_true")
    args = parser.parse_args()
    cuts = [cut for cut in CUTS_MIN if cut <= args.until]
    table: dict[tuple[str, int], list[Look]] = defaultdict(list)
    for seed in range(args.first, args.first + args.sessions):
        for way in args.ways:
            for cut, look in looks(seed, way, cuts):
                table[way, cut].append(look)
                if args.show:
                    print(
                        f"{seed} {way:<13}{cut:4d} {'known' if look.determined else '-':<6}"
                        f"off {look.off_deg[0]:+.3f} {look.off_deg[1]:+.3f} "
                        f"sigmas {look.sigmas[0]:+.1f} {look.sigmas[1]:+.1f}",
                        flush=True,
                    )
    print(f"{args.sessions} sessions from 45 to 85 degrees, both hemispheres")
    for way in args.ways:
        for cut in cuts:
            print(f"{way:<13} {cut:3d} min  {line(table[way, cut], args.sessions)}")


if __name__ == "__main__":
    main()
