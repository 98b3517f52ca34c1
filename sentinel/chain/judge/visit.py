"""A visit to the camera: muted while it lasts, checked when it ends.

The commonest real loss is a visit that left something wrong: a cap on, a clutch loose, a timer not restarted.
"""

from typing import Any, NamedTuple

from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.judge.scene import Scene
from sentinel.core.records import Mark, Severity
from sentinel.core.times import format_utc, from_utc_s, utc_s


class Visit(NamedTuple):
    """The last announced visit."""

    from_s: float = 0.0
    until_s: float = 0.0
    going: bool = False
    checking: bool = False
    good: int = 0
    """Frames in a row, up to the last, with a disc that tracks."""
    failed: bool = False
    lit_s: float | None = None
    """Since when, after its end, the sun has been up; None: it is down."""


def marked(state: Visit, mark: Mark, scene: Scene) -> Visit:
    """Begin a visit, or lengthen the one that is on."""
    from_s = utc_s(mark.time_utc)
    minutes = mark.minutes if mark.minutes is not None else scene.thresholds.visit_default_min
    if state.going and from_s <= state.until_s:
        return state._replace(until_s=max(from_s + minutes * 60, from_s))
    return Visit(from_s, from_s + minutes * 60, going=True)


def time_passed(state: Visit, now_s: float) -> tuple[Visit, bool]:
    """End the visit when its time is over; also return whether it ended just now."""
    if state.going and now_s >= state.until_s:
        # A visit that ends with one good picture after another has left nothing wrong.
        return state._replace(going=False, checking=True), True
    return state, False


def saw(state: Visit, *, good: bool) -> Visit:
    """Take one frame, of the visit or after it: a disc whole enough and steady, or not."""
    if not (state.going or state.checking):
        return state
    return state._replace(good=state.good + 1 if good else 0)


def readings(
    state: Visit, now_s: float, scene: Scene, *, sun_up: bool, cloudy: bool, until_s: float | None
) -> tuple[Visit, Readings]:
    """Return what to say of the visit.

    Parameters
    ----------
    until_s
        Until when the camera may be left alone, for the good word at the end.
    """
    detail: dict[str, Any] = {
        "from_utc": format_utc(from_utc_s(state.from_s)),
        "until_utc": format_utc(from_utc_s(state.until_s)),
    }
    if state.going:
        finding = Finding(severity=Severity.NOTE, onset_s=state.from_s, detail=detail, story="visit")
        return state, {"visit": finding}
    if not state.checking:
        return state, {"visit": None}
    if state.good >= 3:
        detail |= {
            "good": True,
            "alone_until_utc": None if until_s is None else format_utc(from_utc_s(until_s)),
        }
        finding = Finding(severity=Severity.NOTE, onset_s=state.from_s, detail=detail, story="good")
        return state._replace(checking=False), {"visit": finding}
    # Nobody can be told by a picture in the dark: what is waited for is daylight.
    lit_s = (now_s if state.lit_s is None else state.lit_s) if sun_up else None
    state = state._replace(lit_s=lit_s)
    waited_min = 0.0 if lit_s is None else (now_s - max(state.until_s, lit_s)) / 60
    if not sun_up or waited_min < scene.thresholds.visit_check_min:
        return state, {
            "visit": Finding(severity=Severity.NOTE, onset_s=state.from_s, detail=detail, story="visit")
        }
    detail |= {"good": False, "waited_min": round(waited_min, 1), "cloud": cloudy}
    # A visitor can see for himself whether it is cloud, and he is near: but cloud wakes nobody.
    # And of one in the dark a morning without a sun may be overcast as well as its doing.
    by_night = lit_s is not None and lit_s > state.until_s + scene.thresholds.visit_check_min * 60
    severity = Severity.SOON if cloudy or by_night else Severity.NOW
    finding = Finding(severity=severity, onset_s=state.until_s, detail=detail, story="left bad")
    return state._replace(failed=True), {"visit": finding}
