"""Whether 5 to 95 % holds the truth, also late in sessions of five days, and whatever the time to the exit.

    python tests/benchmarks/long_coverage.py [--sessions 10] [--first SEED] [--worlds simulate,worlds]
        [--interval 300] [--renew 1800] [--show]

Measurements alone, in two worlds that share no line: what `sentinel simulate` invents, and `tests/worlds`. An
operator puts the disc back before it leaves. A forecast an hour is set beside what would have come had nobody
acted: the truth of every forecast is known, not only of those whose exit came. Those of one stretch err
together, so the table counts stretches too: as many independent cases there are at the most. Forecasts are
renewed every half hour, not every ten minutes: what each says is the same, at a third of the time.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import count, pairwise
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402

from sentinel.chain.following import Following  # noqa: E402
from sentinel.chain.forecast import renewal  # noqa: E402
from sentinel.chain.track import Context  # noqa: E402
from sentinel.core.records import Event, Forecast, Mark, MeasuredFrame  # noqa: E402
from sentinel.core.settings import Camera, Mount, Settings, Site  # noqa: E402
from sentinel.core.times import from_utc_s, utc_s  # noqa: E402
from sentinel.jobs.simulate.events import Recentre  # noqa: E402
from sentinel.jobs.simulate.scenario import Scenario, scenario_from  # noqa: E402
from sentinel.jobs.simulate.synthesize import synthesize  # noqa: E402
from sentinel.jobs.simulate.world import World  # noqa: E402
from sentinel.sky import Sun  # noqa: E402
from sentinel.sky.arrays import Array  # noqa: E402
from tests.forecast.watching import seconds_until  # noqa: E402
from tests.worlds.changes import kept_in  # noqa: E402
from tests.worlds.run import Run  # noqa: E402
from tests.worlds.world import drawn, season, usual_roll  # noqa: E402

HOURS = 120.0
TILT_DEG = 0.8
"""Both angles of the axis together, 1 sigma: so much that the disc leaves."""
LOOK_S = 3600.0
HORIZON_S = 48 * 3600.0
LEAST_S = 1200.0
LEAST_STRETCHES = 3
SINCE_H = (0, 1, 3, 6, 12, 24, 48, 121)
AHEAD_H = (0, 1, 3, 6, 12, 24, 48)


@dataclass(frozen=True)
class Played:
    """A session, and when the disc would leave, nobody acting any more."""

    settings: Settings
    start_s: float
    events: list[Event]
    exit_s: Callable[[float], float]
    stretch: Callable[[float], int]


@dataclass(frozen=True)
class Look:
    """A forecast and the truth, seconds from now on."""

    since_h: float
    stretch: tuple[int, int]
    true_s: float
    safe_s: float
    early_s: float
    median_s: float
    late_s: float
    flags: tuple[str, ...] = ()


# --- the two worlds ---


def of_worlds(seed: int, interval_s: float) -> Played:
    """Return a session of `tests/worlds`."""
    world = replace(drawn(seed, hours=HOURS, rms_deg=TILT_DEG, light_h=9.0, kind=83), interval_s=interval_s)
    run = Run(kept_in(world, HOURS, np.random.default_rng([seed, 83])))

    def index(at_s: float) -> int:
        return min(int(np.searchsorted(run.times_s, at_s - 1e-3)), run.n - 1)

    return Played(
        settings=run.world.settings,
        start_s=run.world.start_s,
        events=in_order(run.frames(), run.marks),
        exit_s=lambda at_s: run.exit_s(index(at_s)),
        stretch=lambda at_s: run.way_at(index(at_s)).begin,
    )


class Ahead:
    """The tracks of an invented scenario, one for each time the disc was put somewhere."""

    STEP_S = 60.0

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        hours = scenario.hours + HORIZON_S / 3600
        self.times_s: Array = scenario.start_s + np.arange(0, hours * 3600, self.STEP_S)
        self.begins_s: list[float] = []
        self._out: list[Array] = []

    def add(self, at_s: float, *puts: Recentre) -> None:
        """Take the track of the disc as put by these."""
        steady = self.scenario.mount.model_copy(update={"wind_arcsec": 0.0})
        truth = World(self.scenario.changed(mount=steady, events=puts)).at(self.times_s)
        camera, keep = self.scenario.camera, truth.radius_px
        gaps = [
            truth.x_px + 0.5 - keep,
            camera.width_px - 0.5 - truth.x_px - keep,
            truth.y_px + 0.5 - keep,
            camera.height_px - 0.5 - truth.y_px - keep,
        ]
        room = np.nan_to_num(np.min(gaps, axis=0), nan=-1.0)
        out = np.flatnonzero((room <= 0) & (truth.altitude_deg > 0))
        before = np.maximum(out - 1, 0)
        # It touches between two times, where it was inside and the sun up before.
        crosses = (room[before] > 0) & (truth.altitude_deg[before] > 0)
        left = np.where(crosses, room[out] / np.where(crosses, room[out] - room[before], 1.0), 0.0)
        self.begins_s.append(at_s)
        self._out.append(self.times_s[out] - left * self.STEP_S)

    def stretch(self, at_s: float) -> int:
        """Return which track is gone at a time."""
        return int(np.searchsorted(self.begins_s, at_s, side="right")) - 1

    def exit_s(self, at_s: float) -> float:
        """Return when the limb first touches an edge after a time; inf: not within two days."""
        out = self._out[self.stretch(at_s)]
        k = int(np.searchsorted(out, at_s))
        return float(out[k]) if k < len(out) and out[k] < at_s + HORIZON_S else np.inf


def of_simulate(seed: int, interval_s: float) -> Played:
    """Return a session of the product's own simulator."""
    rng = np.random.default_rng([seed, 77])
    south, high = rng.random() < 0.5, rng.random() < 0.6
    latitude = float(rng.uniform(68, 80) if high else rng.uniform(40, 58)) * (-1 if south else 1)
    start = datetime.fromtimestamp(season(rng, latitude), UTC)
    tilt = TILT_DEG / np.sqrt(2)
    binned = int(rng.choice([1, 2, 4]))
    scenario = scenario_from(
        {
            "site": {
                "latitude_deg": round(latitude, 3),
                "longitude_deg": round(float(rng.uniform(-180, 180)), 3),
            },
            "camera": {
                "focal_length_mm": round(float(rng.uniform(400, 900))),
                "pixel_pitch_um": 4.0 * binned,
                "width_px": 9000 // binned,
                "height_px": 6000 // binned,
                "interval_s": interval_s,
            },
            "mount": {
                "azimuth_error_deg": float(rng.normal(0, tilt / np.cos(np.radians(latitude)))),
                "altitude_error_deg": float(rng.normal(0, tilt)),
                "rate_error": float(rng.normal(0, 8e-5)),
                "roll_deg": usual_roll(rng),
                "worm_arcsec": float(rng.uniform(4, 28)),
                "worm_period_s": float(rng.uniform(240, 700)),
                "wind_arcsec": float(rng.uniform(1, 5)),
                "flexure_arcsec": float(rng.uniform(3, 25)),
                "flexure_h": float(rng.uniform(1, 6)),
                "axis_limit_deg": None,
            },
            "start_utc": start.isoformat(),
            "hours": HOURS,
            "seed": seed,
        },
        where="the benchmark",
    )
    puts: list[Recentre] = []
    ahead = Ahead(scenario)
    ahead.add(scenario.start_s)
    at_s = scenario.start_s
    for _ in range(200):
        at_s = max(ahead.exit_s(at_s) - float(rng.uniform(1800, 7200)), at_s + 1800.0)
        if not at_s < scenario.end_s:
            break
        camera = scenario.camera
        place = [float(s / 2 + rng.uniform(-0.1, 0.1) * s) for s in (camera.width_px, camera.height_px)]
        puts.append(Recentre(at=(at_s - scenario.start_s) / 3600, to_px=(place[0], place[1])))
        ahead.add(at_s, *puts)
    marks = [
        Mark(time_utc=from_utc_s(begin_s + 30), kind="recentred")
        for begin_s in ahead.begins_s[1:]
        if rng.random() < 0.75
    ]
    settings = Settings(
        site=Site(latitude_deg=scenario.site.latitude_deg, longitude_deg=scenario.site.longitude_deg),
        camera=Camera(
            focal_length_mm=scenario.camera.focal_length_mm,
            pixel_pitch_um=scenario.camera.pixel_pitch_um,
            interval_s=interval_s,
        ),
        mount=Mount(tracking="solar", axis_limit_deg=None),
    )
    frames = synthesize(scenario.changed(events=tuple(puts)))
    return Played(settings, scenario.start_s, in_order(frames, marks), ahead.exit_s, ahead.stretch)


WORLDS: dict[str, Callable[[int, float], Played]] = {"simulate": of_simulate, "worlds": of_worlds}


# --- the measurement ---


def in_order(frames: Sequence[MeasuredFrame], marks: Sequence[Mark]) -> list[Event]:
    """Return both by time."""
    events: list[Event] = [*frames, *marks]
    return sorted(events, key=lambda event: event.time_utc)


def looks(played: Played, number: int) -> Iterator[Look]:
    """Feed a session; yield a forecast an hour of a disc that is seen and inside."""
    forecaster = Following(Context(played.settings, Sun(played.settings.site)))
    next_s, last = played.start_s + LOOK_S / 2, None
    for event in played.events:
        last = forecaster.feed(event, event.time_utc) or last
        now_s = utc_s(event.time_utc)
        if now_s < next_s or last is None or not isinstance(event, MeasuredFrame) or not event.disc.found:
            continue
        if now_s - utc_s(last.time_utc) > LOOK_S / 2 or last.pointing is None:
            continue
        next_s = now_s + LOOK_S
        yield look(played, last, number)


def look(played: Played, last: Forecast, number: int) -> Look:
    at_s = utc_s(last.time_utc)
    return Look(
        since_h=(at_s - played.start_s) / 3600,
        stretch=(number, played.stretch(at_s)),
        true_s=played.exit_s(at_s) - at_s,
        safe_s=seconds_until(last.exit.safe_utc, at_s),
        early_s=seconds_until(last.exit.early_utc, at_s),
        median_s=seconds_until(last.exit.median_utc, at_s),
        late_s=seconds_until(last.exit.late_utc, at_s),
        flags=last.flags,
    )


def line(name: str, some: list[Look]) -> str:
    if not some:
        return ""
    true, safe, early, median, late = np.array(
        [(k.true_s, k.safe_s, k.early_s, k.median_s, k.late_s) for k in some]
    ).T
    error = np.abs(np.minimum(median, HORIZON_S) - true) / true
    width = (np.minimum(late, HORIZON_S) - np.minimum(early, HORIZON_S)) / true
    return (
        f"{name:>9}: {len(some):4d} in {len({k.stretch for k in some}):3d} stretches, held"
        f" {np.mean((early <= true) & (true <= late)):4.0%} (sooner {np.mean(true < early):4.0%}, later"
        f" {np.mean(true > late):4.0%}), safe too late {np.mean(safe > true):5.1%},"
        f" error {np.median(error):.1%}, width {np.median(width):.0%}"
    )


def report(name: str, every: list[Look]) -> None:
    some = [k for k in every if LEAST_S < k.true_s < HORIZON_S]
    stay = [k for k in every if not k.true_s < HORIZON_S]
    print(f"{name}: {line('all', some)}")
    print("  by the session's hour")
    for begin, end in pairwise(SINCE_H):
        print(line(f"{begin}-{end}", [k for k in some if begin <= k.since_h < end]))
    print("  by hours to the exit")
    for begin, end in pairwise(AHEAD_H):
        print(line(f"{begin}-{end}", [k for k in some if begin <= k.true_s / 3600 < end]))
    said = np.mean([np.isfinite(k.late_s) for k in stay]) if stay else 0.0
    print(f"  {len(stay)} stay for two days; for sure to leave: {said:.1%}", flush=True)


def leaving(name: str, first: int, number: int, interval_s: float) -> Iterator[tuple[int, Played]]:
    """Yield so many sessions in which the disc is put back now and then, with their seeds."""
    for seed in count(first):
        played = WORLDS[name](seed, interval_s)
        begins = {played.stretch(played.start_s + 3600 * h) for h in range(int(HOURS))}
        if len(begins) >= LEAST_STRETCHES:
            number -= 1
            yield seed, played
        if not number:
            return


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sessions", type=int, default=10)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--worlds", default=",".join(WORLDS))
    parser.add_argument("--interval", type=float, default=300.0)
    parser.add_argument("--renew", type=float, default=1800.0, help="seconds from forecast to forecast")
    parser.add_argument("--show", action="store_true", help="a line a session")
    asked = parser.parse_args()
    renewal.RENEW_S = asked.renew
    for name in asked.worlds.split(","):
        every: list[Look] = []
        for seed, played in leaving(name, asked.first, asked.sessions, asked.interval):
            own = list(looks(played, seed))
            every += own
            if asked.show:
                some = [k for k in own if LEAST_S < k.true_s < HORIZON_S]
                print(
                    line(f"{name[:3]} {seed} lat {played.settings.site.latitude_deg:.0f}", some), flush=True
                )
        report(name, every)


if __name__ == "__main__":
    main()
