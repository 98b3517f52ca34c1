"""A visit to the camera: muted while it lasts, checked when it ends.

The commonest real loss is a visit that left something wrong: a cap on, a clutch loose, a timer not restarted.
"""

from dataclasses import replace
from typing import NamedTuple

from sentinel.chain.judge.camera_details import VisitTold
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.track.attendance import Attendance
from sentinel.chain.track.context import Context
from sentinel.core.records import Mark, Severity
from sentinel.core.times import from_utc_s, utc_s

LATELY_S = 900.0
"""A disc that was last seen so long before the last picture was not in the pictures when somebody came."""

STEADY_INTERVALS = 5
"""Of a disc that is in the pictures it takes so many of them until it is known to be carried."""


class VisitState(NamedTuple):
    """What the last announced visit has left, as far as is known."""

    checking: bool = False
    """It is over, and no pictures have shown yet that all is well."""
    good: int = 0
    """Frames in a row, up to the last, with a disc that tracks."""
    shown: bool = False
    """Whether the last frame shows the sun."""
    failed: bool = False
    lit_s: float | None = None
    """Since when, after its end, the sun has been up; None: it is down."""
    clouded: bool = False
    """Cloud came before it was seen to be well; its hints grow old while it stays."""
    found_sun: bool = True
    """The visitor found the sun in the pictures, or had it in them: else cloud may well have hidden it."""


def begun(state: VisitState, attendance: Attendance, mark: Mark, *, unseen_s: float | None) -> VisitState:
    """Begin a visit anew; one that is lengthened goes on.

    `unseen_s` is how long before the last picture the disc was last seen in one; None: never.
    """
    if attendance.from_s != utc_s(mark.time_utc):
        return state
    return VisitState(found_sun=unseen_s is None or unseen_s <= LATELY_S)


def take_frame(state: VisitState, *, found: bool, good: bool, going: bool) -> VisitState:
    """Take one frame, of the visit or after it: a disc whole enough and steady, or not.

    A visit that ends with one good picture after another has left nothing wrong.
    """
    if not (going or state.checking):
        return state
    found_sun = state.found_sun or (going and found)
    return state._replace(good=state.good + 1 if good else 0, shown=found, found_sun=found_sun)


def readings(
    state: VisitState,
    attendance: Attendance,
    now_s: float,
    context: Context,
    *,
    sun_up: bool,
    cloudy: bool,
    sky_clear: bool,
    until_s: float | None,
    known: bool,
    ends: str = "",
    unmarked: tuple[str, ...] = (),
) -> tuple[VisitState, Readings]:
    """Return what to say of the visit.

    `sky_clear`: the sky has been seen to be clear since the disc was last found.
    `until_s`: until when the camera may be left alone, for the good word at the end.
    `ends`: the job that comes then.
    `known`: whether anybody can say.
    `unmarked`: the marks that would end what is open.
    """
    detail = VisitTold(from_utc=from_utc_s(attendance.from_s), until_utc=from_utc_s(attendance.until_s))
    if attendance.going:
        finding = Finding(severity=Severity.NOTE, onset_s=attendance.from_s, detail=detail, story="visit")
        return state, {"visit": finding}
    if not state.checking:
        return state, {"visit": None}
    # Just after the disc was put elsewhere the forecast may promise next to nothing; the next ones tell more.
    leaves_time = until_s is None or until_s - now_s > 60 * context.settings.visit.travel_min
    checked_s = attendance.until_s + 60 * context.thresholds.visit_check_min
    if state.good >= 3 and (leaves_time or now_s >= checked_s):
        detail = replace(
            detail,
            good=True,
            alone_until_utc=None if until_s is None else from_utc_s(until_s),
            stay=not leaves_time,
            known=None if known else False,
            ends=ends,
            unmarked=unmarked,
        )
        finding = Finding(severity=Severity.NOTE, onset_s=attendance.from_s, detail=detail, story="good")
        return state._replace(checking=False), {"visit": finding}
    # Nobody can be told by a picture in the dark: what is waited for is daylight.
    lit_s = (now_s if state.lit_s is None else state.lit_s) if sun_up else None
    state = state._replace(lit_s=lit_s)
    waited_min = 0.0 if lit_s is None else (now_s - max(attendance.until_s, lit_s)) / 60
    patience_min = context.thresholds.visit_check_min
    if state.shown:
        patience_min = max(patience_min, STEADY_INTERVALS * context.interval_s / 60)
    if not sun_up or waited_min < patience_min:
        return state, {
            "visit": Finding(severity=Severity.NOTE, onset_s=attendance.from_s, detail=detail, story="visit")
        }
    detail = replace(detail, good=False, waited_min=round(waited_min, 1), cloud=cloudy)
    # A visitor can see for himself whether it is cloud, and he is near: but cloud wakes nobody.
    # And of one in the dark a morning without a sun may be overcast as well as its doing.
    by_night = lit_s is not None and lit_s > attendance.until_s + context.thresholds.visit_check_min * 60
    # Where nobody had the sun in the picture before, the visit did not lose it: what called for the visit
    # goes on calling, and the sky tells when it is clear.
    state = state._replace(clouded=state.clouded or cloudy)
    blamed = state.found_sun and not (state.clouded or by_night)
    severity = Severity.NOW if blamed or sky_clear else Severity.SOON
    finding = Finding(severity=severity, onset_s=attendance.until_s, detail=detail, story="left bad")
    return state._replace(failed=True), {"visit": finding}
