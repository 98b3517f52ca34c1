"""What becomes of a message at the moment it is sent: it may be late, over by now, or a second copy. Pure."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sentinel.core.records import Alert, Severity
from sentinel.core.settings import Channel, Settings
from sentinel.core.words import TimeWriter, opened, short_text, times_in

DAY_SAID = timedelta(hours=12)
"""What is so late says of which day it is: it is read after a night or a day without a link."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What is known when a message is about to be sent."""

    now_utc: datetime
    expires_utc: datetime
    cleared_utc: datetime | None = None
    """When what it tells of was over, if that came after it."""
    seen: bool = False
    """The operator has marked what is open as seen since."""
    newer: bool = False
    """A newer message about the same waits for the same target."""
    clear_waits: bool = False
    """So does the message that it is over."""
    told: bool = True
    """The target had an earlier message about it."""
    maybe_arrived: bool = False
    """An earlier attempt at this very message may have got through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What is handed to a channel."""

    title: str
    body: str
    severity: Severity


@dataclass(frozen=True, slots=True)
class Dropped:
    """Why a message is not sent."""

    why: str


def as_sent(alert: Alert, channel: Channel, settings: Settings, known: Circumstances) -> Message | Dropped:
    """Return the message in the form that is true now, or why there is none."""
    why = _moot(alert, known) or (_moot_for_a_siren(alert, known) if channel.command is not None else "")
    if why:
        return Dropped(why)
    times, name = times_in(settings.alerts.zone), settings.camera.name
    late = known.now_utc - alert.time_utc > timedelta(minutes=settings.delivery.late_min)
    over = known.cleared_utc if alert.of_trouble else None
    severity = Severity.NOTE if over is not None else alert.severity
    if channel.text == "short":
        told = (alert.short or f"{alert.title}. {alert.body}").removeprefix(opened(name, ""))
        text = opened(name, _short_prefix(alert, known, late=late, over=over) + told)
        return Message(title="", body=short_text(text), severity=severity)
    title, body = alert.title.removeprefix(opened(name, "")), alert.body
    if over is not None:
        title = f"Over by now: {title}"
        body = f"It has been over since {_at(over, known.now_utc, times)}. It was: {body}"
    if late:
        when, sent = _at(alert.time_utc, known.now_utc, times), _at(known.now_utc, known.now_utc, times)
        # In the title as well: a lock screen may show nothing else.
        title = f"Late, of {_at(alert.time_utc, known.now_utc, TimeWriter())}: {title}"
        body = f"True at {when}, sent at {sent}. {body}"
    if known.maybe_arrived:
        body = f"You may have had this before: it was uncertain whether it arrived. {body}"
    return Message(title=opened(name, title), body=body, severity=severity)


def _moot(alert: Alert, known: Circumstances) -> str:
    """Return why a message is not worth sending any more; empty: it is."""
    if known.now_utc >= known.expires_utc:
        return "too old"
    if known.newer:
        return "a newer message says it"
    if alert.kind == "clear":
        return "" if known.told else "was never told here"
    if alert.kind == "repeat" and known.seen:
        return "seen"
    if alert.of_trouble and known.cleared_utc is not None and known.clear_waits:
        return "over, as the next message says"
    return ""


def _moot_for_a_siren(alert: Alert, known: Circumstances) -> str:
    """Return why a command that makes a noise should not any more; empty: it should."""
    if alert.of_trouble and known.cleared_utc is not None:
        return "over"
    return "seen" if alert.kind == "first" and known.seen else ""


def _short_prefix(alert: Alert, known: Circumstances, *, late: bool, over: datetime | None) -> str:
    times = TimeWriter()
    prefix = "Again: " if known.maybe_arrived else ""
    if over is not None:
        prefix += f"Over since {_at(over, known.now_utc, times)}. Was: "
    elif late:
        prefix += f"Late, true {_at(alert.time_utc, known.now_utc, times)}: "
    return prefix


def _at(time_utc: datetime, now_utc: datetime, times: TimeWriter) -> str:
    return times.dated(time_utc) if now_utc - time_utc >= DAY_SAID else times.at(time_utc)
