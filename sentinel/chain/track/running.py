"""A mount that does not carry the sun: from when that shows until the disc is carried again."""

from math import hypot

from sentinel.chain.track import fast_runs
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import FAINT, Step, along_and_across, quiet_px
from sentinel.chain.track.runs import Cause, Run, Suspicion, run_of
from sentinel.chain.track.state import Track

START_S = 200.0
"""With less of a session than this before it nothing is established that could be departed from."""
STEADY_GAIN = 1.05
"""A step that is longer than the one before by no more than this share is as long."""
PEOPLE_S = 300.0
"""After the disc was put elsewhere somebody is there, and gears take up their slack."""


def ran(track: Track, suspicion: Suspicion, step: Step, *, slow: bool = False) -> Track:
    """Take it that the mount does not carry the sun."""
    moving, placed_s = track.moving, track.placed_s
    if moving is not None and moving.onset_s < suspicion.onset_s - step.seconds:
        placed_s = suspicion.onset_s
    run = run_of(suspicion, step)._replace(
        people_until_s=placed_s + PEOPLE_S if placed_s is not None else 0.0,
        slow_from=(step.time_s, step.x_px, step.y_px) if slow else None,
        from_start=track.part.number == 0 and suspicion.onset_s < track.part.began_s + START_S,
    )
    track = track._replace(run=run, moving=None)
    return track.parted(track.part.then("drift", run.onset_s)) if run.crawls else track


def _carried_again(track: Track, run: Run, since_s: float) -> Track:
    cause: Cause = "mended" if run.crawls else "put-elsewhere"
    part = track.part.then(cause, since_s, told=track.was_told(since_s))
    return track._replace(run=None, moving=None).parted(part)


def still_running(track: Track, run: Run, step: Step, context: Context, *, quiet: bool) -> Track:
    """See how a mount that does not carry the sun goes on, and whether it carries it again."""
    steady = run.steady + 1 if quiet else 0
    if run.slow_from is not None and step.excess_px <= FAINT * quiet_px(track.path, step.sky_px, context):
        return _still_sliding(track, run, run.slow_from, step)
    # The frame that lands after a re-centring is one, the quiet ones after it the others.
    here = run.seen_at(step, steady=steady, since_s=step.seconds)._replace(
        slow_from=(step.time_s, step.x_px, step.y_px) if run.slow_from is not None else None
    )
    if steady >= context.thresholds.runaway_steady_frames - 1:
        return _carried_again(track, run, here.steady_from_s)
    along = along_and_across(step.move, run.way)[0] / step.sky_px
    straight = hypot(*step.move) <= 1.05 * abs(along) * step.sky_px + 3 * track.path.jitter_px
    if quiet or along < 0.1 or not straight:
        return track._replace(run=here)
    if fast_runs.kind_of(along) != run.kind and not fast_runs.goes_on(track.path, context):
        # A part of a step, as when it is carried again: another kind is one that goes on.
        return track._replace(run=here)
    gains = along > STEADY_GAIN * run.pace
    here = here._replace(pace=along, kind=fast_runs.kind_of(along), gains=gains, lost_s=None)
    return track._replace(run=here)


def _still_sliding(track: Track, run: Run, since: tuple[float, float, float], step: Step) -> Track:
    """See whether a slow slide goes on: over as many steps as it takes to stand out."""
    here = run.seen_at(step, steady=0, since_s=step.seconds)
    seconds, drift = step.time_s - since[0], track.path.drift
    due_px = run.speed_px_s * seconds
    if seconds < 2.5 * step.seconds or due_px < 8 * track.path.jitter_px:
        return track._replace(run=here)
    x, y = step.x_px - since[1] - drift[0] * seconds, step.y_px - since[2] - drift[1] * seconds
    share = along_and_across((x, y), run.way)[0] / due_px
    if share < 0.35:
        # The way it went while it slid says nothing of the usual one.
        trail = track.path.trail[-1:]
        return _carried_again(track._replace(path=track.path._replace(trail=trail)), run, since[0])
    pace = min(run.pace * share, fast_runs.FASTEST_STOP)
    mark = (step.time_s, step.x_px, step.y_px)
    return track._replace(run=here._replace(pace=pace, slow_from=mark, kind=fast_runs.kind_of(pace)))


def crawled(track: Track, step: Step, seen: Observation, context: Context) -> Track:
    """Begin a new part where a disc that crawls was put elsewhere, or goes at another pace by now."""
    run = track.run
    if run is None or not run.crawls:
        return track
    due_px = run.speed_px_s * step.seconds
    beside = hypot(step.excess[0] - run.way[0] * due_px, step.excess[1] - run.way[1] * due_px)
    if beside > quiet_px(track.path, step.sky_px, context):
        return track._replace(run=run._replace(pushed=True))
    off = track.off(seen, context)
    if not run.pushed and (off is None or not off.astray):
        return track
    cause: Cause = "put-elsewhere" if run.pushed else "drift"
    began_s = step.time_s - step.seconds
    part = track.part.then(cause, began_s, told=track.was_told(began_s))
    return track._replace(run=run._replace(pushed=False)).parted(part)
