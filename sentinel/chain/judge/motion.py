"""`runaway` (the mount) and `moved` (a knock, a re-centring): what the disc's steps amount to."""

from math import hypot
from typing import NamedTuple

from sentinel.chain.judge import even, runaway
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.judge.moves import Move, Running, leaves_by, move_finding, running_finding
from sentinel.chain.judge.runaway import SLIPPING, STOPPED
from sentinel.chain.judge.scene import Scene, Sight
from sentinel.chain.judge.track import (
    FAINT,
    Step,
    Track,
    Vector,
    extended,
    is_tracking,
    quiet_px,
    restarted,
    west_from_roll,
)
from sentinel.core.records import Forecast, Severity
from sentinel.core.times import utc_s

LONGEST_PAUSE_S = 6 * 3600.0
TOLD_S = 900.0
PEOPLE_S = 300.0
"""After the disc was put elsewhere somebody is there, and gears take up their slack."""
_SURE_SHARE = 0.985
_ROLL_DOUBTS = frozenset({"too-little-arc", "roll-open", "departed"})
_LINE_DOUBTS = frozenset({"too-little-arc", "departed"})


class Leap(NamedTuple):
    """The disc is on its way from one place to another, or has just landed."""

    onset_s: float
    x_px: float
    y_px: float
    frame: str
    moving: int = 1
    steady: int = 0
    moved_s: float = 0.0
    """When it was last seen to move."""
    even_s: float = 0.0
    """Since when it has moved on evenly."""
    least_px: float = 0.0
    """A way shorter than this is no news: over a pause the drift alone may bend so far."""


class Motion(NamedTuple):
    """What the judge remembers of the mount; bounded."""

    track: Track = Track()
    rolls: tuple[float, ...] = ()
    lines: tuple[float, ...] = ()
    """The last rolls, open or not."""
    west: Vector | None = None
    """Which way the disc goes when the mount stops, where the forecasts agree on it."""
    west_sure: bool = False
    """Whether hardly any other way is possible."""
    line: Vector | None = None
    """The way of the drive in the picture, forward or backward: known before its sign is."""
    running: Running | None = None
    leap: Leap | None = None
    move: Move | None = None
    busy_s: float | None = None
    """When somebody was last seen to push the disc about."""
    told_s: float | None = None
    """When the operator last said that the disc was put elsewhere."""
    pushed_s: float | None = None
    """When the disc was last put elsewhere, said or seen."""


def longest_step_s(scene: Scene) -> float:
    """Return the gap in the track after which its steps say nothing any more."""
    return max(5 * scene.interval_s, 600.0)


def saw(motion: Motion, sight: Sight, forecast: Forecast | None, scene: Scene) -> tuple[Motion, Readings]:
    """Take one frame's sight."""
    if not sight.trusted:
        motion = _gone(motion, sight, scene)
    else:
        before = motion.track
        if before.last is not None and 0 <= sight.time_s - before.last.time_s < 0.4 * scene.interval_s:
            # One of a burst: so short a way says nothing, and would break the steps that do.
            return motion, {}
        track, step = extended(
            before, sight, scene, gap_s=longest_step_s(scene), carried=motion.running is None
        )
        motion = motion._replace(track=track)
        if track.last is not sight:
            return motion, {}
        if step is None:
            motion = _after_gap(motion, before, sight, scene)
        else:
            motion = _stepped(motion, step, sight, forecast, scene)
    return motion, readings(motion, sight, scene)


def readings(motion: Motion, sight: Sight, scene: Scene) -> Readings:
    """Return what to say of runaway and moved."""
    found: Readings = {"runaway": None, "moved": None}
    if motion.running is not None:
        found["runaway"] = running_finding(motion.running, sight, scene)
    elif motion.track.steps and motion.leap is not None:
        found["runaway"] = Finding(severity=None, onset_s=motion.leap.onset_s)
    if motion.move is not None:
        found["moved"] = move_finding(motion.move)
    return found


def _stepped(motion: Motion, step: Step, sight: Sight, forecast: Forecast | None, scene: Scene) -> Motion:
    quiet = step.excess_px <= quiet_px(motion.track, step.sky_px, scene)
    if motion.running is not None:
        return _still_running(motion, motion.running, step, quiet, scene)
    suspicion = runaway.suspect(motion.track, scene, motion.west)
    suspicion = suspicion or even.going(motion.track, scene, motion.west or motion.line)
    if suspicion is not None and motion.west_sure and not runaway.fits(suspicion, motion.west, scene):
        # Hardly any other way is possible: this is no mount that fails but somebody who slews.
        suspicion = None
    if suspicion is not None:
        return _ran(motion, suspicion, step)
    if step.excess_px <= FAINT * quiet_px(motion.track, step.sky_px, scene):
        slide = even.sliding(motion.track, scene, motion.west or motion.line)
        if slide is not None:
            # The usual drift is the one before it: what it has become is what is amiss.
            motion = motion._replace(track=motion.track._replace(drift=slide.drift))
            return _ran(motion, slide.suspicion, step, slow=True)
    return _leapt(motion, step, sight, scene, quiet=quiet, forecast=forecast)


def _ran(motion: Motion, suspicion: runaway.Suspicion, step: Step, *, slow: bool = False) -> Motion:
    """Take it that the mount does not carry the sun."""
    leap, pushed_s = motion.leap, motion.pushed_s
    if leap is not None and leap.onset_s < suspicion.onset_s - step.seconds:
        pushed_s = suspicion.onset_s
    running = _begin(suspicion, step)._replace(
        people_until_s=pushed_s + PEOPLE_S if pushed_s is not None else 0.0,
        slow_from=(step.time_s, step.x_px, step.y_px) if slow else None,
    )
    return motion._replace(running=running, leap=None)


def _begin(suspicion: runaway.Suspicion, step: Step) -> Running:
    return Running(
        kind=suspicion.kind,
        onset_s=suspicion.onset_s,
        frame=step.frame,
        way=suspicion.way,
        pace=suspicion.pace,
        basis=suspicion.basis,
        seen_s=step.time_s,
        x_px=step.x_px,
        y_px=step.y_px,
        radius_px=step.radius_px,
        px_s=step.sky_px / step.seconds,
        deg_s=_sky_deg_s(step),
    )


def _sky_deg_s(step: Step) -> float:
    # The disc's radius is its yardstick: 0.2666 degrees at 1 au.
    return step.sky_px / step.radius_px * 0.2666 / step.seconds


def _still_running(motion: Motion, running: Running, step: Step, quiet: bool, scene: Scene) -> Motion:
    steady = running.steady + 1 if quiet else 0
    # The frame that lands after a re-centring is one, the quiet ones after it the others.
    if running.slow_from is not None and step.excess_px <= FAINT * quiet_px(motion.track, step.sky_px, scene):
        return _still_sliding(motion, running, running.slow_from, step)
    if steady >= scene.thresholds.runaway_steady_frames - 1:
        return motion._replace(running=None, leap=None)
    here = running._replace(
        seen_s=step.time_s,
        x_px=step.x_px,
        y_px=step.y_px,
        radius_px=step.radius_px,
        steady=steady,
        slow_from=(step.time_s, step.x_px, step.y_px) if running.slow_from is not None else None,
    )
    along = (step.move[0] * running.way[0] + step.move[1] * running.way[1]) / step.sky_px
    straight = hypot(*step.move) <= 1.05 * abs(along) * step.sky_px + 3 * motion.track.jitter_px
    if quiet or along < 0.1 or not straight:
        return motion._replace(running=here)
    if runaway.kind_of(along) != running.kind and not runaway.goes_on(motion.track, scene):
        # A part of a step, as when it is carried again: another kind is one that goes on.
        return motion._replace(running=here)
    return motion._replace(running=here._replace(pace=along, kind=runaway.kind_of(along), lost_s=None))


def _still_sliding(motion: Motion, running: Running, since: tuple[float, float, float], step: Step) -> Motion:
    """See whether a slow slide goes on: over as many steps as it takes to stand out."""
    here = running._replace(
        seen_s=step.time_s, x_px=step.x_px, y_px=step.y_px, radius_px=step.radius_px, steady=0
    )
    seconds, drift = step.time_s - since[0], motion.track.drift
    due_px = running.pace * running.px_s * seconds
    if seconds < 2.5 * step.seconds or due_px < 8 * motion.track.jitter_px:
        return motion._replace(running=here)
    x, y = step.x_px - since[1] - drift[0] * seconds, step.y_px - since[2] - drift[1] * seconds
    share = (x * running.way[0] + y * running.way[1]) / due_px
    if share < 0.35:
        # The way it went while it slid says nothing of the usual one.
        track = motion.track._replace(trail=motion.track.trail[-1:])
        return motion._replace(track=track, running=None, leap=None)
    pace = min(running.pace * share, even.FASTEST)
    mark = (step.time_s, step.x_px, step.y_px)
    return motion._replace(running=here._replace(pace=pace, slow_from=mark, kind=runaway.kind_of(pace)))


def _leapt(
    motion: Motion, step: Step, sight: Sight, scene: Scene, *, quiet: bool, forecast: Forecast | None
) -> Motion:
    leap = motion.leap
    if leap is None:
        if quiet:
            return motion
        start_s = step.time_s - step.seconds
        here = Leap(
            start_s, step.x_px - step.move[0], step.y_px - step.move[1], step.frame,
            moved_s=step.time_s, even_s=start_s,
        )  # fmt: skip
        return motion._replace(leap=here)
    if not quiet:
        even_s = leap.even_s if runaway.goes_on(motion.track, scene) else step.time_s - step.seconds
        departed_utc = forecast.departed_utc if forecast is not None else None
        departed_s = utc_s(departed_utc) if departed_utc is not None else None
        suspicion = runaway.creeping(motion.track, scene, even_s, departed_s, motion.west or motion.line)
        if suspicion is not None:
            return _ran(motion, suspicion, step)
        leap = leap._replace(moving=leap.moving + 1, steady=0, moved_s=step.time_s, even_s=even_s)
        return motion._replace(leap=leap, busy_s=step.time_s)
    leap = leap._replace(steady=leap.steady + 1)
    if leap.steady < scene.thresholds.moved_steady_frames - 1:
        return motion._replace(leap=leap)
    drift, seconds = motion.track.drift, step.time_s - leap.onset_s
    start = (leap.x_px + drift[0] * seconds, leap.y_px + drift[1] * seconds)
    moved = hypot(step.x_px - start[0], step.y_px - start[1])
    smallest = max(scene.thresholds.moved_radius_fraction * step.radius_px, leap.least_px)
    if moved < max(smallest, scene.thresholds.runaway_jitter_ratio * motion.track.jitter_px):
        return motion._replace(leap=None)
    motion = motion._replace(pushed_s=leap.moved_s)
    if _was_told(motion, step.time_s):
        return motion._replace(leap=None)
    move = _move(start, sight, forecast, onset_s=leap.onset_s, frame=leap.frame)
    return motion._replace(leap=None, move=move)


def _was_told(motion: Motion, time_s: float) -> bool:
    """Whether the operator said a moment ago that the disc was put elsewhere: that it was is no news then."""
    return motion.told_s is not None and abs(time_s - motion.told_s) < TOLD_S


def _move(start: Vector, sight: Sight, forecast: Forecast | None, *, onset_s: float, frame: str) -> Move:
    """Return a jump from where the disc should be now to where it is, and whether that is a better place."""
    good = (sight.width_px / 2, sight.height_px / 2)
    if forecast is not None and forecast.recentre_to_px is not None:
        good = forecast.recentre_to_px
    end = (sight.x_px, sight.y_px)
    nearer = hypot(end[0] - good[0], end[1] - good[1]) < hypot(start[0] - good[0], start[1] - good[1])
    before = forecast.exit_early_utc if forecast is not None else None
    exit_s = utc_s(before) if before is not None else None
    return Move(onset_s, sight.time_s, frame, start, end, sight.radius_px, nearer, exit_s)


def _after_gap(motion: Motion, before: Track, sight: Sight, scene: Scene) -> Motion:
    """Begin a leap over a pause of up to some hours; what follows shows whether it has landed.

    The drift was measured before the pause, and bends in hours: a jump must be more than all of it, and more
    than what it may bend by, up to a sun-width. A runaway is over only when the disc is steady.
    """
    motion = motion._replace(leap=None)
    last = before.last
    if last is None or not 0 < sight.time_s - last.time_s < LONGEST_PAUSE_S or motion.running is not None:
        return motion
    if _was_told(motion, sight.time_s):
        return motion
    seconds = sight.time_s - last.time_s
    drifted = hypot(before.drift[0] * seconds, before.drift[1] * seconds)
    bent = min(scene.thresholds.moved_radius_fraction + seconds / 9000, 2.0) * sight.radius_px
    leap = Leap(
        last.time_s, last.x_px, last.y_px, sight.frame,
        moved_s=sight.time_s, even_s=sight.time_s, least_px=bent + drifted,
    )  # fmt: skip
    return motion._replace(leap=leap)


def _gone(motion: Motion, sight: Sight, scene: Scene) -> Motion:
    running = motion.running
    if running is not None:
        gone = running.lost_s is None and not sight.found and sight.time_s > running.seen_s
        if gone and leaves_by(running, sight, scene):
            return motion._replace(running=running._replace(lost_s=sight.time_s))
        return motion
    if sight.found or motion.leap is None or sight.time_s - motion.leap.moved_s > 3 * scene.interval_s:
        return motion
    size = (float(sight.width_px), float(sight.height_px))
    suspicion = runaway.lost_with(motion.track, scene, motion.west, sight.time_s, size)
    if suspicion is None:
        return motion
    lost = _begin(suspicion, motion.track.steps[-1])._replace(frame=sight.frame, lost_s=sight.time_s)
    return motion._replace(running=lost, leap=None)


def forecast_came(motion: Motion, forecast: Forecast, scene: Scene) -> Motion:
    """Take what a new forecast says of the camera's roll, and whether a move was for the worse."""
    motion = _rolled(motion, forecast, southern=scene.settings.site.latitude_deg < 0)
    move = motion.move
    if move is None or move.compared or utc_s(forecast.time_utc) < move.landed_s:
        return motion
    after = forecast.exit_early_utc
    move = move._replace(compared=True, exit_after_s=utc_s(after) if after is not None else None)
    return motion._replace(move=move)


def _rolled(motion: Motion, forecast: Forecast, *, southern: bool) -> Motion:
    """Believe the roll where three forecasts in a row agree on it and stand on enough arc.

    A camera turned by half a turn on a mirrored axis draws nearly the same track for hours: the drive's line
    is known long before its sign.
    """
    motion = _lined(motion, forecast, southern=southern)
    if forecast.roll_deg is None or _ROLL_DOUBTS & set(forecast.flags):
        return motion._replace(west_sure=False)
    rolls = (*motion.rolls[-2:], forecast.roll_deg)
    spread = max(abs((roll - rolls[-1] + 180) % 360 - 180) for roll in rolls)
    agreed = len(rolls) == 3 and spread < 4.0
    west = west_from_roll(rolls[-1], southern=southern) if agreed else None
    sure = west is not None and (forecast.roll_share or 0.0) >= _SURE_SHARE
    return motion._replace(rolls=rolls, west=west, west_sure=sure)


def _lined(motion: Motion, forecast: Forecast, *, southern: bool) -> Motion:
    if forecast.roll_deg is None or _LINE_DOUBTS & set(forecast.flags):
        return motion
    lines = (*motion.lines[-2:], forecast.roll_deg)
    agreed = len(lines) == 3 and max(abs((one - lines[-1] + 90) % 180 - 90) for one in lines) < 6.0
    line = west_from_roll(lines[-1], southern=southern) if agreed else motion.line
    return motion._replace(lines=lines, line=line)


def time_passed(motion: Motion, now_s: float, scene: Scene) -> Motion:
    """Let what is old news go."""
    move = motion.move
    if move is not None and now_s - move.landed_s > scene.thresholds.moved_clear_min * 60:
        return motion._replace(move=None)
    return motion


def told_recentred(
    motion: Motion, when_s: float, *, forget_drift: bool = False, just_now: bool = True
) -> Motion:
    """Take the operator's word: the disc was put elsewhere, or the axis was moved.

    Parameters
    ----------
    just_now
        It was, and gears may still take up their slack; False: whatever was done is judged from now on.
    """
    track = motion.track
    if track.last is not None:
        track = restarted(track, track.last)
    if forget_drift:
        track = track._replace(drift=(0.0, 0.0))
    return motion._replace(
        track=track, running=None, leap=None, move=None, busy_s=None, told_s=when_s,
        pushed_s=when_s if just_now else None,
    )  # fmt: skip


def tracking_finding(motion: Motion, scene: Scene) -> Finding | None:
    """Return what to say of a mount that tracks and is said not to."""
    if scene.tracks or not is_tracking(motion.track, scene):
        return None
    return Finding(severity=Severity.SOON, onset_s=motion.track.carried_s, detail={"what": "tracking"})


def is_running(motion: Motion, now_s: float, scene: Scene) -> bool:
    """Whether the mount fails to carry the sun this very moment."""
    running = motion.running
    return running is not None and not running.steady and now_s - running.seen_s <= 3 * scene.interval_s


__all__ = [
    "SLIPPING", "STOPPED", "Motion", "forecast_came", "is_running", "saw", "time_passed", "told_recentred",
    "tracking_finding",
]  # fmt: skip
