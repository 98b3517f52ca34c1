"""A mount that fails evenly: the disc goes on along one line at one pace, however fast or slow.

A clutch that slips, a drive at another rate, one that runs back slowly: none lets the disc go at the sky's
own rate. What tells them from people is how they begin: all was quiet, then the same step along the drive's
line, again and again.

- going: whole steps alike, along the drive's line. Three frames after the onset.
- sliding: steps no larger than those of wind and worm, which add up along one line as nothing else does. Told
  as soon as the way gone stands well above the worm's swing and the doubt of the usual drift.
"""

from math import atan2, cos, degrees, hypot, pi, radians, sqrt
from typing import NamedTuple

from sentinel.chain.track.context import Context
from sentinel.chain.track.fast_runs import FASTEST_STOP, SLIPPING, air_pace, kind_of, pace_of, same_way
from sentinel.chain.track.path import (
    DRIFT_TRAIL,
    TRAIL,
    Path,
    Step,
    Vector,
    along_and_across,
    drift_of,
    is_tracking,
    quiet_px,
)
from sentinel.chain.track.runs import Suspicion

_EXACT_DEG = 3.0
_ROUGH_DEG = 12.0
"""Fit of the way to the drive's line: of a disc that anybody might push; of one that outruns the sky."""
_OUTRUNS = 1.05
_SLIDES = (3, 4, 6, 9, 13, 20, 28)
"""Frames that a slide is looked for in."""
_BASE_S, _BASE_FRAMES = 1800.0, 8
_WORM_TURN_S = 640.0
"""A turn of the slower worms: less than one does not tell how far it swings."""
_SLOWEST = 0.018
"""Of the sky's rate: slower than this is for the fit to say."""
_SIGMAS = 6.0


def going(path: Path, context: Context, line: Vector | None) -> Suspicion | None:
    """Return what whole steps of one length amount to.

    `line`: the way of the drive in the picture, forward or backward; None: not known.
    """
    run = _run(path, context)
    if run is None:
        return None
    way, steps, lead = run
    before, last = steps[-2:]
    paces = pace_of(before, way), pace_of(last, way)
    noise = 3 * path.jitter_px / min(before.sky_px, last.sky_px)
    if abs(paces[0] - paces[1]) > 0.05 * max(paces) + noise:
        return None
    pace = sum(paces) / 2
    if not context.thresholds.runaway_rate_fraction + air_pace(path, context) <= pace <= FASTEST_STOP:
        return None
    whole = len(steps) if pace_of(steps[0], way) > 0.93 * pace - noise else len(steps) - 1
    if not _enough(way, pace, whole, line, noise):
        return None
    first = steps[0] if whole < len(steps) else lead
    share = min(max(pace_of(first, way) / pace, 0.0), 1.0)
    return Suspicion(kind_of(pace), first.time_s - share * first.seconds, way, pace, "even")


def _run(path: Path, context: Context) -> tuple[Vector, tuple[Step, ...], Step] | None:
    """Return the way of the last steps that go one way, them, and the quiet one before; None: no such run."""
    if len(path.steps) < 3:
        return None
    way = same_way(path.steps[-2:], path, context)
    if way is None:
        return None
    count = 2
    while count < len(path.steps):
        step = path.steps[-count - 1]
        if step.excess_px <= quiet_px(path, step.sky_px, context):
            return way, path.steps[-count:], step
        along, across = along_and_across(step.excess, way)
        longest = 1.1 * path.steps[-1].excess_px * step.seconds / path.steps[-1].seconds
        if across > max(3.5 * path.jitter_px, 0.15 * along) or not 0 < along <= longest:
            return None  # somebody pushed it there
        count += 1
    return None


def _enough(way: Vector, pace: float, whole: int, line: Vector | None, noise: float) -> bool:
    """Whether so many whole steps that way are a mount's; the less they look it, the more it takes."""
    if line is None:
        return pace >= _OUTRUNS and whole >= 3
    along, across = along_and_across(way, line)
    exact_deg = hypot(_EXACT_DEG, degrees(noise / pace) / 2)
    within_deg = _ROUGH_DEG if pace >= _OUTRUNS else exact_deg
    return whole >= 2 and degrees(atan2(across, abs(along))) <= within_deg


class Slide(NamedTuple):
    """A disc that leaves its usual way slowly."""

    suspicion: Suspicion
    drift: Vector
    """The usual drift before it, px/s."""


def sliding(path: Path, context: Context, line: Vector | None) -> Slide | None:
    """Return the slow slide that the last places amount to."""
    if not is_tracking(path, context) or not path.steps:
        return None
    away = _beyond(path, 9)
    if away is None or hypot(*away.off[-1]) < 5 * path.jitter_px:
        return None
    for count in _SLIDES:
        away = _beyond(path, count)
        if away is None:
            return None
        found = _slide(path, context, away, line)
        if found is not None:
            return found
    return None


class _Away(NamedTuple):
    """How far the last places lie from where the usual drift before them would have taken the disc."""

    times_s: tuple[float, ...]
    off: tuple[Vector, ...]
    base_s: float
    """Of the last place before."""
    sigma_px: float
    """Scatter about the usual drift."""
    slope_px_s: float
    """How well that drift is known."""
    lead_s: float
    """From the middle of the base to the last place."""
    drift: Vector


def _beyond(path: Path, count: int) -> _Away | None:
    trail = path.trail
    base, new = trail[:-count], trail[-count:]
    if len(base) < _BASE_FRAMES or len(new) < count:
        return None
    oldest = next(k for k, point in enumerate(base) if base[-1][0] - point[0] <= _BASE_S)
    base = base[min(oldest, len(base) - _BASE_FRAMES) :]
    drift = drift_of(base, path.drift)
    n = len(base)
    middle = [sum(point[k] for point in base) / n for k in range(3)]

    def off(point: tuple[float, float, float]) -> Vector:
        seconds = point[0] - middle[0]
        return point[1] - middle[1] - drift[0] * seconds, point[2] - middle[2] - drift[1] * seconds

    squares = sum(x * x + y * y for x, y in map(off, base))
    sigma = max(sqrt(squares / (2 * n)), path.jitter_px)
    span = base[-1][0] - base[0][0]
    if span <= 0 or (span < _WORM_TURN_S and len(trail) < TRAIL):
        return None
    offs = tuple(map(off, new))
    # The worm errs alike for minutes: however many frames, its swing tilts the base by so much.
    return _Away(
        tuple(point[0] for point in new),
        offs,
        base[-1][0],
        sigma,
        2.5 * sigma / span,
        new[-1][0] - middle[0],
        drift,
    )


def _slide(path: Path, context: Context, away: _Away, line: Vector | None) -> Slide | None:
    seconds = away.times_s[-1] - away.times_s[0]
    speed = tuple((away.off[-1][k] - away.off[0][k]) / seconds for k in (0, 1))
    px_s, step = hypot(*speed), path.steps[-1]
    sky_px_s = step.sky_px / step.seconds
    pace = px_s / sky_px_s
    if pace < _SLOWEST + 1.5 * air_pace(path, context):
        return None
    way = (speed[0] / px_s, speed[1] / px_s)
    doubt = hypot(away.sigma_px, away.slope_px_s * away.lead_s)
    reach = along_and_across(away.off[-1], way)[0]
    if reach < _SIGMAS * doubt or not _on_line(way, line, doubt / reach):
        return None
    begun_s = away.times_s[0] - along_and_across(away.off[0], way)[0] / px_s
    interval_s = seconds / (len(away.times_s) - 1)
    latest_s = min(away.times_s[0] + 0.5 * interval_s, away.times_s[-1] - 2 * interval_s)
    if not away.base_s - 3 * interval_s <= begun_s <= latest_s:
        return None
    slack = max(3 * away.sigma_px, 0.15 * reach)
    for time_s, off in zip(away.times_s, away.off, strict=True):
        along, across = along_and_across(off, way)
        if across > slack or abs(along - px_s * (time_s - begun_s)) > slack:
            return None
    before = tuple(point for point in path.trail if point[0] <= begun_s)
    drift = drift_of(before[-DRIFT_TRAIL:], away.drift)
    return Slide(Suspicion(SLIPPING, begun_s, way, pace, "sliding"), drift)


def _on_line(way: Vector, line: Vector | None, doubt: float) -> bool:
    if line is None:
        return True
    return abs(along_and_across(way, line)[0]) >= cos(min(radians(15.0) + doubt, pi / 2))
