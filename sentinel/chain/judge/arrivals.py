"""`no-frames`: the camera has stopped delivering, or delivers the same picture again and again."""

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

from sentinel.chain.judge.camera_details import NoFrames
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.judge.nights import night_on
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity, Surroundings
from sentinel.core.times import DAY_S, from_utc_s

GAPS = 60
FEWEST_GAPS = 7
NEEDLESS_A_DAY = 0.03
"""So often may frames that fail to come by chance be taken for a camera that has stopped."""
_MISSED_BEFORE, _FRAMES_BEFORE = 0.1, 3.0
"""What is taken as known before a session has shown how many of its frames fail to come: mostly none."""
_MOST_INTERVALS = 20
ALIKE = 0.03
"""Two silences that differ by less than this share of one are a timer's doing, not chance."""
FIRST_INTERVALS = 5.0
"""At most so long is waited before a session has shown how regularly its frames come."""

Picture = tuple[float, float, float, float]


class Arrivals(NamedTuple):
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
    silence_s: float | None = None
    """The gap before the last frame, if it was so long that it was told; None: it was not."""
    cadence_s: float | None = None
    """Two such silences alike are a camera that was set to fewer pictures; None: as the settings have it."""


def take_frame(
    state: Arrivals, sight: Observation, now_s: float, context: Context
) -> tuple[Arrivals, Readings]:
    """Take one usable frame."""
    picture = (sight.x_px, sight.y_px, sight.radius_px, sight.brightness) if sight.found else None
    same = state.same + 1 if picture is not None and picture == state.picture else 0
    since_s = state.same_since_s if same else sight.time_s
    if state.last_s is not None:
        state = _after_gap(state, now_s - state.last_s, context)
    state = state._replace(
        last_s=now_s,
        last_frame=sight.frame,
        taken_s=sight.time_s,
        damaged=0,
        picture=picture,
        same=same,
        same_since_s=since_s,
    )
    return state, {"no-frames": _same_finding(state, context)}


def _after_gap(state: Arrivals, gap_s: float, context: Context) -> Arrivals:
    told = not _bears(gap_s, state, context)
    if told and state.silence_s is not None and abs(gap_s - state.silence_s) <= ALIKE * gap_s:
        return state._replace(gaps=(), silence_s=gap_s, cadence_s=gap_s)
    if state.cadence_s is not None and gap_s < state.cadence_s / 2:
        return state._replace(gaps=(), silence_s=None, cadence_s=None)
    # A silence that was told is no measure of the next one.
    counted_s = patience_s(state, context) if told else gap_s
    return state._replace(gaps=(*state.gaps[-(GAPS - 1) :], counted_s), silence_s=gap_s if told else None)


def take_damaged(state: Arrivals) -> Arrivals:
    """Take a file that could not be used."""
    return state._replace(damaged=state.damaged + 1)


def take_surroundings(state: Arrivals, event: Surroundings) -> Arrivals:
    """Take how the folder is found, and for how long nobody looked: that silence was the watch's own."""
    last_s = state.last_s
    if last_s is not None and event.away_s:
        last_s += event.away_s
    return state._replace(last_s=last_s, folder=event.folder or state.folder)


def patience_s(state: Arrivals, context: Context) -> float:
    """Return how long a frame may fail to come: by the interval, and by how many failed to come of late.

    Where frames are lost one by one, as on a bad link, so many in a row are lost by chance now and then. How
    often is not known but from the last gaps, and hardly at all from the first ones of a session.
    """
    return max(_patiences_s(state, context))


def _bears(silent_s: float, state: Arrivals, context: Context) -> bool:
    """Whether a frame may fail to come for so long; the first reason to wait is enough."""
    return any(silent_s <= one for one in _patiences_s(state, context))


def _patiences_s(state: Arrivals, context: Context) -> Iterator[float]:
    """Yield how long each reason to wait lets a frame fail to come; the longest counts."""
    limits = context.thresholds
    # The frames of a burst come together and count as one.
    gaps = sorted(gap for gap in state.gaps if gap >= 0.5 * context.interval_s)
    usual_s = context.interval_s
    if len(gaps) >= FEWEST_GAPS:
        usual_s = max(usual_s, gaps[len(gaps) // 4])
    usual_s = max(usual_s, state.cadence_s or 0.0)
    came = len(gaps)
    missed = sum(max(round(gap / usual_s), 1) for gap in gaps) - came
    by_chance = _by_chance(missed, came, NEEDLESS_A_DAY * usual_s / DAY_S)
    for intervals in (by_chance, limits.no_frames_intervals):
        if came >= FEWEST_GAPS:
            yield intervals * usual_s
        else:
            yield min(intervals, FIRST_INTERVALS if came else limits.no_frames_intervals) * usual_s
    yield limits.no_frames_min * 60


def _by_chance(missed: int, came: int, chance: float) -> int:
    """Return how many frames in a row fail to come with less than a chance, by how many did so far.

    A frame's own chance is a beta distribution; each that fails to come makes the next failure likelier.
    """
    count, left = 0, 1.0
    fails, all_ = missed + _MISSED_BEFORE, missed + came + _FRAMES_BEFORE
    while left > chance and count < _MOST_INTERVALS:
        left *= (fails + count) / (all_ + count)
        count += 1
    return count


def silence_readings(
    state: Arrivals,
    start_s: float,
    now_s: float,
    context: Context,
    *,
    mount_was_fine: bool,
    alone_until_utc: datetime | None,
) -> Readings:
    """Return what to say as time passes without a frame.

    `mount_was_fine`: when the last frame came.
    `alone_until_utc`: until when the sun stays in the frame, as foreseen then.
    """
    since_s = state.last_s if state.last_s is not None else start_s
    if _bears(now_s - since_s, state, context):
        return {}
    came = state.last_s is not None
    # Nothing is lost until the sun is back: for whoever is woken to judge by.
    night = night_on(context.settings.site, now_s)
    detail = NoFrames(
        silent_min=round((now_s - since_s) / 60, 1),
        missed_frames=int((now_s - since_s) / context.interval_s),
        damaged_files=state.damaged,
        same_picture=False,
        mount_was_fine=mount_was_fine,
        alone_until_utc=alone_until_utc,
        folder=state.folder if state.folder != "present" else None,
        last_frame=state.last_frame if came else None,
        last_utc=from_utc_s(state.taken_s) if came else None,
        sun_rises_utc=night.rises_utc if night is not None else None,
        sun_stays_down=night is not None and night.rises_utc is None,
    )
    onset_s = since_s + context.interval_s if came else since_s
    return {"no-frames": Finding(severity=Severity.NOW, onset_s=onset_s, detail=detail)}


def _same_finding(state: Arrivals, context: Context) -> Finding | None:
    if not state.same:
        return None
    enough = context.thresholds.same_picture_frames
    # Where even the time of exposure stays the same, the count of frames alone must tell.
    long = state.taken_s - state.same_since_s >= patience_s(state, context) or state.same + 1 >= 3 * enough
    sure = long and state.same + 1 >= enough
    detail = NoFrames(same_picture=True, same_frames=state.same + 1, last_frame=state.last_frame)
    return Finding(
        severity=Severity.NOW if sure else None,
        onset_s=state.same_since_s,
        frame=state.last_frame,
        detail=detail,
        story="same",
    )
