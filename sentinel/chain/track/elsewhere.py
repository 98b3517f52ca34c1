"""A disc that is not where it should be: put elsewhere, pushed about, or carried off by another drift."""

from math import hypot, inf

from sentinel.chain.track import fast_runs
from sentinel.chain.track.context import Context
from sentinel.chain.track.expected import Off
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import Path, Step, Vector, shaken
from sentinel.chain.track.running import ran
from sentinel.chain.track.runs import STANDS_PACE, Moving, moved
from sentinel.chain.track.state import Track

LONGEST_PAUSE_S = 6 * 3600.0
"""Over a longer one the drift bends too far for a jump to be told from it."""
PUSHED_SHARE = 0.25
"""A disc that was put elsewhere stays as far from its old way, to within this share; else it drifts off."""
WAITS_S, WAITS_DISCS = 1500.0, 8
"""A disc that is neither steady nor even for so long is taken as it is: none waits for ever."""
FASTEST_FLIGHT = 4.0
"""Over the sky's rate: nothing but a hand moves a disc faster."""


def moved_about(track: Track, step: Step, seen: Observation, context: Context, *, quiet: bool) -> Track:
    """Follow a disc that is no longer where it was, until it stays where it is or is seen to run."""
    moving, off = track.moving, track.off(seen, context)
    astray = off is not None and off.astray
    by = off.by if off is not None else None
    if moving is None:
        if quiet and not astray:
            return track
        start_s = step.time_s - step.seconds
        x, y = step.x_px - step.move[0], step.y_px - step.move[1]
        moving = Moving(
            start_s, x, y, step.frame,
            moved_s=step.time_s, even_s=start_s, moving=0 if quiet else 1, off=by, strayed=astray,
        )  # fmt: skip
        return track._replace(moving=moving)
    if moving.strayed and not astray:
        return track._replace(moving=None)  # one that was not the sun: it is where it should be
    moving = moving._replace(discs=moving.discs + 1, strayed=astray)
    if quiet:
        return _landing(track, moving._replace(steady=moving.steady + 1, flees=False), step, seen, context)
    even = fast_runs.goes_on(track.path, context)
    # It may have begun so slowly that its steps did not show it yet.
    even_s = moving.even_s if even or moving.moving == 0 else step.time_s - step.seconds
    suspicion = fast_runs.creeping(track.path, context, even_s, track.drive.known)
    if suspicion is not None:
        return ran(track, suspicion, step)
    if moving.discs >= WAITS_DISCS and step.time_s - moving.onset_s >= WAITS_S:
        track = track._replace(moving=None, path=shaken(track.path), pushed_about_s=step.time_s)
        return track.parted(track.part.then("drift", step.time_s)) if astray or off is None else track
    flees = even and STANDS_PACE <= step.excess_px / step.sky_px <= FASTEST_FLIGHT
    moving = moving._replace(
        moving=moving.moving + 1, steady=0, moved_s=step.time_s, even_s=even_s, off=by, flees=flees
    )
    return track._replace(moving=moving, pushed_about_s=step.time_s)


def _landing(track: Track, moving: Moving, step: Step, seen: Observation, context: Context) -> Track:
    limits, path = context.thresholds, track.path
    if moving.steady < limits.moved_steady_frames - 1:
        return track._replace(moving=moving)
    seconds, off = step.time_s - moving.onset_s, track.off(seen, context)
    start = (moving.x_px + path.drift[0] * seconds, moving.y_px + path.drift[1] * seconds)
    gone_px, least_px = hypot(step.x_px - start[0], step.y_px - start[1]), moving.least_px
    if off is not None:
        start, gone_px, least_px = (step.x_px - off.by[0], step.y_px - off.by[1]), off.px, off.limit_px
    track = track._replace(moving=None)
    if gone_px < max(least_px, limits.runaway_jitter_ratio * path.jitter_px):
        return track
    told = track.was_told(step.time_s)
    if off is not None and moving.off is not None and not told and _drifts(moving.off, off):
        return track.parted(track.part.then("drift", moving.moved_s))
    track = track.parted(track.part.then("put-elsewhere", moving.moved_s, told=told))
    if gone_px < max(moving.least_px, limits.moved_radius_fraction * step.radius_px):
        return track
    track = track._replace(placed_s=moving.moved_s, path=path._replace(drift=(0.0, 0.0)))
    if told:
        return track
    jump = moved(start, seen, track.forecast, moving)
    return track._replace(moved=jump)


def _drifts(then: Vector, now: Off) -> bool:
    """Whether a disc that is off its way goes on leaving it, and was not put where it is."""
    further_px = hypot(now.by[0] - then[0], now.by[1] - then[1])
    return further_px > max(PUSHED_SHARE * hypot(*then), 0.5 * now.limit_px)


def after_gap(track: Track, before: Path, seen: Observation, context: Context) -> Track:
    """Begin a jump over a pause of up to some hours; what follows shows whether it has landed.

    The drift was measured before the pause, and bends in hours: a jump must be more than all of it, and more
    than what it may bend by, up to a sun-width. A run is over only when the disc is steady.
    """
    last = before.last
    if track.run is not None:
        # Where it stands now tells how much time is left, whatever happened meanwhile.
        return track._replace(run=track.run.seen_at(seen, steady=0, since_s=0.0), moving=None)
    if last is None:
        return track._replace(moving=None)
    off, told = track.off(seen, context), track.was_told(seen.time_s)
    if off is not None and not off.astray:
        return track._replace(moving=None)
    if off is None:
        # Whether it was moved meanwhile is not seen.
        track = track._replace(moving=None).parted(track.part.then("put-elsewhere", seen.time_s, told=told))
    seconds = seen.time_s - last.time_s
    news = 0 < seconds < LONGEST_PAUSE_S and not told
    if off is None and not news:
        return track
    drifted = hypot(before.drift[0] * seconds, before.drift[1] * seconds)
    bent = min(context.thresholds.moved_radius_fraction + seconds / 9000, 2.0) * seen.radius_px
    moving = Moving(
        last.time_s, last.x_px, last.y_px, seen.frame,
        moved_s=seen.time_s, even_s=seen.time_s, least_px=bent + drifted if news else inf,
        off=off.by if off is not None else None,
    )  # fmt: skip
    return track._replace(moving=moving)
