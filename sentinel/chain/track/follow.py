"""What the disc is doing, event by event: the one place where that is decided.

Every frame of the watched camera is one step of the disc. Quiet steps are tracking; others are a mount that
does not carry the sun (`fast_runs`, `even_runs`) or a disc that is being put elsewhere, and what follows
tells which. The operator's marks end what was before them; that the mount tracks again is never taken from a
mark, but from the frames.
"""

from math import hypot
from typing import NamedTuple

from sentinel.chain.track import even_runs, fast_runs
from sentinel.chain.track.attendance import Attendance
from sentinel.chain.track.cameras import Cameras
from sentinel.chain.track.context import Context
from sentinel.chain.track.drive_line import DriveLine
from sentinel.chain.track.observation import Observation, observed
from sentinel.chain.track.path import FAINT, Path, Step, extended, quiet_px, restarted
from sentinel.chain.track.runs import Moved, Moving, Run, Suspicion, moved, run_of
from sentinel.core.records import Event, Forecast, Mark, MeasuredFrame
from sentinel.core.times import utc_s

LONGEST_PAUSE_S = 6 * 3600.0
"""Over a longer one the drift bends too far for a jump to be told from it."""
TOLD_S = 900.0
"""A jump so near to the mark that tells of it is no news."""
PEOPLE_S = 300.0
"""After the disc was put elsewhere somebody is there, and gears take up their slack."""
STANDS_PACE = 0.25
"""Of the sky's rate: a disc that goes more slowly is one of a drive that slips, not of one that stopped."""
BURST_SHARE = 0.4
"""Of the interval: frames nearer together are a burst."""


class Track(NamedTuple):
    """All that is remembered of what the disc is doing; bounded, and rebuilt by the same events."""

    path: Path = Path()
    drive: DriveLine = DriveLine()
    run: Run | None = None
    """The mount does not carry the sun."""
    moving: Moving | None = None
    moved: Moved | None = None
    """The last jump, while it is news."""
    pushed_about_s: float | None = None
    """When somebody was last seen to push the disc about."""
    told_s: float | None = None
    """When the operator last said that the disc was put elsewhere."""
    seen_to: bool = False
    """The operator has marked what was done at the mount, and no disc has been seen since."""
    placed_s: float | None = None
    """When the disc was last put elsewhere, said or seen."""
    part: int = 0
    """Counts the parts of the track: in each the mount carried the sun, and nobody put the disc elsewhere."""
    seen: Observation | None = None
    """What the last usable frame of the watched camera shows."""
    own: bool = False
    """Whether the last frame was that one."""
    news: bool = False
    """Whether it told anything of the mount."""
    cameras: Cameras = Cameras()
    visit: Attendance = Attendance()
    forecast: Forecast | None = None

    @property
    def steady(self) -> bool:
        """Whether the mount carries the sun and nobody moves the disc, as far as is seen."""
        return self.run is None and self.moving is None

    @property
    def stands_since_s(self) -> float | None:
        """Since when the mount has not turned with the sun at all; None: it does, or slips but slowly."""
        run = self.run
        return run.onset_s if run is not None and not run.steady and run.pace >= STANDS_PACE else None

    def is_running(self, now_s: float, interval_s: float) -> bool:
        """Whether the mount fails to carry the sun this very moment."""
        run = self.run
        return run is not None and not run.steady and now_s - run.seen_s <= 3 * interval_s


class Follower:
    """Steps events and forecasts into tracks; reads no clock."""

    def __init__(self, context: Context) -> None:
        self._context = context

    def step(self, track: Track, event: Event | Forecast, now_s: float) -> Track:
        """Return the track after one event or forecast, in the order in which they come."""
        if track.visit.going and now_s >= track.visit.until_s:
            track = self._left_alone(track, now_s)
        if isinstance(event, MeasuredFrame):
            track = self._frame(track, event)
        elif isinstance(event, Mark):
            track = self._mark(track, event)
        elif isinstance(event, Forecast):
            track = self._forecast(track, event)
        shown_s = self._context.thresholds.moved_clear_min * 60
        old = track.moved is not None and now_s - track.moved.landed_s > shown_s
        return track._replace(moved=None) if old else track

    def _left_alone(self, track: Track, now_s: float) -> Track:
        """Take it that a visit has ended: what was done is judged by what comes now."""
        running = track.is_running(now_s, self._context.interval_s)
        nobody = not track.cameras.last_s
        # That the mount stands shows already; before the first picture nothing can have been left wrong.
        track = track if running or nobody else _relocated(track, now_s, just_now=False)
        return track._replace(visit=track.visit.ended())

    def _mark(self, track: Track, mark: Mark) -> Track:
        if mark.kind == "visit":
            return track._replace(visit=track.visit.after(mark, self._context.thresholds.visit_default_min))
        if mark.kind in {"recentred", "unwound", "realigned"}:
            track = _relocated(track, utc_s(mark.time_utc), just_now=True)._replace(seen_to=True)
        return track._replace(part=track.part + 1) if mark.kind == "realigned" else track

    def _forecast(self, track: Track, forecast: Forecast) -> Track:
        """Take what a forecast says of the camera's roll, and whether a move was for the worse."""
        southern = self._context.settings.site.latitude_deg < 0
        track = track._replace(forecast=forecast, drive=track.drive.after(forecast, southern=southern))
        jump = track.moved
        if jump is None or jump.compared or utc_s(forecast.time_utc) < jump.landed_s:
            return track
        after = forecast.exit_early_utc
        after_s = utc_s(after) if after is not None else None
        return track._replace(moved=jump._replace(compared=True, exit_after_s=after_s))

    def _frame(self, track: Track, frame: MeasuredFrame) -> Track:
        if frame.error is not None:
            return track._replace(own=False)
        context = self._context
        cameras, own = track.cameras.after(frame, utc_s(frame.time_utc), context.interval_s)
        if not own:
            return track._replace(cameras=cameras, own=False)
        if cameras.source != track.cameras.source:
            # Another camera's pixels say nothing of where the disc of the one before was.
            track = Track(visit=track.visit, forecast=track.forecast, part=track.part + 1)
        seen = observed(frame, context)
        track = track._replace(cameras=cameras, seen=seen, own=True, news=True)
        if not seen.trusted:
            return _unseen(track, seen, context)
        before = track.path
        if (
            before.last is not None
            and 0 <= seen.time_s - before.last.time_s < BURST_SHARE * context.interval_s
        ):
            # So short a way says nothing, and would break the steps that do.
            return track._replace(news=False)
        path, step = extended(before, seen, context, carried=track.run is None)
        track = track._replace(path=path, seen_to=False)
        if path.last is not seen:
            return track._replace(news=False)
        if step is None:
            return _after_gap(track, before, seen, context)
        return _stepped(track, step, seen, context)


def _relocated(track: Track, when_s: float, *, just_now: bool) -> Track:
    """Take it that the disc was put elsewhere, or the axis moved.

    Parameters
    ----------
    just_now
        It was, and gears may still take up their slack; False: whatever was done is judged from now on.
    """
    path = restarted(track.path, track.path.last) if track.path.last is not None else track.path
    # Whoever was there may have mended the drive: by a slip that had become usual a sound one runs off.
    path = path._replace(drift=(0.0, 0.0))
    return track._replace(
        path=path, run=None, moving=None, moved=None, pushed_about_s=None, told_s=when_s,
        placed_s=when_s if just_now else None,
    )  # fmt: skip


def _stepped(track: Track, step: Step, seen: Observation, context: Context) -> Track:
    quiet = step.excess_px <= quiet_px(track.path, step.sky_px, context)
    if track.run is not None:
        return _still_running(track, track.run, step, context, quiet=quiet)
    drive = track.drive
    suspicion = fast_runs.suspect(track.path, context, drive.west)
    suspicion = suspicion or even_runs.going(track.path, context, drive.known)
    if suspicion is not None and drive.sure and not fast_runs.fits(suspicion, drive.west, context):
        # Hardly any other way is possible: this is no mount that fails but somebody who slews.
        suspicion = None
    if suspicion is not None:
        return _ran(track, suspicion, step)
    if step.excess_px <= FAINT * quiet_px(track.path, step.sky_px, context):
        slide = even_runs.sliding(track.path, context, drive.known)
        if slide is not None:
            # The usual drift is the one before it: what it has become is what is amiss.
            track = track._replace(path=track.path._replace(drift=slide.drift))
            return _ran(track, slide.suspicion, step, slow=True)
    return _moved_about(track, step, seen, context, quiet=quiet)


def _ran(track: Track, suspicion: Suspicion, step: Step, *, slow: bool = False) -> Track:
    """Take it that the mount does not carry the sun."""
    moving, placed_s = track.moving, track.placed_s
    if moving is not None and moving.onset_s < suspicion.onset_s - step.seconds:
        placed_s = suspicion.onset_s
    run = run_of(suspicion, step)._replace(
        people_until_s=placed_s + PEOPLE_S if placed_s is not None else 0.0,
        slow_from=(step.time_s, step.x_px, step.y_px) if slow else None,
    )
    return track._replace(run=run, moving=None)


def _carried_again(track: Track) -> Track:
    return track._replace(run=None, moving=None, part=track.part + 1)


def _still_running(track: Track, run: Run, step: Step, context: Context, *, quiet: bool) -> Track:
    steady = run.steady + 1 if quiet else 0
    if run.slow_from is not None and step.excess_px <= FAINT * quiet_px(track.path, step.sky_px, context):
        return _still_sliding(track, run, run.slow_from, step)
    # The frame that lands after a re-centring is one, the quiet ones after it the others.
    if steady >= context.thresholds.runaway_steady_frames - 1:
        return _carried_again(track)
    here = run.seen_at(step, steady=steady)._replace(
        slow_from=(step.time_s, step.x_px, step.y_px) if run.slow_from is not None else None
    )
    along = (step.move[0] * run.way[0] + step.move[1] * run.way[1]) / step.sky_px
    straight = hypot(*step.move) <= 1.05 * abs(along) * step.sky_px + 3 * track.path.jitter_px
    if quiet or along < 0.1 or not straight:
        return track._replace(run=here)
    if fast_runs.kind_of(along) != run.kind and not fast_runs.goes_on(track.path, context):
        # A part of a step, as when it is carried again: another kind is one that goes on.
        return track._replace(run=here)
    return track._replace(run=here._replace(pace=along, kind=fast_runs.kind_of(along), lost_s=None))


def _still_sliding(track: Track, run: Run, since: tuple[float, float, float], step: Step) -> Track:
    """See whether a slow slide goes on: over as many steps as it takes to stand out."""
    here = run.seen_at(step, steady=0)
    seconds, drift = step.time_s - since[0], track.path.drift
    due_px = run.speed_px_s * seconds
    if seconds < 2.5 * step.seconds or due_px < 8 * track.path.jitter_px:
        return track._replace(run=here)
    x, y = step.x_px - since[1] - drift[0] * seconds, step.y_px - since[2] - drift[1] * seconds
    share = (x * run.way[0] + y * run.way[1]) / due_px
    if share < 0.35:
        # The way it went while it slid says nothing of the usual one.
        return _carried_again(track._replace(path=track.path._replace(trail=track.path.trail[-1:])))
    pace = min(run.pace * share, fast_runs.FASTEST_STOP)
    mark = (step.time_s, step.x_px, step.y_px)
    return track._replace(run=here._replace(pace=pace, slow_from=mark, kind=fast_runs.kind_of(pace)))


def _moved_about(track: Track, step: Step, seen: Observation, context: Context, *, quiet: bool) -> Track:
    """Follow a disc that is no longer where it was, until it stays where it is or is seen to run."""
    moving = track.moving
    if moving is None:
        if quiet:
            return track
        start_s = step.time_s - step.seconds
        x, y = step.x_px - step.move[0], step.y_px - step.move[1]
        moving = Moving(start_s, x, y, step.frame, moved_s=step.time_s, even_s=start_s)
        return track._replace(moving=moving)
    if quiet:
        return _landing(track, moving._replace(steady=moving.steady + 1), step, seen, context)
    even_s = moving.even_s if fast_runs.goes_on(track.path, context) else step.time_s - step.seconds
    departed_utc = track.forecast.departed_utc if track.forecast is not None else None
    departed_s = utc_s(departed_utc) if departed_utc is not None else None
    suspicion = fast_runs.creeping(track.path, context, even_s, departed_s, track.drive.known)
    if suspicion is not None:
        return _ran(track, suspicion, step)
    moving = moving._replace(moving=moving.moving + 1, steady=0, moved_s=step.time_s, even_s=even_s)
    return track._replace(moving=moving, pushed_about_s=step.time_s)


def _landing(track: Track, moving: Moving, step: Step, seen: Observation, context: Context) -> Track:
    limits, path = context.thresholds, track.path
    if moving.steady < limits.moved_steady_frames - 1:
        return track._replace(moving=moving)
    seconds = step.time_s - moving.onset_s
    start = (moving.x_px + path.drift[0] * seconds, moving.y_px + path.drift[1] * seconds)
    gone_px = hypot(step.x_px - start[0], step.y_px - start[1])
    track = track._replace(moving=None)
    if gone_px < max(moving.least_px, limits.runaway_jitter_ratio * path.jitter_px):
        return track
    track = track._replace(part=track.part + 1)
    if gone_px < limits.moved_radius_fraction * step.radius_px:
        return track
    track = track._replace(placed_s=moving.moved_s, path=path._replace(drift=(0.0, 0.0)))
    if _was_told(track, step.time_s):
        return track
    jump = moved(start, seen, track.forecast, onset_s=moving.onset_s, frame=moving.frame)
    return track._replace(moved=jump)


def _was_told(track: Track, time_s: float) -> bool:
    """Whether the operator said a moment ago that the disc was put elsewhere: that it was is no news then."""
    return track.told_s is not None and abs(time_s - track.told_s) < TOLD_S


def _after_gap(track: Track, before: Path, seen: Observation, context: Context) -> Track:
    """Begin a jump over a pause of up to some hours; what follows shows whether it has landed.

    The drift was measured before the pause, and bends in hours: a jump must be more than all of it, and more
    than what it may bend by, up to a sun-width. A run is over only when the disc is steady.
    """
    last = before.last
    if last is None or track.run is not None:
        return track._replace(moving=None)
    # Whether it was moved meanwhile is not seen: whoever has fitted the mount may tell.
    track = track._replace(moving=None, part=track.part + 1)
    seconds = seen.time_s - last.time_s
    if not 0 < seconds < LONGEST_PAUSE_S or _was_told(track, seen.time_s):
        return track
    drifted = hypot(before.drift[0] * seconds, before.drift[1] * seconds)
    bent = min(context.thresholds.moved_radius_fraction + seconds / 9000, 2.0) * seen.radius_px
    moving = Moving(
        last.time_s, last.x_px, last.y_px, seen.frame,
        moved_s=seen.time_s, even_s=seen.time_s, least_px=bent + drifted,
    )  # fmt: skip
    return track._replace(moving=moving)


def _unseen(track: Track, seen: Observation, context: Context) -> Track:
    """Take a frame without a disc to believe: one that was on its way out may be out."""
    run = track.run
    if run is not None:
        gone = run.lost_s is None and not seen.found and seen.time_s > run.seen_s
        if gone and run.leaves_by(seen, context):
            return track._replace(run=run._replace(lost_s=seen.time_s))
        return track
    moving = track.moving
    if seen.found or moving is None or seen.time_s - moving.moved_s > 3 * context.interval_s:
        return track
    size = (float(seen.width_px), float(seen.height_px))
    suspicion = fast_runs.lost_with(track.path, context, track.drive.west, seen.time_s, size)
    if suspicion is None:
        return track
    lost = run_of(suspicion, track.path.steps[-1])._replace(frame=seen.frame, lost_s=seen.time_s)
    return track._replace(run=lost, moving=None)
