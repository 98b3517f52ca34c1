"""The whole pipeline on worlds that change: what it promises, whom it wakes, what it says, how sure it is.

    python tests/benchmarks/changed_worlds.py [--sessions 20] [--rows slip,cold] [--seed 0] [--jobs 1]
        [--show]

The worlds are `tests/worlds`: a generator that shares neither code nor formulas with the program. A line a
row; looks are taken every ten minutes, from 20 minutes after the change could be seen:

* late: looks at a whole disc whose safe time lies after the true exit, and the worst of it; gone: looks that
  promise a sun whose limb is over the edge by now, while no `now` is open
* woken: of the sessions that lose the sun four frames or more after the change, those in which a `now` came
  before the limb was over the edge; ahead: of those whose drift leaves it (touch 40 min or more after the
  change), woken 20 minutes ahead
* told: sessions in which what the row asks for was said within what the row asks
* wrong: sessions in which something was said that cannot be true there; onset: told ones within 3 min
* needless: `now` a day while nothing was wrong and the true exit two hours away or more
* axis: errors over their sigma above 3, either angle; worst; unseen: looks that say "not seen" of a disc
  that is
* normal rows also: median error of the exit at 1, 3, 6 h, and how often 5 to 95 % holds the truth
"""

import argparse
import os
import re
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402

from sentinel.chain.intake.events import session_events  # noqa: E402
from sentinel.chain.pipeline import Pipeline  # noqa: E402
from sentinel.core.records import Alert, Event, Forecast, MeasuredFrame, Outcome  # noqa: E402
from sentinel.core.times import from_utc_s, utc_s  # noqa: E402
from tests.forecast.watching import seconds_until  # noqa: E402
from tests.forecasts import mount_of  # noqa: E402
from tests.worlds.rows import ROWS, Row  # noqa: E402
from tests.worlds.run import Run  # noqa: E402

LOOK_S = 600.0
SETTLED_S = 1200.0
NEEDLESS_S = 7200.0
NORMAL_H = (1.0, 3.0, 6.0)
FAR_S = 48 * 3600.0


@dataclass(frozen=True)
class Said:
    """A word to people: an alert as it would have gone out, or an incident."""

    time_s: float
    alert: bool
    severity: str
    condition: str
    kind: str
    text: str
    onset_s: float

    @property
    def line(self) -> str:
        return f"{self.condition} {self.severity} {self.text}".lower()

    @property
    def wakes(self) -> bool:
        return self.alert and self.severity == "now" and self.kind in ("first", "repeat")


@dataclass(frozen=True)
class Look:
    """What stood there at a moment, and what was true."""

    time_s: float
    since_h: float
    true_s: float
    """Seconds to the limb's touching the edge; inf: none within 48 h."""
    safe_s: float
    early_s: float
    median_s: float
    late_s: float
    gone: bool
    """The disc's limb is over the edge by now, the sun up."""
    unseen: bool
    """It is said not to have been seen though it was measured in the last frames."""
    sigmas: tuple[float, float] | None
    """Error over sigma, azimuth and altitude."""
    basis: str = ""
    open_now: bool = False


@dataclass
class Result:
    """One session."""

    seed: int
    latitude_deg: float
    hours: float
    looks: list[Look] = field(default_factory=list)
    said: list[Said] = field(default_factory=list)
    change_s: float | None = None
    touch_s: float = np.inf
    """When the limb is first over an edge after the change, as it came."""
    told_from_s: float = 0.0
    interval_s: float = 60.0
    needless: list[Said] = field(default_factory=list)
    asked: bool = True
    """Whether there is anything to be told."""
    young: bool = False
    """Once the frames of before had been taken, the forecast stood on less than half of their time."""
    cpu_s: float = 0.0
    frames: int = 0


def events_of(run: Run, row: Row) -> Iterator[tuple[Event, datetime]]:
    """Yield what reaches the program; frames that lay there at the start come all at once, at that moment."""
    events = session_events(run.frames(), run.marks)
    if not row.live_history or run.world.change_h is None:
        yield from events
        return
    begin = from_utc_s(run.world.start_s + run.world.change_h * 3600)
    for event, now in events:
        if now >= begin:
            yield event, now
        elif isinstance(event, MeasuredFrame):
            yield event, begin


def session(name: str, seed: int) -> Result:
    """Run one session of a row."""
    row = ROWS[name]
    world = row.make(seed)
    run = Run(world)
    began = time.process_time()
    clock_s = world.told.clock_offset_s
    result = Result(seed, world.latitude_deg, world.hours, interval_s=world.interval_s)
    result.change_s = None if world.change_h is None else world.start_s + world.change_h * 3600
    pipeline: Pipeline | None = None
    last: Forecast | None = None
    opened: dict[str, bool] = defaultdict(bool)
    next_s, found_s = world.start_s + LOOK_S, -np.inf
    begins_utc = from_utc_s(world.start_s + (world.change_h or 0.0) * 3600)
    for event, now in events_of(run, row):
        pipeline = pipeline or Pipeline(world.settings, start_utc=now)
        now_s = utc_s(now) - clock_s
        outcome = pipeline.step(event, now)
        last = outcome.forecast or last
        if row.live_history and now > begins_utc and last is not None:
            result.young |= (mount_of(last).arc_h or 0.0) < 0.5 * (world.change_h or 0.0)
        _hear(result, outcome, now_s, clock_s)
        for incident in outcome.incidents:
            opened[incident.condition] = incident.state != "cleared" and incident.severity == "now"
        result.needless += [said for said in _woken(outcome, now_s) if _needless(result, run, said)]
        if isinstance(event, MeasuredFrame):
            result.frames += 1
            if event.disc.found and event.disc.limb_in_frame > 0.5:
                found_s = now_s
        if now_s >= next_s:
            next_s += LOOK_S * np.ceil((now_s - next_s + 1e-6) / LOOK_S)
            if last is not None:
                look = _look(run, last, now_s, found_s)
                result.looks.append(replace(look, open_now=any(opened.values())))
    result.asked = row.asks(world)
    result.cpu_s = time.process_time() - began
    i = 0 if result.change_s is None else run.index(world.change_h or 0.0)
    room, above = run.track_px[2], run.seen.altitude_deg - run.line_deg
    out = np.nonzero((room[i : run.n] <= 0) & (above[i : run.n] > 0))[0]
    result.touch_s = float(run.times_s[i + out[0]]) if len(out) else np.inf
    told_from_h = world.notes.get("told_from_h", world.change_h or 0.0)
    result.told_from_s = world.start_s + told_from_h * 3600
    return result


def _hear(result: Result, outcome: Outcome, now_s: float, clock_s: float) -> None:
    for one in outcome.incidents:
        onset_s = utc_s(one.onset_utc) - clock_s
        said = Said(now_s, False, str(one.severity), one.condition, one.state, one.message, onset_s)
        result.said.append(said)
    result.said += [_said(alert, now_s) for alert in outcome.alerts]


def _said(alert: Alert, now_s: float) -> Said:
    text = f"{alert.title}. {alert.body}"
    return Said(now_s, True, str(alert.severity), alert.condition, alert.kind, text, np.nan)


def _woken(outcome: Outcome, now_s: float) -> list[Said]:
    return [said for alert in outcome.alerts if (said := _said(alert, now_s)).wakes]


def _needless(result: Result, run: Run, said: Said) -> bool:
    if result.change_s is not None and said.time_s >= result.change_s:
        return False
    i = min(int(np.searchsorted(run.times_s, said.time_s)), run.n - 1)
    return run.exit_s(i) - said.time_s > NEEDLESS_S


def _look(run: Run, last: Forecast, now_s: float, found_s: float) -> Look:
    i = min(int(np.searchsorted(run.times_s, now_s - 1e-3)), run.n - 1)
    way, said_s = run.way_at(i), now_s + run.world.told.clock_offset_s
    f, sigmas = last, None
    axis = f.mount.axis if f.mount is not None else None
    if axis is not None and axis.azimuth_sigma_deg and axis.altitude_sigma_deg:
        azimuth, altitude = run.axis_deg(i)
        turned = (axis.azimuth_error_deg - azimuth + 180) % 360 - 180
        sigmas = (
            turned / axis.azimuth_sigma_deg,
            (axis.altitude_error_deg - altitude) / axis.altitude_sigma_deg,
        )
    return Look(
        time_s=now_s,
        since_h=float(run.since_h[i]),
        true_s=run.exit_s(i) - now_s,
        safe_s=seconds_until(f.exit.safe_utc, said_s),
        early_s=seconds_until(f.exit.early_utc, said_s),
        median_s=seconds_until(f.exit.median_utc, said_s),
        late_s=seconds_until(f.exit.late_utc, said_s),
        gone=bool(way.room_px[i] <= 0 and run.above_deg[i] > 0),
        unseen="not seen since" in f.basis and now_s - found_s < 3.5 * run.world.interval_s,
        sigmas=sigmas,
        basis=f.basis,
    )


# --- the figures ------------------------------------------------------------------------------------------


def percent(part: float, whole: float) -> str:
    return "   -  " if not whole else f"{100 * part / whole:5.1f}%"


def settled(result: Result) -> list[Look]:
    begin = result.told_from_s + SETTLED_S if result.change_s is not None else 0.0
    return [look for look in result.looks if look.time_s >= begin]


def promises(results: list[Result]) -> str:
    looks = [look for r in results for look in settled(r)]
    whole = [look for look in looks if not look.gone and look.true_s > 0]
    late = [look for look in whole if look.safe_s > look.true_s]
    worst = max((min(look.safe_s, FAR_S) - min(look.true_s, FAR_S) for look in late), default=0.0)
    out = [look for look in looks if look.gone]
    promised = [look for look in out if look.safe_s > 600 and not look.open_now]
    unseen = sum(look.unseen for look in looks)
    return (
        f"late {percent(len(late), len(whole))} of {len(whole):5d} worst {worst / 60:5.0f} min"
        f"  gone {percent(len(promised), len(out))}  unseen {percent(unseen, len(looks))}"
    )


def wakes(results: list[Result]) -> str:
    losing = [r for r in results if r.change_s is not None and _leaves_time(r)]
    heard = [first_wake_s(r) for r in losing]
    before = sum(h <= r.touch_s for h, r in zip(heard, losing, strict=True))
    roomy = [(h, r) for h, r in zip(heard, losing, strict=True) if r.touch_s - r.told_from_s >= 2400]
    ahead = sum(h <= r.touch_s - 1200 for h, r in roomy)
    text = f"woken {percent(before, len(losing))} of {len(losing):3d}"
    return f"{text} ahead {percent(ahead, len(roomy))} of {len(roomy):3d}"


def _leaves_time(result: Result) -> bool:
    """Whether the sun is lost at all, and not before anybody could know."""
    return 4 * result.interval_s <= result.touch_s - result.told_from_s < np.inf


def first_wake_s(result: Result) -> float:
    """Return when somebody was first woken after the change and before the touch's aftermath."""
    return next((s.time_s for s in result.said if s.wakes and s.time_s >= (result.change_s or 0)), np.inf)


def tellings(row: Row, results: list[Result]) -> str:
    text = ""
    if row.told:
        asked = [r for r in results if r.asked]
        told = [told_after_s(row, r) for r in asked]
        within = [
            row.within_min * 60 + (row.within_frames and row.within_frames + 0.5) * r.interval_s
            for r in asked
        ]
        good = sum(t <= w for t, w in zip(told, within, strict=True))
        never = sum(not np.isfinite(t) for t in told)
        finite = [t for t in told if np.isfinite(t)]
        median = np.median(finite) / 60 if finite else np.nan
        text += f"told {percent(good, len(told))} (median {median:.0f} min, never {never})"
    if row.wrong:
        wrong = sum(bool(wrong_words(row, r)) for r in results)
        text += f"  wrong {percent(wrong, len(results))}"
    if row.onset:
        onsets = [o for r in results if (o := onset_error_s(row, r)) is not None]
        text += f"  onset {percent(sum(abs(o) <= 180 for o in onsets), len(onsets))}"
    return text


def told_after_s(row: Row, result: Result) -> float:
    """Return how long after it could be told the row's story was; inf: never."""
    begin = result.change_s or 0.0
    for said in result.said:
        if said.time_s >= begin and said.kind != "cleared" and re.search(row.told, said.line):
            return max(said.time_s - result.told_from_s, 0.0)
    return np.inf


def wrong_words(row: Row, result: Result) -> list[Said]:
    begin = result.change_s or 0.0
    return [s for s in result.said if s.time_s >= begin and row.wrong and re.search(row.wrong, s.line)]


def onset_error_s(row: Row, result: Result) -> float | None:
    begin = result.change_s or 0.0
    hits = [s for s in result.said if not s.alert and s.time_s >= begin and re.search(row.told, s.line)]
    return hits[0].onset_s - begin if hits else None


def axes(results: list[Result]) -> str:
    sigmas = np.abs([look.sigmas for r in results for look in r.looks if look.sigmas is not None]).reshape(
        -1, 2
    )
    over = np.asarray((sigmas > 3).any(axis=1))
    worst = float(sigmas.max()) if len(sigmas) else 0.0
    return f"axis >3 {percent(float(over.sum()), len(over))} worst {worst:5.1f}"


def skill(results: list[Result]) -> str:
    text = ""
    for hours in NORMAL_H:
        at = [min(r.looks, key=lambda k: abs(k.since_h - hours)) for r in results if r.looks]
        at = [k for k in at if abs(k.since_h - hours) < 0.2 and np.isfinite(k.true_s) and k.true_s > 1200]
        if at:
            error = [abs(min(k.median_s, FAR_S) - k.true_s) / k.true_s for k in at]
            late = sum(k.safe_s > k.true_s for k in at)
            inside = sum(k.early_s <= k.true_s <= k.late_s for k in at)
            text += (
                f"\n             {hours:.0f} h: {len(at)} leave, error {100 * np.median(error):.1f} %,"
                f" safe late {percent(late, len(at))}, 5-95 holds {percent(inside, len(at))}"
            )
    return text


def coverage(results: list[Result]) -> str:
    """Say how often 5 to 95 % holds the truth, by the session's hour."""
    text = "\n             5-95 holds by hour:"
    for begin, end in ((0, 1), (1, 3), (3, 6), (6, 12), (12, 24), (24, 48), (48, 121)):
        at = [k for r in results for k in r.looks if begin <= k.since_h < end and 1200 < k.true_s < FAR_S]
        inside = sum(k.early_s <= k.true_s <= k.late_s for k in at)
        below = sum(k.true_s < k.early_s for k in at)
        if at:
            text += f" {begin}-{end}: {percent(inside, len(at))} (sooner {percent(below, len(at))})"
    return text


def report(name: str, results: list[Result]) -> str:
    row = ROWS[name]
    quiet_s = sum(
        (r.change_s - r.looks[0].time_s if r.change_s is not None else r.hours * 3600)
        for r in results
        if r.looks
    )
    needless = sum(len(r.needless) for r in results)
    days = max(quiet_s / 86_400, 0.01)
    frames = sum(r.frames for r in results)
    parts = [
        f"{name:10} {len(results):3d}  {promises(results)}",
        wakes(results) if any(r.change_s is not None for r in results) and row.told else "",
        tellings(row, results),
        f"needless {needless / days:.2f}/d ({needless})",
        axes(results),
        f"young {percent(sum(r.young for r in results), len(results))}" if row.live_history else "",
        f"{1000 * sum(r.cpu_s for r in results) / max(frames, 1):.1f} ms/frame",
    ]
    text = "  ".join(part for part in parts if part)
    if name == "normal" or name.startswith("lat"):
        text += skill(results)
    if name in ("normal", "long"):
        text += coverage(results)
    return text


def details(name: str, results: list[Result]) -> Iterator[str]:
    """Yield the sessions with something to look at."""
    row = ROWS[name]
    for r in results:
        late = [k for k in settled(r) if not k.gone and k.true_s > 0 and k.safe_s > k.true_s]
        text = f"  {name} seed {r.seed} lat {r.latitude_deg:.1f}"
        if late:
            first = late[0]
            at_min = (first.time_s - (r.change_s or r.looks[0].time_s)) / 60
            text += f" | late {len(late)}, first at +{at_min:.0f} min: true {first.true_s / 60:.0f}"
            text += f" safe {first.safe_s / 60:.0f} ({first.basis})"
        if row.told:
            text += f" | told after {told_after_s(row, r) / 60:.1f} min"
        if r.change_s is not None and np.isfinite(r.touch_s):
            touch, woken = r.touch_s - r.change_s, first_wake_s(r) - r.change_s
            text += f" | touch +{touch / 60:.0f} min, woken +{woken / 60:.0f}"
        for said in [*r.needless, *wrong_words(row, r)[:2]]:
            when = f"{from_utc_s(round(said.time_s)):%d %H:%M}"
            text += f"\n      {when} {said.condition} {said.severity} {said.text}"
        worst = max((abs(s) for k in r.looks if k.sigmas for s in k.sigmas), default=0.0)
        if worst > 3:
            text += f" | axis {worst:.1f} sigma"
        yield text


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--rows", default=",".join(ROWS), help="names, separated by commas")
    parser.add_argument("--seed", type=int, default=0, help="of the first session")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--show", action="store_true", help="a line a session")
    asked = parser.parse_args()
    names = asked.rows.split(",")
    unknown = [name for name in names if name not in ROWS]
    if unknown:
        parser.error(f"no row is called {', '.join(unknown)}; there are {', '.join(ROWS)}")
    everything: list[Result] = []
    seeds = range(asked.seed, asked.seed + asked.sessions)
    began = time.perf_counter()
    pool = ProcessPoolExecutor(asked.jobs) if asked.jobs > 1 else None
    for name in names:
        repeated = [name] * len(seeds)
        results = list(pool.map(session, repeated, seeds) if pool else map(session, repeated, seeds))
        everything += results
        print(report(name, results), flush=True)
        if asked.show:
            print("\n".join(details(name, results)), flush=True)
    days = (
        sum(
            r.hours if r.change_s is None else (r.change_s - r.looks[0].time_s) / 3600
            for r in everything
            if r.looks
        )
        / 24
    )
    print(f"over all: {promises(everything)}  {axes(everything)}")
    needless = sum(len(r.needless) for r in everything)
    print(f"          needless {needless / max(days, 1e-9):.2f} a day of {days:.1f} days")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
