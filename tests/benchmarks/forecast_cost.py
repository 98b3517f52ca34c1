"""What forecasting costs a frame, over a long session: mean, flatness, memory.

    python tests/benchmarks/forecast_cost.py [--quick]

Processor time of one core, forecasting only. The session is invented: 20,000 frames (quick: 4,000) a minute
apart, two hours of nothing seen every day, and a re-centring every nine hours.
"""

import argparse
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.records import Disc
from tests.forecast.sessions import Session


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    number = 4_000 if parser.parse_args().quick else 20_000
    hours = number / 60
    rng = np.random.default_rng(1)
    places = tuple(
        (float(at), (float(rng.uniform(2000, 4000)), float(rng.uniform(1500, 2500))))
        for at in np.arange(9.0, hours, 9.0)
    )
    session = Session(
        azimuth_error_deg=0.3, altitude_error_deg=-0.2, worm_arcsec=12, wind_arcsec=3, flexure="ou",
        flexure_arcsec=10, watched_h=hours, followed_h=hours + 1, recentred=places, seed=2,
    )  # fmt: skip
    forecaster = Following(Context(session.settings, session.sun))
    spent = np.empty(number)
    renewed = 0
    for i, frame in enumerate(session.frames()[:number]):
        seen = replace(frame, disc=Disc(found=False)) if i % 1440 > 1300 else frame
        begin = time.process_time()
        renewed += forecaster.feed(seen, seen.time_utc) is not None
        spent[i] = time.process_time() - begin
    thousands = spent[: number // 1000 * 1000].reshape(-1, 1000).mean(axis=1) * 1e3
    print(f"{number} frames, {renewed} forecasts; mean {1e3 * spent.mean():.2f} ms a frame")
    print(f"first hour {1e3 * spent[:60].mean():.2f} ms a frame, dearest frame {1e3 * spent.max():.0f} ms")
    print("by thousands:", " ".join(f"{mean:.2f}" for mean in thousands))
    print(f"last over second thousand: {thousands[-1] / thousands[1]:.2f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB, frames included")


if __name__ == "__main__":
    main()
