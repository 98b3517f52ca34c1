"""What tuning costs over days of frames, in rejudgings of the same session.

python tests/benchmarks/tune_cost.py [--quick] [--trials 120]
"""

import argparse
import resource
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.intake.events import session_events
from sentinel.jobs.tune.grid import asked_for
from sentinel.jobs.tune.reading import prepared
from sentinel.jobs.tune.run import tuned
from sentinel.jobs.tune.trial import PreparedSession, rejudge_session, with_forecasts
from tests.judge import worlds


def spent_s() -> float:
    """Return the processor time of this process and of all that have ended."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one day instead of five")
    parser.add_argument("--trials", type=int, default=120)
    asked = parser.parse_args()
    world = worlds.clouds(3000, 24.0 if asked.quick else 120.0)
    events = [(event, now_utc, None) for event, now_utc in session_events(world.frames)]

    began = spent_s()
    steps = with_forecasts(world.settings, events, lambda _: None)
    anew_s = spent_s() - began
    session = prepared("clouds", world.settings, steps, None)
    once_s = min(_rejudging_s(session) for _ in range(2))

    began, began_wall = spent_s(), time.perf_counter()
    result = tuned((session,), asked_for(()), asked.trials)
    all_s, wall_s = spent_s() - began, time.perf_counter() - began_wall
    tried = sum(map(len, result.tried.values()))
    print(
        f"{session.frames} frames, {session.days:.1f} days, {len(steps)} events; "
        f"one rejudging {once_s:.2f} s\n"
        f"forecasts, made once: {anew_s / once_s:.1f} rejudgings\n"
        f"{tried} settings tried: {all_s / once_s:.0f} rejudgings of processor time, "
        f"{wall_s / once_s:.0f} by the clock on the wall (bounds: 1.3 for each setting; half of that)"
    )


def _rejudging_s(session: PreparedSession) -> float:
    began = time.process_time()
    rejudge_session(session, {})
    return time.process_time() - began


if __name__ == "__main__":
    main()
