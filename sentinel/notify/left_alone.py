"""The first sentence of everything the program says: until when the camera may be left alone, and why."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from sentinel.records import Forecast, Severity

_FIRST = {
    "drift": "the sun drifts to the {edge} edge first",
    "axis-limit": "the axis limit comes first",
    "storage": "the disk fills first",
    "battery": "the camera's battery comes first",
    "mount-battery": "the mount's battery comes first",
    "card": "the card fills first",
    "timer": "the timer's count ends first",
    "sunset": "then the sun sets",
    "horizon": "then the sun goes behind the horizon line",
}

_GO = "Go to the camera now."

UNKNOWN = "Until when the camera may be left alone is not known yet: no disc has been measured."


_FORESEEN = frozenset({"drift-exit", "axis-limit", "supply", "storage", "before-sleep"})
"""What falls due, and so has its own sentence."""


def pressing(troubles: Iterable[tuple[str, Severity, str]]) -> str:
    """Return the text of the first trouble that wakes somebody and was not foreseen; empty: there is none.

    `troubles` are condition, severity and text, the gravest first.
    """
    graves = (
        text
        for condition, severity, text in troubles
        if severity is Severity.NOW and condition not in _FORESEEN
    )
    return next(graves, "")


def not_now(trouble: str) -> str:
    """Return that the camera cannot be left alone, and why."""
    return f"The camera cannot be left alone now. {trouble}"


def left_alone(forecast: Forecast | None, now_utc: datetime, trouble: str = "") -> str:
    """Return one sentence, or two where there is something to do about it.

    `trouble` is what is open and cannot wait, as `pressing` gives it.
    """
    if trouble:
        then = left_alone(forecast, now_utc)
        mended = (
            then.replace("The camera may", " That mended, it may", 1)
            if then.startswith("The camera may")
            else ""
        )
        return f"{not_now(trouble)}{mended}"
    if forecast is None or forecast.seen_utc is None:
        return UNKNOWN
    if forecast.exit_utc is not None and forecast.exit_utc <= now_utc:
        edge, at = forecast.edge or "nearest", clock_time(forecast.exit_utc, now_utc)
        return f"The sun reached the {edge} edge of the frame at {at} UTC. {_GO}"
    if not forecast.due:
        return "The camera may be left alone for the next 48 h: nothing falls due."
    first = forecast.due[0]
    why = _FIRST.get(first.reason, f"{first.reason} comes first").format(edge=forecast.edge or "nearest")
    left = first.time_utc - now_utc
    until = f"{clock_time(first.time_utc, now_utc)} UTC ({span(left)})"
    if forecast.departed_utc is not None:
        since = clock_time(forecast.departed_utc, now_utc)
        return f"The mount has not followed the sun since {since} UTC: the sun is lost by {until}. {_GO}"
    if left <= timedelta(0):
        return f"The camera cannot be left alone: {why}, and it is due now."
    visit = forecast.next_visit_utc
    if visit is not None and visit <= now_utc:
        return f"Go to the camera now: it may be left alone only until {until}; {why}."
    set_off = f" Set off by {clock_time(visit, now_utc)} UTC." if visit and visit < first.time_utc else ""
    return f"The camera may be left alone until {until}: {why}.{set_off}"


def span(duration: timedelta) -> str:
    """Return a duration as people say it: `6 h 12 min`, `4 min`, `50 s`."""
    seconds = round(duration.total_seconds())
    if seconds < 60:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    hours, minutes = divmod(minutes, 60)
    if hours == 0:
        return f"{minutes} min"
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def clock_time(time_utc: datetime, now_utc: datetime) -> str:
    """Return `08:40`, with the date where it is not within twelve hours of now."""
    far = abs(time_utc - now_utc) > timedelta(hours=12)
    return time_utc.strftime("%Y-%m-%d %H:%M" if far else "%H:%M")
