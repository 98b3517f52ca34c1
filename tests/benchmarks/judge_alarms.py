"""False alarms and missed ones, on invented sessions: how many, and how late the true ones come.

python tests/benchmarks/judge_alarms.py [--quick] [--sessions 20] [--hours 48] [--first 0]
    [--no-forecast] [--verbose] [KIND...]

A session with a fault is judged until some hours after its onset: what is not found by then counts as missed.
"""

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.records import Incident
from sentinel.service.journal.codec import plain
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
# Condition and the severity that counts as found.
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


FOUND_WITHIN = timedelta(hours=6)
Tell = Callable[[str], None]


def told(line: str) -> None:
    print(line, flush=True)


def shortened(session: Session) -> Session:
    """Return the session up to the first frame past the time in which its fault should be found."""
    assert session.onset is not None
    last = session.onset + FOUND_WITHIN
    end = next((k for k, frame in enumerate(session.frames) if frame.time_utc > last), len(session.frames))
    return replace(session, frames=session.frames[: end + 1])


def judged(session: Session, forecast: bool) -> list[Incident]:
    feed = Following(Context(session.settings, Sun(session.settings.site))).feed if forecast else None
    return worlds.judged(session, feed)[0]


def wakes(incident: Incident) -> bool:
    return incident.severity == "now" and incident.state != "cleared"


def line_of(incident: Incident) -> str:
    detail = plain(incident.detail)
    return f"{incident.severity} {incident.time_utc:%d %H:%M:%S} {incident.condition} {detail}"


def quiet(name: str, seeds: range, hours: float, forecast: bool, tell: Tell) -> None:
    waking = 0
    soon: Counter[str] = Counter()
    for seed in seeds:
        said = [i for i in judged(QUIET[name](1000 + seed, hours), forecast) if i.state != "cleared"]
        waking += sum(wakes(one) for one in said)
        soon.update(one.condition for one in said if one.severity == "soon")
        tell(f"seed {seed}: " + ("; ".join(line_of(i) for i in said if i.severity != "note") or "nothing"))
    other = ", ".join(f"{condition} {count}" for condition, count in soon.items()) or "none"
    told(f"{name:10} {len(seeds):3} sessions {len(seeds) * hours:6.0f} h   now: {waking:3}   soon: {other}")


@dataclass(frozen=True)
class Find:
    """How one session's fault was found: None where it was not; the kind said by the fourth frame."""

    early: list[Incident]
    hit: Incident | None
    delay_s: float
    frames: int
    kind_right: bool

    def __str__(self) -> str:
        text = f"{self.delay_s / 60:.1f} min, {self.frames} frames, " if self.hit else "missed "
        text += line_of(self.hit) if self.hit else ""
        text += "" if self.kind_right else "   kind wrong by the fourth"
        return text + "".join(f"   early: {line_of(one)}" for one in self.early)


def found(name: str, session: Session, said: list[Incident]) -> Find:
    _, condition, severity = TRUE[name]
    onset = session.onset
    assert onset is not None
    early = [i for i in said if wakes(i) and i.time_utc < onset]
    hit = worlds.opened([i for i in said if i.time_utc >= onset], condition, severity)
    fourth = onset + 4 * timedelta(seconds=session.settings.camera.interval_s)
    by = [i for i in said if i.condition == condition and i.time_utc <= fourth]
    want = {"stop": "stopped", "reversal": "reversed"}.get(name)
    right = want is None or (bool(by) and plain(by[-1].detail)["kind"] == want)
    if hit is None:
        return Find(early, None, float("nan"), 0, right)
    frames = sum(onset < f.time_utc <= hit.time_utc for f in session.frames)
    return Find(early, hit, (hit.time_utc - onset).total_seconds(), frames, right)


def true(name: str, seeds: range, hours: float, forecast: bool, tell: Tell) -> None:
    finds: list[Find] = []
    for seed in seeds:
        session = shortened(TRUE[name][0](2000 + seed, hours))
        finds.append(found(name, session, judged(session, forecast)))
        tell(f"seed {seed}: {session.settings.camera.interval_s:.0f} s cadence, {finds[-1]}")
    hits = [one for one in finds if one.hit]
    missed, early = len(finds) - len(hits), sum(bool(one.early) for one in finds)
    text = f"{name:10} {len(finds):3} sessions   found {len(hits):3}   missed {missed:2}   early {early:2}"
    if hits:
        delays, frames = [one.delay_s / 60 for one in hits], [one.frames for one in hits]
        text += f"   delay median {median(delays):7.1f} min, worst {max(delays):7.1f} min"
        text += f"   frames median {median(frames):.0f}, worst {max(frames)}"
    if name in ("stop", "reversal"):
        text += f"   kind wrong by the fourth: {sum(not one.kind_right for one in finds)}"
    told(text)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default=[*QUIET, *TRUE])
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="seed of the first session")
    parser.add_argument("--hours", type=float, default=48.0)
    parser.add_argument("--quick", action="store_true", help="3 sessions of 12 h each")
    parser.add_argument("--no-forecast", action="store_true", help="judge without the fitted mount")
    parser.add_argument("--verbose", action="store_true", help="a line a session, as it goes")
    asked = parser.parse_args()
    sessions, hours = (3, 12.0) if asked.quick else (asked.sessions, asked.hours)
    began = time.perf_counter()
    if asked.no_forecast:
        asked.kinds = [kind for kind in asked.kinds if kind != "rate"]  # only the fit can tell
    seeds = range(asked.first, asked.first + sessions)

    def tell(line: str) -> None:
        if asked.verbose:
            told(f"    {line}")

    for kind in asked.kinds:
        run = quiet if kind in QUIET else true
        run(kind, seeds, hours, not asked.no_forecast, tell)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
