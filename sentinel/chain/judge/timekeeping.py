"""`clock`: the camera's clock steps, runs backward, or disagrees with when frames arrive.

Live, each frame's arrival less its exposure time is the camera's lag: transfer time plus the clock's error.
A step shows as a lag that changes and stays. In a past session there are no arrivals; what is left is the
rhythm of the exposures, whose beat shifts when the clock is set, and the camera's own count in the files'
names: where exposures from before and after a step back lie between each other, it jumps to and fro.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import hypot
from statistics import median
from typing import NamedTuple

from sentinel.chain.judge.arrival_lag import OFF_SCATTERS, ROUNDED_S, ArrivalLags, ClockOff
from sentinel.chain.judge.camera_details import CameraClock
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.track.context import Context
from sentinel.chain.track.path import Path
from sentinel.core.records import MeasuredFrame, Severity
from sentinel.core.times import utc_s

BEATS = 15
SHOWN_S = 3600.0
HOPS = 4
LONGEST_COUNT = 9
LONGEST_SET_H = 3
FEWEST_BEATS = 6
"""Before so many gaps a camera has no rhythm yet."""
LEAST_OFF_BEAT_S = 0.2
"""Cameras write times to a hundredth to a second, and the shutter takes its moment: less is no news."""
MOST_UNSTEADY = 0.05
"""Exposures whose gaps scatter by more than this share have no beat from which a step could be read."""
PAUSE_BEATS, LEFT_OUT_BEATS = 3.5, 1.85
"""A gap of more beats is a pause, and the beat may begin anew; in one of so many a frame was left out."""
STAYED_JITTERS, WENT_JITTERS, STAYED_SHARE = 4.0, 8.0, 0.3
"""A disc has stayed if it moved by less than so many jitters, or by this share of what it would have
drifted; which says something only where that is so many jitters."""
WIDEST_ZONE_H, LEAST_DATE_H = 14.1, 20.0
"""Zones reach to 14 hours; from here on it is rather the date that is wrong."""
QUARTER_WITHIN = 1 / 15
"""Of a quarter of an hour: a minute, which a link may take."""
LEAST_SET_BY_HAND_S = 45.0
"""Whoever sets a clock by a watch, to the minute, is off by up to so much."""


class ClockStep(NamedTuple):
    """The camera's clock was set, as far as can be seen."""

    time_s: float
    step_s: float
    frame: str
    how: str


class Timekeeping(NamedTuple):
    """What the judge remembers of the camera's clock; bounded."""

    lags: ArrivalLags = ArrivalLags()
    last_s: float | None = None
    beats: tuple[float, ...] = ()
    """Intervals between the last exposures."""
    shift: tuple[float, str, float] | None = None
    """A beat out of step, its frame and time; waits for steady ones after it."""
    after: int = 0
    back: int = 0
    """Exposures in a row from before the last one."""
    counts: tuple[int, ...] = ()
    """The camera's count in the last files' names."""
    step: ClockStep | None = None
    zone_named: bool = True
    """Whether the last frame's file names its time zone."""


def take_frame(
    state: Timekeeping, frame: MeasuredFrame, path: Path, context: Context
) -> tuple[Timekeeping, Readings]:
    """Take one frame's times; `path` is the disc's way before it."""
    time_s = utc_s(frame.time_utc)
    if frame.arrived_utc is not None:
        state = _lagged(state, frame, time_s, context)
    else:
        state = _jumped_on(state, frame, path) or _beat(_counted(state, frame), frame, time_s, context)
    if state.step is not None and time_s - state.step.time_s > SHOWN_S:
        state = state._replace(step=None)
    return state, {"clock": _finding(state, frame, context)}


def _lagged(state: Timekeeping, frame: MeasuredFrame, time_s: float, context: Context) -> Timekeeping:
    lags, step_s = state.lags.after(frame, context.thresholds)
    if lags is state.lags:
        return state
    state = state._replace(lags=lags, zone_named=frame.zone_s is not None)
    if step_s is None:
        return state
    return state._replace(step=ClockStep(time_s, step_s, frame.frame, "arrivals"))


def _counted(state: Timekeeping, frame: MeasuredFrame) -> Timekeeping:
    """Take the count in a file's name: two runs of exposures, the one between the other: a clock set back."""
    count = _count_in(frame.frame)
    counts = (*state.counts[-HOPS:], count) if count is not None else ()
    state = state._replace(counts=counts)
    if _is_next(counts) or state.step is not None or state.last_s is None or not state.beats:
        return state
    if not _is_to_and_fro(counts):
        return state
    # The later of two counts shows the earlier time, or so little later: by so much was the clock set back.
    hop, time_s = counts[-1] - counts[-2], utc_s(frame.time_utc)
    gap, beats = time_s - state.last_s, abs(hop) * max(state.beats)
    step_s = gap - beats if hop > 0 else -gap - beats
    return state._replace(step=ClockStep(time_s, step_s, frame.frame, "count"))


def _count_in(name: str) -> int | None:
    """Return the last whole number in a file's name, its suffix left out; None: there is none."""
    stem, dot, suffix = name.rpartition(".")
    text = stem if dot else suffix
    end = len(text)
    while end and not text[end - 1].isdecimal():
        end -= 1
    begin = end
    while begin and end - begin < LONGEST_COUNT and text[begin - 1].isdecimal():
        begin -= 1
    return int(text[begin:end]) if end else None


def _is_next(counts: Sequence[int]) -> bool:
    return len(counts) > 1 and counts[-1] == counts[-2] + 1


def _is_to_and_fro(counts: Sequence[int]) -> bool:
    """Whether these are two runs of counts, the one between the other."""
    hops = [later - earlier for earlier, later in pairwise(counts)]
    out, back = max(hops, default=0), min(hops, default=0)
    regular = all({one, two} == {out, back} for one, two in pairwise(hops))
    return len(hops) == HOPS and regular and out > 1 and out + back == 1


def _jumped_on(state: Timekeeping, frame: MeasuredFrame, path: Path) -> Timekeeping | None:
    """Tell a clock set on by whole hours from a pause: in a pause the disc drifts on, and keeps no step.

    None: it was no such jump, or nobody can say.
    """
    disc, last, time_s = frame.disc, path.last, utc_s(frame.time_utc)
    if state.last_s is None or len(state.beats) < FEWEST_BEATS or last is None or not disc.found:
        return None
    beat = median(state.beats)
    set_s = time_s - state.last_s - beat
    hours = round(set_s / 3600)
    if not 1 <= hours <= LONGEST_SET_H or abs(set_s - 3600 * hours) > 1.0 or last.time_s != state.last_s:
        return None
    drifted = hypot(*path.drift)
    moved = hypot(disc.x_px - last.x_px - path.drift[0] * beat, disc.y_px - last.y_px - path.drift[1] * beat)
    if moved > max(STAYED_JITTERS * path.jitter_px, STAYED_SHARE * drifted * set_s):
        return None
    if drifted * set_s < WENT_JITTERS * path.jitter_px:
        return None
    step = ClockStep(time_s, 3600.0 * hours, frame.frame, "rhythm")
    return state._replace(last_s=time_s, step=step, shift=None, after=0)


def _beat(state: Timekeeping, frame: MeasuredFrame, time_s: float, context: Context) -> Timekeeping:
    if state.last_s is None:
        return state._replace(last_s=time_s)
    gap = time_s - state.last_s
    if gap <= 0:
        return _backward(state, frame, gap, context)
    if len(state.beats) < FEWEST_BEATS:
        return state._replace(last_s=time_s, beats=(*state.beats, gap))
    if state.shift is None and abs(gap - state.beats[-1]) < LEAST_OFF_BEAT_S:
        return state._replace(last_s=time_s, back=0)
    state = state._replace(last_s=time_s, back=0)
    beat = median(state.beats)
    scatter = max(median(abs(one - beat) for one in state.beats), LEAST_OFF_BEAT_S)
    if beat <= 0 or scatter > MOST_UNSTEADY * beat:
        return state._replace(beats=(*state.beats[-(BEATS - 1) :], gap), shift=None, after=0)
    return _shifted(state, frame, context, gap=gap, beat=beat, scatter=scatter)


def _backward(state: Timekeeping, frame: MeasuredFrame, gap: float, context: Context) -> Timekeeping:
    """Take an exposure from before the last one: a late file, or, where more follow, a clock set back."""
    if gap == 0:
        return state
    if state.back + 1 < context.thresholds.clock_frames:
        return state._replace(back=state.back + 1)
    time_s, beat = utc_s(frame.time_utc), median(state.beats) if state.beats else context.interval_s
    step = ClockStep(time_s, gap - (state.back + 1) * beat, frame.frame, "order")
    return state._replace(back=0, last_s=time_s, step=step)


def _shifted(
    state: Timekeeping, frame: MeasuredFrame, context: Context, *, gap: float, beat: float, scatter: float
) -> Timekeeping:
    """Take a gap that is not the usual one: a shift begins, or ends, or a frame was left out."""
    tolerance = max(context.thresholds.clock_note_s - ROUNDED_S, OFF_SCATTERS * scatter)
    off = _off_beat(gap, beat)
    if off is not None and abs(off) > tolerance and _is_next(state.counts):
        off = gap - beat  # by the camera's count no frame was left out
    if off is not None and abs(off) > tolerance:
        if state.shift is None:
            return state._replace(shift=(off, frame.frame, utc_s(frame.time_utc)), after=0)
        # Out of step twice running: a late frame and the next one in its place, or no rhythm at all.
        both = state.shift[0] + off
        return state._replace(shift=(both, *state.shift[1:]) if abs(both) > tolerance else None, after=0)
    if off is not None and gap < 1.5 * beat:
        state = state._replace(beats=(*state.beats[-(BEATS - 1) :], gap))
    if state.shift is None or state.after + 1 < context.thresholds.clock_frames:
        return state._replace(after=state.after + 1 if state.shift is not None else 0)
    step_s, name, when_s = state.shift
    return state._replace(shift=None, after=0, step=ClockStep(when_s, step_s, name, "rhythm"))


def _off_beat(gap: float, beat: float) -> float | None:
    """Return by how much a gap is out of step; None: a pause after which the beat may begin anew."""
    if gap > PAUSE_BEATS * beat:
        return None
    if gap < LEFT_OUT_BEATS * beat:
        return gap - beat
    return gap - round(gap / beat) * beat


def _finding(state: Timekeeping, frame: MeasuredFrame, context: Context) -> Finding | None:
    step, off = state.step, state.lags.off
    if step is None and off is None:
        return None
    sizes_s = [step.step_s if step is not None else 0.0, off.ahead_s if off is not None else 0.0]
    grave = max(map(abs, sizes_s)) >= context.thresholds.clock_soon_s
    detail = CameraClock(seen_by="arrivals") if off is None else _off_detail(off, state, context)
    if step is not None:
        likely = likely_cause(step.step_s, by_rhythm=step.how in {"rhythm", "count"})
        detail = replace(detail, step_s=round(step.step_s, 1), seen_by=step.how, likely=likely)
    return Finding(
        severity=Severity.SOON if grave else Severity.NOTE,
        onset_s=utc_s(frame.time_utc) if step is None else step.time_s,
        frame=frame.frame if step is None else step.frame,
        detail=detail,
        story="offset" if step is None else f"step {round(step.time_s)}",
    )


def _off_detail(off: ClockOff, state: Timekeeping, context: Context) -> CameraClock:
    """Return what to say of a clock that disagrees with the computer's, and what would mend it."""
    told = context.settings.camera.clock_offset_s
    return CameraClock(
        seen_by="arrivals",
        offset_s=round(off.ahead_s, 1),
        steady=off.steady,
        likely=likely_cause(off.ahead_s),
        zone_named=state.zone_named,
        set_to_s=round(told + off.ahead_s) if off.steady and told != "auto" else None,
    )


def likely_cause(offset_s: float, *, by_rhythm: bool = False) -> str:
    """Return the likely cause of a clock that is off, or was set, by so much."""
    size = abs(offset_s)
    hours = size / 3600
    if abs(hours - 1) < 1 / 60:
        return "daylight-saving"
    quarters = hours * 4
    if round(quarters) > 0 and abs(quarters - round(quarters)) < QUARTER_WITHIN and hours <= WIDEST_ZONE_H:
        return "time-zone"
    if hours >= LEAST_DATE_H:
        return "date"
    if by_rhythm:
        return "clock-set-or-timer-restarted"
    return "set-wrong-by-minutes" if size >= LEAST_SET_BY_HAND_S else "drift-or-set-by-hand"
