"""What the disc is doing, event by event: the one place where that is decided.

Every frame of the watched camera is one step of the disc. Quiet steps along the way that the last forecast
expects are tracking; others are a mount that does not carry the sun (`fast_runs`, `even_runs`), a disc that
is being put elsewhere, or a drift that has become another, and what follows tells which. The operator's marks
end what was before them; that the mount tracks again is never taken from a mark, but from the frames.
"""

from sentinel.chain.track import even_runs, fast_runs
from sentinel.chain.track.context import Context
from sentinel.chain.track.elsewhere import after_gap, moved_about
from sentinel.chain.track.expected import RECENT, Expected
from sentinel.chain.track.observation import Observation, observed
from sentinel.chain.track.path import FAINT, Step, extended, quiet_px, restarted
from sentinel.chain.track.running import crawled, ran, still_running
from sentinel.chain.track.runs import run_of
from sentinel.chain.track.state import Track
from sentinel.core.records import Event, Forecast, Mark, MeasuredFrame
from sentinel.core.times import utc_s

CHANGE_EXACT = 0.12
"""A change of the drift is found to so much of its age: what came right after may be from before it."""
BURST_SHARE = 0.4
"""Of the interval: frames nearer together are a burst."""


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
        if mark.kind == "realigned":
            return track.parted(track.part.then("realigned", utc_s(mark.time_utc)))
        return track

    def _forecast(self, track: Track, forecast: Forecast) -> Track:
        """Take what a forecast says of the camera's roll, and whether a move was for the worse."""
        southern = self._context.settings.site.latitude_deg < 0
        track = track._replace(forecast=forecast, drive=track.drive.after(forecast, southern=southern))
        mount, pointing = forecast.mount, forecast.pointing
        if pointing is not None and utc_s(pointing.seen_utc) >= track.part.began_s:
            track = track._replace(expected=Expected.of(forecast) or track.expected)
        sure = mount if "drift-sure" in forecast.flags else None
        changed_utc = sure.drift_changed_utc if sure is not None else None
        if changed_utc is not None and utc_s(changed_utc) > track.part.began_s:
            since_s = utc_s(changed_utc)
            began_s = since_s + CHANGE_EXACT * (utc_s(forecast.time_utc) - since_s)
            # What the fit expects knows of the change already.
            track = track._replace(part=track.part.then("drift", began_s)._replace(since_s=since_s))
        jump = track.moved
        if jump is None or jump.compared or utc_s(forecast.time_utc) < jump.landed_s:
            return track
        after = forecast.exit.early_utc
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
            part = track.part.then("camera", utc_s(frame.time_utc)) if track.cameras.source else track.part
            track = Track(visit=track.visit, forecast=track.forecast, part=part)
        seen = observed(frame, context)
        track = track._replace(cameras=cameras, seen=seen, own=True, news=True)
        return _noted(self._disc(track, seen), seen, context)

    def _disc(self, track: Track, seen: Observation) -> Track:
        """Take what a frame of the watched camera shows."""
        context, before = self._context, track.path
        if not seen.trusted:
            return _unseen(track, seen, context)
        since_s = seen.time_s - before.last.time_s if before.last is not None else -1.0
        if 0 <= since_s < BURST_SHARE * context.interval_s:
            # So short a way says nothing, and would break the steps that do.
            return track._replace(news=False)
        path, step = extended(before, seen, context, carried=track.run is None)
        track = track._replace(path=path, seen_to=False)
        if path.last is not seen:
            return track._replace(news=False)
        if step is None:
            return after_gap(track, before, seen, context)
        return _stepped(track, step, seen, context)


def _noted(track: Track, seen: Observation, context: Context) -> Track:
    """Note whether the disc belongs to the present part of the track."""
    late = bool(track.lately) and seen.time_s <= track.lately[-1][0]
    if late or not seen.found or track.departed_s is not None:
        return track._replace(followed=False)
    off = track.off(seen, context)
    if not (track.moving is None and seen.trusted if off is None else not off.astray):
        return track._replace(followed=False)
    lately = (*track.lately[-(RECENT - 1) :], (seen.time_s, seen.x_px, seen.y_px))
    part = track.part._replace(began_s=min(track.part.began_s, seen.time_s))
    return track._replace(followed=True, lately=lately, part=part)


def _relocated(track: Track, when_s: float, *, just_now: bool) -> Track:
    """Take it that the disc was put elsewhere, or the axis moved.

    `just_now`: it was, and gears may still take up their slack; False: whatever was done is judged from now
        on.
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
        return crawled(still_running(track, track.run, step, context, quiet=quiet), step, seen, context)
    drive = track.drive
    suspicion = fast_runs.suspect(track.path, context, drive.west)
    suspicion = suspicion or even_runs.going(track.path, context, drive.known)
    if suspicion is not None and drive.sure and not fast_runs.fits(suspicion, drive.west, context):
        # Hardly any other way is possible: this is no mount that fails but somebody who slews.
        suspicion = None
    if suspicion is not None:
        return ran(track, suspicion, step)
    if step.excess_px <= FAINT * quiet_px(track.path, step.sky_px, context):
        slide = even_runs.sliding(track.path, context, drive.known)
        if slide is not None:
            # The usual drift is the one before it: what it has become is what is amiss.
            track = track._replace(path=track.path._replace(drift=slide.drift))
            return ran(track, slide.suspicion, step, slow=True)
    return moved_about(track, step, seen, context, quiet=quiet)


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
