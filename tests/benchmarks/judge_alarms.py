"""False alarms and missed ones, on invented sessions: how many, and how late the true ones come.

python tests/benchmarks/judge_alarms.py [--quick] [--sessions 20] [--hours 48] [--no-forecast] [KIND...]
"""

import argparse
import sys
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.forecast import Forecaster
from sentinel.records import Incident
from sentinel.sky import Sun
from tests.judge import worlds
from tests.judge.worlds import Session

QUIET = {
    "calm": worlds.calm,
    "cloud": worlds.clouds,
    "recentred": worlds.recentrings,
    "night": worlds.nights,
    "wind": worlds.wind,
}
# Condition, the severity that counts as found, and the time or the frames within which it should be.
TRUE = {
    "stop": (worlds.stop, "runaway", "now"),
    "reversal": (worlds.reversal, "runaway", "now"),
    "snag": (worlds.snag, "runaway", "now"),
    "knock": (worlds.knock, "moved", None),
    "focus": (worlds.focus, "soft-focus", "soon"),
    "filter": (worlds.filter_lost, "over-bright", "now"),
    "camera": (worlds.camera_stop, "no-frames", "now"),
    "cap": (worlds.cap, "lost-disc", "now"),
    "frost": (worlds.frost, "dimmed", "soon"),
    "rate": (worlds.star_rate, "runaway", "soon"),
}


def judged(session: Session, forecast: bool) -> list[Incident]:
    feed = Forecaster(session.settings, Sun(session.settings.site)).feed if forecast else None
    return worlds.judged(session, feed)[0]


def quiet(name: str, sessions: int, hours: float, forecast: bool, verbose: bool) -> None:
    waking: list[str] = []
    soon: Counter[str] = Counter()
    for seed in range(sessions):
        session = QUIET[name](1000 + seed, hours)
        for one in judged(session, forecast):
            if one.severity == "now" and one.state != "cleared":
                waking.append(
                    f"seed {1000 + seed} {one.time_utc:%d %H:%M:%S} {one.condition} {dict(one.detail)}"
                )
            soon[one.condition] += one.severity == "soon" and one.state != "cleared"
    other = ", ".join(f"{condition} {count}" for condition, count in soon.items() if count) or "none"
    print(f"{name:10} {sessions:3} sessions {sessions * hours:6.0f} h   now: {len(waking):3}   soon: {other}")
    if verbose:
        for line in waking:
            print("   ", line)


def true(name: str, sessions: int, hours: float, forecast: bool, verbose: bool) -> None:
    make, condition, severity = TRUE[name]
    delays_s: list[float] = []
    frames: list[int] = []
    late: list[str] = []
    missed = early = wrong_kind = 0
    for seed in range(sessions):
        session = make(2000 + seed, hours)
        assert session.onset is not None
        said = judged(session, forecast)
        before = [
            i for i in said if i.severity == "now" and i.time_utc < session.onset and i.state != "cleared"
        ]
        early += bool(before)
        hit = worlds.opened([i for i in said if i.time_utc >= session.onset], condition, severity)
        if hit is None:
            missed += 1
            late.append(f"seed {2000 + seed}: missed, onset {session.onset:%d %H:%M:%S}")
            continue
        delay = hit.time_utc - session.onset
        delays_s.append(delay.total_seconds())
        frames.append(sum(session.onset < f.time_utc <= hit.time_utc for f in session.frames))
        if name in ("stop", "reversal"):
            interval = timedelta(seconds=session.settings.camera.interval_s)
            by = [i for i in said if i.condition == condition and i.time_utc <= session.onset + 4 * interval]
            want = "stopped" if name == "stop" else "reversed"
            if not by or by[-1].detail["kind"] != want:
                wrong_kind += 1
                late.append(
                    f"seed {2000 + seed}: kind {by[-1].detail['kind'] if by else None} by the fourth frame"
                )
            if frames[-1] > 2:
                gap = interval.total_seconds()
                late.append(f"seed {2000 + seed}: {frames[-1]} frames at {gap:.0f} s, {dict(hit.detail)}")
    text = f"{name:10} {sessions:3} sessions   found {len(delays_s):3}   missed {missed:2}   early {early:2}"
    if delays_s:
        text += f"   delay median {median(delays_s) / 60:7.1f} min, worst {max(delays_s) / 60:7.1f} min"
        text += f"   frames median {median(frames):.0f}, worst {max(frames)}"
    if name in ("stop", "reversal"):
        text += f"   kind wrong by the fourth: {wrong_kind}"
    print(text)
    if verbose:
        for line in late:
            print("   ", line)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default=[*QUIET, *TRUE])
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--hours", type=float, default=48.0)
    parser.add_argument("--quick", action="store_true", help="3 sessions of 12 h each")
    parser.add_argument("--no-forecast", action="store_true", help="judge without the fitted mount")
    parser.add_argument("--verbose", action="store_true")
    asked = parser.parse_args()
    sessions, hours = (3, 12.0) if asked.quick else (asked.sessions, asked.hours)
    began = time.perf_counter()
    if asked.no_forecast:
        asked.kinds = [kind for kind in asked.kinds if kind != "rate"]  # only the fit can tell
    for kind in asked.kinds:
        run = quiet if kind in QUIET else true
        run(kind, sessions, hours, not asked.no_forecast, asked.verbose)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
