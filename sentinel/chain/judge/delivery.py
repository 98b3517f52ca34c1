"""`no-frames`: the camera has stopped delivering, or delivers the same picture again and again."""

from collections.abc import Mapping
from math import log
from typing import Any, NamedTuple

from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity, Surroundings
from sentinel.core.times import DAY_S, format_utc, from_utc_s

GAPS = 60
FEWEST_GAPS = 7
NEEDLESS_A_DAY = 0.03
"""So often may frames that fail to come by chance be taken for a camera that has stopped."""
_MISSED_BEFORE, _FRAMES_BEFORE = 0.5, 6.0
"""What is taken as known before a session has shown how many of its frames fail to come."""
_MOST_INTERVALS = 20.0

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
    folder: str | None = None
    """How the folder of the frames was found last."""
    gaps: tuple[float, ...] = ()
    """Seconds between the last frames as they came."""


def came(state: Delivery, sight: Observation, now_s: float, context: Context) -> tuple[Delivery, Readings]:
    """Take one usable frame."""
    picture = (sight.x_px, sight.y_px, sight.radius_px, sight.brightness) if sight.found else None
    same = state.same + 1 if picture is not None and picture == state.picture else 0
    since_s = state.same_since_s if same else sight.time_s
    gaps = state.gaps
    if state.last_s is not None:
        # A silence that was told is no measure of the next one.
        gaps = (*gaps[-(GAPS - 1) :], min(now_s - state.last_s, patience_s(state, context)))
    state = Delivery(now_s, sight.frame, sight.time_s, 0, picture, same, since_s, state.folder, gaps)
    return state, {"no-frames": _same_finding(state, context)}


def damaged(state: Delivery) -> Delivery:
    """Take a file that could not be used."""
    return state._replace(damaged=state.damaged + 1)


def looked_around(state: Delivery, event: Surroundings) -> Delivery:
    """Take how the folder is found, and for how long nobody looked: that silence was the watch's own."""
    last_s = state.last_s
    if last_s is not None and event.away_s:
        last_s += event.away_s
    return state._replace(last_s=last_s, folder=event.folder or state.folder)


def patience_s(state: Delivery, context: Context) -> float:
    """Return how long a frame may fail to come: by the interval, and by how many failed to come of late.

    Where frames are lost one by one, as on a bad link, so many in a row are lost by chance now and then.
    """
    limits = context.thresholds
    least = limits.no_frames_intervals
    # The frames of a burst come together and count as one.
    gaps = sorted(gap for gap in state.gaps if gap >= 0.5 * context.interval_s)
    if len(gaps) < FEWEST_GAPS:
        usual_s, intervals = context.interval_s, least
    else:
        usual_s = max(context.interval_s, gaps[len(gaps) // 4])
        due = sum(max(round(gap / usual_s), 1) for gap in gaps)
        missed = (due - len(gaps) + _MISSED_BEFORE) / (due + _FRAMES_BEFORE)
        intervals = min(max(log(NEEDLESS_A_DAY * usual_s / DAY_S) / log(missed), least), _MOST_INTERVALS)
    return max(intervals * usual_s, limits.no_frames_min * 60)


def waited(
    state: Delivery, start_s: float, now_s: float, context: Context, facts: Mapping[str, Any]
) -> Readings:
    """Return what to say as time passes without a frame.

    Parameters
    ----------
    facts
        What else is known, for the detail: how the mount was, and until when the sun stays.
    """
    since_s = state.last_s if state.last_s is not None else start_s
    limit_s = patience_s(state, context)
    if now_s - since_s <= limit_s:
        return {}
    detail: dict[str, Any] = {
        "silent_min": round((now_s - since_s) / 60, 1),
        "missed_frames": int((now_s - since_s) / context.interval_s),
        "damaged_files": state.damaged,
        "same_picture": False,
        **facts,
    }
    if state.folder not in {None, "present"}:
        detail |= {"folder": state.folder}
    if state.last_s is not None:
        detail |= {"last_frame": state.last_frame, "last_utc": format_utc(from_utc_s(state.taken_s))}
    onset_s = since_s + context.interval_s if state.last_s is not None else since_s
    if context.sun_at(now_s).clear_deg < 0:
        # Nothing is lost until it is back: for whoever is woken to judge by.
        detail |= {"sun_rises_utc": _rise_utc(now_s, context)}
    return {"no-frames": Finding(severity=Severity.NOW, onset_s=onset_s, detail=detail)}


def _rise_utc(now_s: float, context: Context) -> str | None:
    """Return when the sun is next above the line, to ten minutes; None: not within two days."""
    steps = range(1, 2 * 144)
    rise = next((now_s + k * 600 for k in steps if context.sun_at(now_s + k * 600).clear_deg > 0), None)
    return None if rise is None else format_utc(from_utc_s(round(rise / 600) * 600))


def _same_finding(state: Delivery, context: Context) -> Finding | None:
    if not state.same:
        return None
    enough = context.thresholds.same_picture_frames
    # Where even the time of exposure stays the same, the count of frames alone must tell.
    long = state.taken_s - state.same_since_s >= patience_s(state, context) or state.same + 1 >= 3 * enough
    sure = long and state.same + 1 >= enough
    detail = {"same_picture": True, "same_frames": state.same + 1, "last_frame": state.last_frame}
    return Finding(
        severity=Severity.NOW if sure else None,
        onset_s=state.same_since_s,
        frame=state.last_frame,
        detail=detail,
        story="same",
    )
