"""A mount that runs away and a jump that ended in steady tracking: what is remembered, and what is said."""

from collections.abc import Mapping
from math import atan2, degrees, hypot
from typing import Any, NamedTuple

from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.judge.scene import Scene, Sight
from sentinel.chain.judge.track import Leaving, Vector, leaving
from sentinel.core.records import Severity
from sentinel.core.times import format_utc, from_utc_s


class Running(NamedTuple):
    """A mount that does not carry the sun."""

    kind: str
    onset_s: float
    frame: str
    way: Vector
    pace: float
    basis: str
    seen_s: float
    """When the disc was last measured, and where."""
    x_px: float
    y_px: float
    radius_px: float
    px_s: float
    """Speed of the disc at pace 1."""
    deg_s: float
    steady: int = 0
    lost_s: float | None = None
    slow_from: tuple[float, float, float] | None = None
    """Where and when it was last made sure that a slow slide goes on; None: each step shows by itself."""
    people_until_s: float = 0.0
    """Somebody was at the mount a moment before: until then gears may still take up their slack."""


class Move(NamedTuple):
    """A jump that ended in steady tracking."""

    onset_s: float
    landed_s: float
    frame: str
    start: Vector
    end: Vector
    radius_px: float
    nearer: bool
    exit_before_s: float | None
    exit_after_s: float | None = None
    compared: bool = False


def _way_out(running: Running, sight: Sight, scene: Scene) -> Leaving | None:
    """Return where and when the disc leaves, from when it was last seen."""
    speed = running.pace * running.px_s
    velocity = (running.way[0] * speed, running.way[1] * speed)
    size = (float(sight.width_px), float(sight.height_px))
    disc = (running.x_px, running.y_px, running.radius_px)
    return leaving(disc, velocity, size, scene.settings.frames.margin_px)


def leaves_by(running: Running, sight: Sight, scene: Scene) -> bool:
    """Whether a disc that is not seen may be on its way out of the frame by now; else something hides it."""
    out = _way_out(running, sight, scene)
    return out is not None and running.seen_s + out.touch_s <= sight.time_s + scene.interval_s


def running_finding(running: Running, sight: Sight, scene: Scene) -> Finding:
    """Return what to say of a mount that does not carry the sun."""
    speed = running.pace * running.px_s
    out = _way_out(running, sight, scene)
    detail: dict[str, Any] = {
        "kind": running.kind,
        "basis": running.basis,
        "pace_of_sky": round(running.pace, 3),
        "px_per_min": round(speed * 60, 1),
        "way_deg": round(degrees(atan2(running.way[1], running.way[0])), 1),
        "disc_px": [round(running.x_px, 1), round(running.y_px, 1)],
        "seen_utc": format_utc(from_utc_s(round(running.seen_s))),
    }
    if out is not None:
        minutes = max(out.gone_s - (sight.time_s - running.seen_s), 0.0) / 60
        detail |= {
            "edge": out.edge,
            "touch_utc": format_utc(from_utc_s(round(running.seen_s + out.touch_s))),
            "gone_utc": format_utc(from_utc_s(round(running.seen_s + out.gone_s))),
            "minutes_left": round(minutes, 1),
            "frames_left": int(minutes * 60 / scene.interval_s),
        }
    lost = running.lost_s is not None
    if lost:
        detail |= _after_the_loss(running, sight)
    return Finding(
        severity=_severity(running, out, sight, scene),
        onset_s=running.onset_s,
        frame=running.frame,
        detail=detail,
        story=f"{running.kind}{' lost' if lost else ''}",
    )


def _severity(running: Running, out: Leaving | None, sight: Sight, scene: Scene) -> Severity:
    """Return how grave it is: a slow slide leaves time, and is worth waking for when that gets short."""
    if running.slow_from is None or out is None or running.lost_s is not None:
        return Severity.NOW
    soon_s = (scene.settings.visit.travel_min + scene.thresholds.lead_soon_min) * 60
    left_s = running.seen_s + out.touch_s - sight.time_s
    return Severity.NOW if left_s <= soon_s else Severity.SOON


def _after_the_loss(running: Running, sight: Sight) -> Mapping[str, Any]:
    """Return where the sun is from the camera: how far it was along its way, and what came since."""
    rate = running.deg_s * running.pace
    x, y = running.x_px - sight.width_px / 2, running.y_px - sight.height_px / 2
    was = (x * running.way[0] + y * running.way[1]) / running.px_s * running.deg_s
    off = (was + rate * (sight.time_s - running.seen_s)) % 360.0
    return {
        "lost_utc": format_utc(from_utc_s(running.lost_s or sight.time_s)),
        "off_deg": round(min(off, 360.0 - off), 2),
        "off_way": "west" if off < 180 else "east",
        "off_rate_deg_min": round(rate * 60, 3),
        "azimuth_deg": round(sight.sun.azimuth_deg, 1),
        "altitude_deg": round(sight.sun.altitude_deg, 1),
    }


def move_finding(move: Move) -> Finding:
    """Return what to say of a jump."""
    shift = (move.end[0] - move.start[0], move.end[1] - move.start[1])
    worse = not move.nearer
    if move.compared:
        before, after = move.exit_before_s, move.exit_after_s
        worse = after is not None and (
            before is None or after < before - 0.1 * (before - move.landed_s) - 300
        )
        worse = worse and not move.nearer
    severity = Severity.SOON if worse and move.compared else Severity.NOTE
    detail: dict[str, Any] = {
        "shift_px": [round(shift[0], 1), round(shift[1], 1)],
        "shift_sun_widths": round(hypot(*shift) / (2 * move.radius_px), 2),
        "disc_px": [round(move.end[0], 1), round(move.end[1], 1)],
        "nearer_to_good_place": move.nearer,
        "seconds": round(move.landed_s - move.onset_s),
    }
    if move.exit_before_s is not None:
        detail["exit_early_before_utc"] = format_utc(from_utc_s(move.exit_before_s))
    if move.compared:
        after_s = move.exit_after_s
        detail["exit_early_after_utc"] = None if after_s is None else format_utc(from_utc_s(after_s))
    return Finding(
        severity=severity,
        onset_s=move.onset_s,
        frame=move.frame,
        detail=detail,
        story=f"{round(move.onset_s)} {severity}",
    )
