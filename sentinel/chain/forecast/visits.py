"""What ends the time a camera may be left alone, beside the drift: limits, supplies, the sun going down."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from sentinel.chain.forecast.sun_path import SunUp
from sentinel.chain.forecast.turning import Turning
from sentinel.core.foreseen import Due
from sentinel.core.records import Mark, Surroundings
from sentinel.core.settings import MEAN_SOLAR_RATE_DEG_S, Mount, Settings
from sentinel.core.times import from_utc_s, utc_s
from sentinel.sky.arrays import Array

FILLING_S = 1800.0
"""Free space is watched for so long before what it lost says at which rate."""
NO_CONCERN_S = 10 * 86_400.0
"""A disk that lasts longer is not foreseen to be full."""


class DiskSpace(NamedTuple):
    """Free space where the frames arrive."""

    time_s: float
    free_bytes: int
    frame_bytes: float | None
    first_s: float
    """Since when it has been filled at one rate: somebody made room then, or it was first looked at."""
    first_bytes: int

    def full_s(self, interval_s: float) -> float | None:
        """Return when it will be full, by what a frame takes and by what was filled so far; None: no time."""
        rate = 0.0 if self.frame_bytes is None else self.frame_bytes / interval_s
        if self.time_s - self.first_s >= FILLING_S:
            rate = max(rate, (self.first_bytes - self.free_bytes) / (self.time_s - self.first_s))
        if rate <= 0 or self.free_bytes / rate > NO_CONCERN_S:
            return None
        return self.time_s + self.free_bytes / rate


def after_look(old: DiskSpace | None, around: Surroundings) -> DiskSpace | None:
    """Return the room after a look at the disk."""
    if around.free_bytes is None:
        return old
    time_s = utc_s(around.time_utc)
    # Somebody made room: the rate is counted from there.
    anew = old is None or around.free_bytes > 1.01 * old.free_bytes
    first = (time_s, around.free_bytes) if anew or old is None else (old.first_s, old.first_bytes)
    return DiskSpace(time_s, around.free_bytes, around.bytes_per_frame, *first)


@dataclass(frozen=True, slots=True)
class SuppliesUsed:
    """When each supply was last renewed, how many frames have been taken since, and where the axis stands."""

    axis_from_utc_s: float
    axis_from_deg: float
    camera_battery_utc_s: float
    mount_battery_utc_s: float
    card_frames: int = 0
    timer_frames: int = 0
    room: DiskSpace | None = None
    """On the computer's disk; None: not known."""
    heard: tuple[Mark, ...] = ()
    """What was noted since the last picture."""

    @classmethod
    def begun(
        cls, at_utc_s: float, settings: Settings, before: "SuppliesUsed | None" = None
    ) -> "SuppliesUsed":
        """Return the state at the start of a session: everything fresh, the axis as configured.

        `before`: that of the wait for its first picture, whose disk it is; what was noted of later times
        counts.
        """
        fresh = cls(at_utc_s, settings.mount.axis_start_deg, at_utc_s, at_utc_s)
        if before is not None:
            fresh = replace(fresh, room=before.room)
            for mark in before.heard:
                fresh = fresh.marked(mark, settings.mount) if utc_s(mark.time_utc) >= at_utc_s else fresh
        return fresh

    def taken(self) -> "SuppliesUsed":
        """Return the state after one more frame."""
        return replace(self, card_frames=self.card_frames + 1, timer_frames=self.timer_frames + 1, heard=())

    def with_disk_space(self, around: Surroundings) -> "SuppliesUsed":
        """Return the state after a look at the disk."""
        return replace(self, room=after_look(self.room, around))

    def marked(self, mark: Mark, mount: Mount) -> "SuppliesUsed":
        """Return the state after what the operator did."""
        at, heard = utc_s(mark.time_utc), (*self.heard, mark)
        if mark.kind == "unwound":
            return replace(self.unwound(at, mount), heard=heard)
        match mark.renews:
            case "battery":
                return replace(self, camera_battery_utc_s=at, heard=heard)
            case "mount-battery":
                return replace(self, mount_battery_utc_s=at, heard=heard)
            case "card":
                return replace(self, card_frames=0)
            case "timer":
                return replace(self, timer_frames=0)
        return self

    def unwound(self, at_utc_s: float, mount: Mount) -> "SuppliesUsed":
        """Return the state once the axis is unwound at a time and points at the sun again."""
        # Wherever the drive stood meanwhile: to point at the sun it must have caught up.
        followed_deg = (at_utc_s - self.axis_from_utc_s) * MEAN_SOLAR_RATE_DEG_S
        still_deg = mount.unwound_deg(self.axis_from_deg + followed_deg)
        return replace(self, axis_from_utc_s=at_utc_s, axis_from_deg=still_deg)

    def axis_turned_deg(self, at_utc_s: float, rate_ratio: float, turning: Turning) -> float:
        """Return how far the axis has turned at a time, by its rate."""
        turned_s = turning.turned_s(self.axis_from_utc_s, at_utc_s)
        return self.axis_from_deg + turned_s * MEAN_SOLAR_RATE_DEG_S * rate_ratio


def supplies_due(
    settings: Settings, used: SuppliesUsed, now_utc_s: float, interval_s: float
) -> dict[str, float]:
    """Return when each configured supply runs out, in POSIX seconds."""
    # A card's end goes by what was taken: while no pictures come it fills no further.
    fresh_utc_s = {
        "battery": used.camera_battery_utc_s,
        "mount-battery": used.mount_battery_utc_s,
        "card": now_utc_s - used.card_frames * interval_s,
        "timer": now_utc_s - used.timer_frames * interval_s,
    }
    due = {what: fresh_utc_s[what] + s for what, s in settings.supplies.last_s(interval_s).items()}
    full_s = None if used.room is None else used.room.full_s(interval_s)
    if full_s is not None:
        due["storage"] = full_s
    return due


def axis_limit_due(
    settings: Settings, used: SuppliesUsed, now_utc_s: float, rate_ratio: float, turning: Turning
) -> float | None:
    """Return when the axis will have turned as far as it may, in POSIX seconds.

    None: it has no limit, or does not come to it in the time for which `turning` is known.
    """
    limit = settings.mount.axis_limit_deg
    if limit is None or rate_ratio <= 0:
        return None
    left_deg = limit - used.axis_turned_deg(now_utc_s, rate_ratio, turning)
    return turning.after(now_utc_s, left_deg / (MEAN_SOLAR_RATE_DEG_S * rate_ratio))


def hour_angle_due(settings: Settings, utc_s_grid: Array, hour_angle_deg: Array) -> float | None:
    """Return when a tracking mount comes to the end of its allowed hour angles; None: not on this grid."""
    span = settings.mount.hour_angle_limit_deg
    if span is None or settings.mount.tracking == "none":
        return None
    # Degrees still to go until the far limit; it jumps up by a turn as the limit is passed.
    to_go = (span[1] - hour_angle_deg) % 360.0
    passed = np.flatnonzero(np.diff(to_go) > 180)
    if len(passed) == 0:
        return None
    i = int(passed[0])
    step = float(utc_s_grid[i + 1] - utc_s_grid[i])
    return float(utc_s_grid[i]) + min(float(to_go[i]) / MEAN_SOLAR_RATE_DEG_S, step)


def sun_goes(now_utc_s: float, line_deg: Array, day: SunUp) -> tuple[float, str] | None:
    """Return when the sun next goes behind the horizon line and why (`sunset|horizon`); None: it stays up."""
    goes = np.flatnonzero(day.up[:-1] & ~day.up[1:])
    if not len(goes):
        return None
    last = int(goes[0])
    return now_utc_s + float(day.offsets_s[last]), "horizon" if line_deg[last] > 0 else "sunset"


def in_order(due_utc_s: Mapping[str, float], until_utc_s: float) -> tuple[Due, ...]:
    """Return what falls due before `until_utc_s`, the earliest first; what is overdue keeps its time."""
    kept = sorted((when, reason) for reason, when in due_utc_s.items() if when <= until_utc_s)
    return tuple(Due(time_utc=from_utc_s(when), reason=reason) for when, reason in kept)
