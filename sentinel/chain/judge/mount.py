"""`runaway`, `moved` and `settings:tracking`: what to say of what the disc is doing."""

from dataclasses import replace
from math import atan2, degrees, hypot

from sentinel.chain.judge.camera_details import LensSize
from sentinel.chain.judge.details import Jumped, Runaway
from sentinel.chain.judge.last_seen import Back
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import Leaving, is_tracking
from sentinel.chain.track.runs import Moved, Run
from sentinel.chain.track.state import Track
from sentinel.core.records import Severity
from sentinel.core.times import from_utc_s

SOONER_SHARE, SOONER_S = 0.1, 300.0
"""A jump is for the worse if the edge comes nearer in time by more than this share and so much: less lies
within what two forecasts differ by."""


def readings(track: Track, seen: Observation, context: Context, back: Back | None) -> Readings:
    """Return what to say of the mount after a frame; nothing where that told nothing."""
    if not track.news:
        return {}
    found: Readings = {"moved": None}
    if track.path.steps or track.seen_to:
        # After a visit that left no mark it is for two pictures to show whether the mount tracks again.
        found["runaway"] = None
    if track.run is not None:
        found["runaway"] = _run_finding(track.run, seen, context, back)
    elif "runaway" in found and track.moving is not None:
        found["runaway"] = Finding(severity=None, onset_s=track.moving.onset_s)
    if track.moved is not None:
        found["moved"] = _moved_finding(track.moved)
    return found


def tracking_finding(track: Track, context: Context) -> Finding | None:
    """Return what to say of a mount that tracks and is said not to."""
    if context.tracks or not is_tracking(track.path, context):
        return None
    return Finding(severity=Severity.SOON, onset_s=track.path.carried_s, detail=LensSize(what="tracking"))


def _run_finding(run: Run, seen: Observation, context: Context, back: Back | None) -> Finding:
    """Return what to say of a mount that does not carry the sun."""
    out = run.way_out(seen, context)
    found_so = back is not None and run.onset_s <= back.seen_s + 2 * context.interval_s
    detail = Runaway(
        kind=run.kind,
        basis=run.basis,
        pace_of_sky=round(run.pace, 3),
        px_per_min=round(run.speed_px_s * 60, 1),
        way_deg=round(degrees(atan2(run.way[1], run.way[0])), 1),
        disc_px=(round(run.x_px, 1), round(run.y_px, 1)),
        seen_utc=from_utc_s(round(run.seen_s)),
        unseen_since_utc=from_utc_s(round(back.before_s)) if found_so and back is not None else None,
    )
    if out is not None:
        minutes = max(out.gone_s - (seen.time_s - run.seen_s), 0.0) / 60
        detail = replace(
            detail,
            edge=out.edge,
            touch_utc=from_utc_s(round(run.seen_s + out.touch_s)),
            gone_utc=from_utc_s(round(run.seen_s + out.gone_s)),
            minutes_left=round(minutes, 1),
            frames_left=int(minutes * 60 / context.interval_s),
        )
    lost = run.lost_s is not None
    if lost:
        detail = _after_the_loss(detail, run, seen)
    return Finding(
        severity=_severity(run, out, seen, context),
        onset_s=run.onset_s,
        frame=run.frame,
        detail=detail,
        story=f"{run.kind}{' lost' if lost else ''}",
    )


def _severity(run: Run, out: Leaving | None, seen: Observation, context: Context) -> Severity:
    """Return how grave it is: a slow slide leaves time, and is worth waking for when that gets short."""
    if run.slow_from is None or out is None or run.lost_s is not None:
        return Severity.NOW
    soon_s = (context.settings.visit.travel_min + context.thresholds.lead_soon_min) * 60
    left_s = run.seen_s + out.touch_s - seen.time_s
    return Severity.NOW if left_s <= soon_s else Severity.SOON


def _after_the_loss(detail: Runaway, run: Run, seen: Observation) -> Runaway:
    """Add where the sun is from the camera: how far it was along its way, and what came since."""
    rate = run.deg_s * run.pace
    x, y = run.x_px - seen.width_px / 2, run.y_px - seen.height_px / 2
    was = (x * run.way[0] + y * run.way[1]) / run.px_s * run.deg_s
    off = (was + rate * (seen.time_s - run.seen_s)) % 360.0
    return replace(
        detail,
        lost_utc=from_utc_s(run.lost_s or seen.time_s),
        off_deg=round(min(off, 360.0 - off), 2),
        off_way="west" if off < 180 else "east",
        off_rate_deg_min=round(rate * 60, 3),
        azimuth_deg=round(seen.sun.azimuth_deg, 1),
        altitude_deg=round(seen.sun.altitude_deg, 1),
    )


def _moved_finding(jump: Moved) -> Finding:
    """Return what to say of a jump."""
    shift = (jump.end[0] - jump.start[0], jump.end[1] - jump.start[1])
    worse = not jump.nearer
    if jump.compared:
        before, after = jump.exit_before_s, jump.exit_after_s
        worse = after is not None and (
            before is None or after < before - SOONER_SHARE * (before - jump.landed_s) - SOONER_S
        )
        worse = worse and not jump.nearer
    severity = Severity.SOON if worse and jump.compared else Severity.NOTE
    before_s, after_s = jump.exit_before_s, jump.exit_after_s if jump.compared else None
    detail = Jumped(
        shift_px=(round(shift[0], 1), round(shift[1], 1)),
        shift_sun_widths=round(hypot(*shift) / (2 * jump.radius_px), 2),
        disc_px=(round(jump.end[0], 1), round(jump.end[1], 1)),
        nearer_to_good_place=jump.nearer,
        seconds=round(jump.landed_s - jump.onset_s),
        exit_early_before_utc=None if before_s is None else from_utc_s(before_s),
        exit_early_after_utc=None if after_s is None else from_utc_s(after_s),
    )
    return Finding(
        severity=severity,
        onset_s=jump.onset_s,
        frame=jump.frame,
        detail=detail,
        story=f"{round(jump.onset_s)} {severity}",
    )
