"""What the judge costs: its step, and rejudging five days of frames.

python tests/benchmarks/judge_cost.py [--quick]
"""

import argparse
import sys
import time
from datetime import datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.intake.events import session_events
from sentinel.judge import Judge
from sentinel.records import Event, MeasuredFrame
from sentinel.sky import Sun
from tests.judge import worlds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one day instead of five")
    parser.add_argument("--profile", action="store_true", help="show where the time goes")
    asked = parser.parse_args()
    hours = 24.0 if asked.quick else 120.0
    for name, make in (("calm", worlds.calm), ("cloud", worlds.clouds), ("wind", worlds.wind)):
        session = make(3000, hours)
        events = list(session_events(session.frames))
        judge = Judge(session.settings, Sun(session.settings.site))
        for _ in range(2):  # the second time the sun's table is there
            state = judge.fresh(events[0][1])
            began, slowest, frames_s = time.process_time(), 0.0, []
            for event, now in events:
                at = time.process_time()
                state, _ = judge.step(state, event, now)
                took = time.process_time() - at
                if isinstance(event, MeasuredFrame):
                    frames_s.append(took)
                slowest = max(slowest, took)
            whole = time.process_time() - began
        frames_s.sort()
        middle, mean = frames_s[len(frames_s) // 2], sum(frames_s) / len(frames_s)
        print(
            f"{name:6} {len(frames_s)} frames, {len(events)} events: {whole:.2f} s in all; a frame's step: "
            f"median {middle * 1e3:.3f} ms, mean {mean * 1e3:.3f} ms (aim: 0.15), "
            f"slowest {slowest * 1e3:.1f} ms"
        )
    if asked.profile:
        profile(judge, events)


def profile(judge: Judge, events: list[tuple[Event, datetime]]) -> None:
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
