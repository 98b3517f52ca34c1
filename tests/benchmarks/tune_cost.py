"""What tuning costs over sessions of days, in processor time and in judgings of one session.

    python tests/benchmarks/tune_cost.py [--sessions 10] [--hours 120] [--trials 200]

Invented sessions of different worlds. A bar: ten of five days, 200 settings, in at most 3 min on two cores,
their forecasts made already, as a watch or a replay leaves them. Forecasts that have to be made are counted
apart. Half of the processor time of all processes is what two cores take that do nothing else.
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
from sentinel.jobs.tune.trial import with_forecasts
from tests.judge import worlds
from tests.tune.sessions import judge_session

WORLDS = (worlds.clouds, worlds.nights, worlds.recentrings, worlds.focus, worlds.knock)


def spent_by_all_s() -> float:
    """Return the processor time of this process and of all that have ended."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=10)
    parser.add_argument("--hours", type=float, default=120.0)
    parser.add_argument("--trials", type=int, default=200)
    asked = parser.parse_args()
    foreseeing_s = judging_s = ready_s = 0.0
    sessions = []
    for number in range(asked.sessions):
        world = WORLDS[number % len(WORLDS)](3000 + number, asked.hours)
        events = [(event, now_utc, None) for event, now_utc in session_events(world.frames)]
        began = time.process_time()
        steps = with_forecasts(world.settings, events, lambda _: None)
        foreseeing_s += time.process_time() - began
        began = time.process_time()
        judge_session(world.settings, steps)
        judging_s += time.process_time() - began
        began = time.process_time()
        sessions.append(prepared(f"{number}", world.settings, steps, None))
        ready_s += time.process_time() - began
        print(f"{number}: {sessions[-1].frames} frames, {len(steps)} events", flush=True)

    began = spent_by_all_s()
    result = tuned(tuple(sessions), asked_for(()), asked.trials)
    sweep_s = spent_by_all_s() - began
    tried = sum(map(len, result.tried.values()))
    spent_s = ready_s + sweep_s
    print(
        f"{asked.sessions} sessions of {asked.hours / 24:.1f} days, {tried} settings of {asked.trials}\n"
        f"judged once, all of them: {judging_s:.0f} s of processor time; in judgings of all of them:\n"
        f"  forecasts, if they are to be made: {foreseeing_s / judging_s:.1f}\n"
        f"  made ready: {ready_s / judging_s:.1f}; every setting: {sweep_s / judging_s:.1f}\n"
        f"made ready and tuned: {spent_s:.0f} s of processor time, {spent_s / 2:.0f} s on two cores "
        f"(bar 180); with forecasts {(spent_s + foreseeing_s) / 2:.0f} s"
    )


if __name__ == "__main__":
    main()
