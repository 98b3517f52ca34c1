"""The words for a camera's clock that was set, or that disagrees with this computer's."""

from datetime import timedelta

from sentinel.chain.judge.arrival_lag import ClockOff
from sentinel.chain.judge.camera_details import CameraClock
from sentinel.chain.judge.seen import off_of
from sentinel.chain.notify.phrase import Phrase
from sentinel.core.records import Incident
from sentinel.core.words import TimeWriter, capital, span

_CAUSES = {
    "daylight-saving": "daylight saving", "time-zone": "a time zone", "date": "a wrong date",
    "clock-set-or-timer-restarted": "the clock was set, or the timer restarted",
    "set-wrong-by-minutes": "set wrong by minutes", "drift-or-set-by-hand": "drift, or set by hand",
}  # fmt: skip
_ZONES = frozenset({"daylight-saving", "time-zone"})


def disagreement(off: ClockOff) -> str:
    """Return how far the camera's clock and this computer's are apart, as a clause."""
    apart = span(timedelta(seconds=abs(off.ahead_s)))
    if not off.steady:
        times = f"{apart} {'ahead' if off.ahead_s > 0 else 'ago'}"
        return f"pictures come that were taken {times} by their own times"
    return f"the camera's clock is {apart} {'ahead of' if off.ahead_s > 0 else 'behind'} this computer's"


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
