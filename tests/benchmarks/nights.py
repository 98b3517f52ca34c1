"""Five days with somebody who does exactly as told, and the same person without the program.

    python tests/benchmarks/nights.py [--sessions 200] [--seed 0] [--fault slip] [--rows told,aligned,line]
        [--show] [--words]

The world is `tests/worlds`, the program the real pipeline with its lists and its `status --until`; a session
costs half a minute for each row with the program. Kept: the share of the sun's minutes with the whole disc in
the frame, thick cloud left out. Each lost minute is accounted for: no time (a mount that stops leaves less
than the way), not told, told late, told wrongly, not heard, asked the impossible (with the sun down), supply.
"""

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402

from tests.worlds import operator, people  # noqa: E402
from tests.worlds.people import Account  # noqa: E402
from tests.worlds.trips import FAULTS, fault_of, trip  # noqa: E402
from tests.worlds.world import World  # noqa: E402

STRATEGIES: dict[str, Callable[[World], Account]] = {
    "told": lambda world: operator.as_told(world)[0],
    "aligned": lambda world: operator.as_told_and_aligned(world)[0],
    "line": people.straight_line,
    "never": people.never_sleeps,
    "without": people.without,
}


def session(name: str, seed: int, fault: str | None) -> Account:
    """Run one session for one of them."""
    return STRATEGIES[name](trip(seed, fault=fault))


def summary(accounts: list[Account]) -> str:
    if not accounts:
        return ""
    kept = np.array([account.kept for account in accounts])
    nights = sum(account.nights for account in accounts)
    lost: Counter[str] = Counter()
    for account in accounts:
        lost.update(account.lost)
    why = ", ".join(f"{key} {count}" for key, count in lost.most_common() if count)
    return (
        f"{accounts[0].who:24} {len(accounts):3d}"
        f"  kept {100 * kept.mean():6.2f} % worst {100 * kept.min():6.2f}"
        f"  woken {sum(a.wakes for a in accounts) / nights:5.2f} a night"
        f"  slept {np.mean([a.slept_h for a in accounts]):4.2f} h"
        f"  visits {sum(a.visits for a in accounts) / nights:4.1f} a day  lost min: {why or 'none'}"
    )


def shown(account: Account, seed: int, fault: str | None, *, words: bool) -> str:
    world, kind = trip(seed, fault=fault), fault or fault_of(seed)
    start = datetime.fromtimestamp(world.start_s, UTC)
    text = f"  seed {seed} {kind} lat {world.latitude_deg:.1f} from {start:%Y-%m-%d %H:%M}"
    text += f" {account.who}:"
    text += f" kept {100 * account.kept:.2f} % woken {account.wakes} visits {account.visits} {account.lost}"
    if world.change_h is not None:
        text += f" | fault {at(world.start_s + world.change_h * 3600)}"
    for begin, end, why in account.spans:
        text += f"\n    lost {at(begin)} to {at(end)} ({(end - begin) / 60:.0f} min): {why}"
        if words:
            near = [s for s in account.log if begin - 6 * 3600 <= s.time_s <= end + 600]
            text += "".join(f"\n      {at(s.time_s)} {s.what}: {s.text}" for s in near[-40:])
    return text


def at(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%d %H:%M}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0, help="of the first session")
    parser.add_argument(
        "--fault", choices=[*FAULTS, "none"], help="the same in all; else every third has one"
    )
    parser.add_argument("--rows", default=",".join(STRATEGIES))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--show", action="store_true", help="a line a session and a line a loss")
    parser.add_argument("--words", action="store_true", help="and what was said and done before each loss")
    asked = parser.parse_args()
    began = time.perf_counter()
    seeds = list(range(asked.seed, asked.seed + asked.sessions))
    pool = ProcessPoolExecutor(asked.jobs) if asked.jobs > 1 else None
    table: dict[str, list[Account]] = {}
    for name in asked.rows.split(","):
        many = [name] * len(seeds), seeds, [asked.fault] * len(seeds)
        table[name] = []
        for seed, account in zip(
            seeds, pool.map(session, *many) if pool else map(session, *many), strict=True
        ):
            table[name].append(account)
            if asked.show or asked.words:
                print(shown(account, seed, asked.fault, words=asked.words), flush=True)
    if pool is not None:
        # Else the interpreter's end takes its threads by surprise.
        pool.shutdown()
    kinds = [asked.fault or fault_of(seed) for seed in seeds]
    for kind in dict.fromkeys(("none", *kinds)):
        print(f"{kind}:")
        for accounts in table.values():
            print(f"  {summary([a for a, k in zip(accounts, kinds, strict=True) if k == kind])}")
    print("all:")
    for accounts in table.values():
        print(f"  {summary(accounts)}")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
