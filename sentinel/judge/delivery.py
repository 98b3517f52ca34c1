"""`no-frames`: the camera has stopped delivering, or delivers the same picture again and again."""

from typing import Any, NamedTuple

from sentinel.judge.lifecycle import Finding, Readings
from sentinel.judge.scene import Scene, Sight
from sentinel.records import Severity
from sentinel.times import format_utc, from_utc_s

Picture = tuple[float, float, float, float]


class Delivery(NamedTuple):
    """What the judge remembers of frames coming in."""

    last_s: float | None = None
    """By the clock that ticks run on: when the last usable frame came."""
    last_frame: str = ""
    taken_s: float = 0.0
    """When it was exposed."""
    damaged: int = 0
    """Unusable files since."""
    picture: Picture | None = None
    same: int = 0
    """Frames in a row with exactly the same picture as the one before."""
    same_since_s: float = 0.0


def came(state: Delivery, sight: Sight, now_s: float, scene: Scene) -> tuple[Delivery, Readings]:
    """Take one usable frame."""
    picture = (sight.x_px, sight.y_px, sight.radius_px, sight.brightness) if sight.found else None
    same = state.same + 1 if picture is not None and picture == state.picture else 0
    since_s = state.same_since_s if same else sight.time_s
    state = Delivery(now_s, sight.frame, sight.time_s, 0, picture, same, since_s)
    return state, {"no-frames": _same_finding(state, scene)}


def damaged(state: Delivery) -> Delivery:
    """Take a file that could not be used."""
    return state._replace(damaged=state.damaged + 1)


def patience_s(scene: Scene) -> float:
    """Return how long a frame may fail to come."""
    limits = scene.thresholds
    return max(limits.no_frames_intervals * scene.interval_s, limits.no_frames_min * 60)


def waited(state: Delivery, start_s: float, now_s: float, scene: Scene) -> Readings:
    """Return what to say as time passes without a frame."""
    since_s = state.last_s if state.last_s is not None else start_s
    if now_s - since_s <= patience_s(scene):
        return {}
    missed = int((now_s - since_s) / scene.interval_s)
    detail: dict[str, Any] = {
        "silent_min": round((now_s - since_s) / 60, 1),
        "missed_frames": missed,
        "damaged_files": state.damaged,
        "same_picture": False,
    }
    if state.last_s is not None:
        detail |= {"last_frame": state.last_frame, "last_utc": format_utc(from_utc_s(state.taken_s))}
    onset_s = since_s + scene.interval_s if state.last_s is not None else since_s
    return {"no-frames": Finding(severity=Severity.NOW, onset_s=onset_s, detail=detail)}


def _same_finding(state: Delivery, scene: Scene) -> Finding | None:
    if not state.same:
        return None
    long = state.taken_s - state.same_since_s >= patience_s(scene)
    sure = long and state.same + 1 >= scene.thresholds.same_picture_frames
    detail = {"same_picture": True, "same_frames": state.same + 1, "last_frame": state.last_frame}
    return Finding(
        severity=Severity.NOW if sure else None,
        onset_s=state.same_since_s,
        frame=state.last_frame,
        detail=detail,
        story="same",
    )
