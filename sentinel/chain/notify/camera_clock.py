"""The words for a camera's clock that was set, or that disagrees with this computer's."""

from datetime import timedelta

from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.judge.camera_details import CameraClock, ClocksDiffer
from sentinel.chain.judge.seen import off_of
from sentinel.chain.notify.phrase import Phrase, number
from sentinel.core.other_cameras import LEAST_S, ClockDifference
from sentinel.core.records import Incident
from sentinel.core.words import TimeWriter, capital, span

_CAUSES = {
    "daylight-saving": "daylight saving", "time-zone": "a time zone", "date": "a wrong date",
    "clock-set-or-timer-restarted": "the clock was set, or the timer restarted",
    "set-wrong-by-minutes": "set wrong by minutes", "drift-or-set-by-hand": "drift, or set by hand",
}  # fmt: skip
_ZONES = frozenset({"daylight-saving", "time-zone"})
PERHAPS_SIGMAS = 2.0
"""Clocks that are farther apart are not said to agree, though it is not sure that they differ."""


def disagreement(off: ClockOff) -> str:
    """Return how far the camera's clock and this computer's are apart, as a clause."""
    apart = span(timedelta(seconds=abs(off.ahead_s)))
    if not off.steady:
        times = f"{apart} {'ahead' if off.ahead_s > 0 else 'ago'}"
        return f"pictures come that were taken {times} by their own times"
    return f"the camera's clock is {apart} {'ahead of' if off.ahead_s > 0 else 'behind'} this computer's"


def clocks_apart(found: ClockDifference, one: str, other: str) -> str:
    """Return how far two clocks are apart, as a clause; `one` and `other`: what people call them."""
    return (
        f"{one} is {abs(found.ahead_s):.1f} ± {found.sigma_s:.1f} s {_way(found)} {other} (1-sigma; a place "
        f"a kilometre off passes for {found.km_s:.0f} s)"
    )


def compared_words(found: ClockDifference) -> str:
    """Return how this camera's clock stands beside another's, in a few words."""
    apart = f"{abs(found.ahead_s):.1f} ± {found.sigma_s:.1f} s"
    if found.sure:
        return f"this camera's is {apart} {_way(found)} it"
    if abs(found.ahead_s) > max(LEAST_S, PERHAPS_SIGMAS * found.sigma_s):
        return f"this camera's is perhaps {apart} {_way(found)} it; not sure"
    return f"agrees with this camera's as far as is known ({apart})"


def _way(found: ClockDifference) -> str:
    return "ahead of" if found.ahead_s >= 0 else "behind"


def clocks_differ(_: Incident, detail: ClocksDiffer, __: TimeWriter) -> Phrase:
    """Word `clocks-differ`."""
    other, found = detail.neighbour, detail.difference
    apart = clocks_apart(found, "this camera's clock", f"that of {other}")
    left, act = "Which is wrong it does not tell", "Photograph one exact clock with both"
    if detail.wrong_by_s is not None:
        # The one behind would be off by more than its pictures take to arrive.
        ahead, behind = ("this camera", other) if found.ahead_s > 0 else (other, "this camera")
        soon = f"{behind}'s pictures arrive within {number(detail.late_s)} s"
        left = f"Wrong, by {detail.wrong_by_s:.0f} s or more, is {ahead}'s: {soon}"
    brief = f"Clock {abs(found.ahead_s):.0f}+-{found.sigma_s:.0f} s {_way(found)} {other}'s by the low sun"
    return Phrase("Two cameras' clocks differ", f"By the low sun {apart}", left, act, f"{brief}. {act}.")


def clock(incident: Incident, detail: CameraClock, times: TimeWriter) -> Phrase:
    """Word `clock`."""
    step, off = detail.step_s, off_of(detail)
    if step is not None:
        at = times.at(incident.onset_utc)
        what = f"The camera's clock jumped by {step:+.0f} s at {at} (likely {_cause(detail)})"
        title, short = "Camera clock jumped", f"Camera clock jumped {step:+.0f} s {at}"
    elif off is not None:
        likely = f" (likely {_cause(detail)})" if off.steady else ""
        what = f"{capital(disagreement(off))}{likely}"
        title = "Camera clock is off" if off.steady else "Pictures of another time"
        short = capital(disagreement(off))
    else:
        what = short = "The camera's clock is off"
        title = "Camera clock is off"
    left = ""
    if off is not None and off.disputed:
        left = "Until that is settled nothing is foreseen, and the camera should not be left alone"
    set_to = detail.set_to_s
    act = _act(set_to, off)
    brief = act if set_to is None else f"If this computer's is right, write camera.clock_offset_s: {set_to}"
    return Phrase(title, what, left, act, f"{short}. {brief}.")


def _cause(detail: CameraClock) -> str:
    if detail.likely in _ZONES and detail.zone_named is False:
        return "the camera's time zone, which its files do not name"
    return _CAUSES.get(detail.likely, "unknown")


def _act(set_to: int | None, off: ClockOff | None) -> str:
    if off is not None and not off.steady:
        return "If they are old, move them out of the folder; if not, set the camera's clock"
    if set_to is None:
        return "Set the camera's offset in the settings; leave its clock alone"
    return (
        f"If this computer's clock is right, write camera.clock_offset_s: {set_to} and start the watch "
        "again; leave the camera's clock alone"
    )
