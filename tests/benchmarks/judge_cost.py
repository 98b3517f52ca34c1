"""What the judge costs: its step, and rejudging five days of frames.

python tests/benchmarks/judge_cost.py [--quick]
"""

import argparse
import sys
import time
from datetime import datetime
from pathlib import Path
from statistics import mean, median

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.intake.events import session_events
from sentinel.chain.pipeline import Pipeline
from sentinel.core.records import Event, Forecast, MeasuredFrame
from sentinel.sky import Sun
from tests.judge import worlds
from tests.judge.tracks import Judging

Events = list[tuple[Event, datetime]]


RUNS = 5


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one day instead of five")
    parser.add_argument("--profile", action="store_true", help="show where the time goes")
    asked = parser.parse_args()
    hours = 24.0 if asked.quick else 120.0
    for name, make in (("calm", worlds.calm), ("cloud", worlds.clouds), ("wind", worlds.wind)):
        session = make(3000, hours)
        events = list(session_events(session.frames))
        judge = Judging(session.settings, Sun(session.settings.site))
        print(f"{name:6} {step_cost(judge, events)}")
    if asked.profile:
        profile(judge, events)
    whole(worlds.clouds(3000, hours))


def step_cost(judge: Judging, events: Events) -> str:
    """Return what one step costs: of each event the least of some runs, as if nothing else went on."""
    least_s = [float("inf")] * len(events)
    for _ in range(RUNS):
        state = judge.fresh(events[0][1])
        for i, (event, now) in enumerate(events):
            at = time.perf_counter()
            state, _ = judge.step(state, event, now)
            least_s[i] = min(least_s[i], time.perf_counter() - at)
    frames_s = [s for s, (event, _) in zip(least_s, events, strict=True) if isinstance(event, MeasuredFrame)]
    return (
        f"{len(frames_s)} frames, {len(events)} events: {sum(least_s):.2f} s in all; a frame's step: "
        f"median {median(frames_s) * 1e3:.3f} ms, mean {mean(frames_s) * 1e3:.3f} ms (bound 0.15), "
        f"slowest {max(frames_s) * 1e3:.1f} ms"
    )


def whole(session: worlds.Session) -> None:
    """Print what rejudging costs, messages and all: with forecasts made anew, and on those made before."""
    events = list(session_events(session.frames))
    made: list[Forecast | None] = []
    began = time.process_time()
    pipeline = Pipeline(session.settings, events[0][1])
    for event, now in events:
        made.append(pipeline.step(event, now).forecast)
    anew_s, began = time.process_time() - began, time.process_time()
    pipeline = Pipeline(session.settings, events[0][1])
    for (event, now), forecast in zip(events, made, strict=True):
        pipeline.step_with(event, forecast, now)
    again_s = time.process_time() - began
    print(
        f"rejudging {len(session.frames)} frames: {again_s:.1f} s on forecasts made before, {anew_s:.1f} s"
        " with forecasts made anew (bounds for five days: 5 s and 40 s); processor time, as it came"
    )


def profile(judge: Judging, events: Events) -> None:
    """Print the functions that take the most time."""
    import cProfile  # noqa: PLC0415
    import pstats  # noqa: PLC0415

    def run() -> None:
        state = judge.fresh(events[0][1])
        for event, now in events:
            state, _ = judge.step(state, event, now)

    profiler = cProfile.Profile()
    profiler.runcall(run)
    pstats.Stats(profiler).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()
