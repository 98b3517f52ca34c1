"""From a request to a drill that can begin, and what is said before and after."""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from sentinel.core.clock import SystemClock
from sentinel.core.errors import RequestProblem
from sentinel.core.files import refuse_used
from sentinel.core.settings import Settings, load_settings
from sentinel.core.times import from_utc_s, utc_s
from sentinel.core.typed import read_span_s
from sentinel.core.words import times_in
from sentinel.jobs.rehearse.drills import Drill, drill_of
from sentinel.jobs.rehearse.run import DrillOutcome, Rehearsal
from sentinel.jobs.rehearse.stage import (
    SHIPPED_START_UTC,
    calm_world,
    first_light,
    shipped_settings,
    watch_settings,
)

SHIPPED_SPEED = 60.0
FASTEST = 120.0
"""Faster than this a watch cannot look."""
LEAST_BEFORE = timedelta(minutes=10)
"""So long it must have seen a calm mount."""
LONGEST = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for."""

    scenario: str | None
    configs: Sequence[Path]
    speed: float | None = None
    at: str = "25min"
    lasts: str = "65min"
    surprise: bool = False
    helper: bool | None = None
    out: Path | None = None


def prepared(request: Request, say: Callable[[str], None]) -> Rehearsal:
    """Return the drill, ready to begin, and say what is about to happen.

    Raises `RequestProblem` if something asked for cannot be.
    """
    own = bool(request.configs)
    settings = load_settings(request.configs) if own else shipped_settings()
    speed = request.speed if request.speed is not None else 1.0 if own else SHIPPED_SPEED
    if not 1 <= speed <= FASTEST:
        raise RequestProblem(f"cannot go at {speed:g} times", where="--speed", mend=f"say 1 to {FASTEST:g}")
    at, length = _spans(request)
    now_utc = SystemClock().now_utc()
    seed = int(utc_s(now_utc) * 1000) % 1_000_000
    start_utc = first_light(settings, now_utc, length) if own else SHIPPED_START_UTC
    world = calm_world(settings, start_utc, length, seed)
    drill = drill_of(request.scenario, world, at, surprise=request.surprise, seed=seed)
    if request.out is not None:
        refuse_used(request.out, mend="name a new folder with --out")
    base = request.out or Path(tempfile.mkdtemp(prefix="sentinel-rehearsal-"))
    watched = watch_settings(settings, world, (base / "in").absolute(), speed)
    helper = request.helper if request.helper is not None else not own
    rehearsal = Rehearsal(watched, drill, base, speed, helper=helper, say=say)
    for line in _opening(drill, watched, rehearsal, now_utc, speed=speed, secret=request.surprise):
        say(line)
    return rehearsal


def _spans(request: Request) -> tuple[timedelta, timedelta]:
    at = timedelta(seconds=read_span_s(request.at, bare="min", where="--at"))
    length = timedelta(seconds=read_span_s(request.lasts, bare="min", where="--for"))
    if at < LEAST_BEFORE:
        raise RequestProblem(
            f"{request.at} is too early: the watch must know a calm mount first",
            where="--at",
            mend=f"give it {LEAST_BEFORE.total_seconds() / 60:.0f} min or more",
        )
    longest_at = 2 * at if request.surprise else at
    if not longest_at < length <= LONGEST:
        raise RequestProblem(
            f"{request.lasts} does not reach beyond what happens",
            where="--for",
            mend="make it longer than --at (with --surprise twice that), three days at most",
        )
    return at, length


def _opening(
    drill: Drill, settings: Settings, rehearsal: Rehearsal, now_utc: datetime, *, speed: float, secret: bool
) -> list[str]:
    times = times_in(settings.alerts.zone)
    start_utc, end_utc = from_utc_s(drill.calm.start_s), from_utc_s(drill.calm.end_s)
    state = rehearsal.files.folder
    served = settings.page.listen
    page = f"http://{served}" if served else (state / "status.html").absolute().as_uri()
    lines = [
        f"Rehearsal from {times.dated(start_utc)} to {times.at(end_utc)}, {speed:g} times as fast as life."
        + ("" if start_utc - now_utc < timedelta(hours=1) else " The sun is well up then."),
        "At some time something happens."
        if secret
        else f"At {times.at(drill.at_utc)} {drill.kind.happened}.",
        f"Page      {page}",
        f"Told to   {', '.join(c.name for c in settings.channels) or 'this terminal alone'}",
        f"Note what is done:  sentinel mark KIND --state {state}",
    ]
    if drill.kind.mended_by and not secret:
        lines.append(f"It is mended by     {' or '.join(sorted(drill.kind.mended_by))}")
    return [*lines, ""]


def outcome_lines(outcome: DrillOutcome, rehearsal: Rehearsal) -> list[str]:
    """Return what came of it: what happened, what was sent and done when, and whether the sun was saved."""
    times = rehearsal.times
    lines = [f"{times.at(one.time_utc)}  {one.what:<14}  {one.text}" for one in outcome.told]
    return ["", *lines, "", outcome.ending, f"Report    sentinel report {rehearsal.files.folder}"]
