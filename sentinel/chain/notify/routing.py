"""Who gets which message, and when. Pure: the state is the settings, the time an argument."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sentinel.core.records import Alert, Posting, Severity
from sentinel.core.settings import Channel, Quiet, Settings
from sentinel.core.times import daily_span_s, utc_s

ANSWERS = frozenset({"visit", "before-sleep"})
"""Conditions whose digest answers what the operator just did, or asked to be told before sleep."""


def route(alerts: Sequence[Alert], settings: Settings, now_utc: datetime) -> tuple[Posting, ...]:
    """Return who gets which of the alerts: commands of this computer first, then in the settings' order.

    A `now` goes to the first list at once, whatever the hour, and to the second when it has been repeated as
    often as the settings say and still nobody has seen it. That something is over is told to whoever wants to
    be told of such a thing, at once where it woke somebody; a buzzer does not sound for it. The rest waits
    for the end of a channel's quiet hours, unless it answers what the operator just did or asked for.
    """
    channels = sorted(settings.channels, key=lambda channel: channel.command is None)
    postings = []
    for number, alert in enumerate(alerts):
        for channel in channels:
            if not _wanted(alert, channel, settings):
                continue
            due_utc = now_utc
            if channel.quiet is not None and not _at_once(alert):
                due_utc = quiet_end_utc(channel.quiet, now_utc) or now_utc
            postings.append(
                Posting(
                    alert=number,
                    target=channel.name,
                    due_utc=due_utc,
                    expires_utc=due_utc + timedelta(hours=settings.delivery.expire_h),
                )
            )
    return tuple(postings)


def _wanted(alert: Alert, channel: Channel, settings: Settings) -> bool:
    if alert.kind == "clear" and alert.answers is not None:
        # Whether a target of the second list was ever told is known only when it is sent.
        heard = alert.answers.value in channel.severities
        return heard and (channel.command is None or Severity.NOTE.value in channel.severities)
    if alert.severity.value not in channel.severities:
        return False
    return channel.called == "first" or escalated(alert, settings)


def _at_once(alert: Alert) -> bool:
    return Severity.NOW in {alert.severity, alert.answers} or (
        alert.kind == "digest" and alert.condition in ANSWERS
    )


def escalated(alert: Alert, settings: Settings) -> bool:
    """Whether an alert is a `now` that nobody has seen after all its repeats."""
    return (
        alert.kind == "repeat"
        and alert.severity is Severity.NOW
        and alert.repeat >= max(1, len(settings.alerts.repeat_min))
    )


def quiet_end_utc(quiet: Quiet, now_utc: datetime) -> datetime | None:
    """Return when the quiet hours that are on end; None where they are not on."""
    if quiet.from_utc == quiet.until_utc:
        return None
    begin_s, end_s = daily_span_s(quiet.from_utc, quiet.until_utc, utc_s(now_utc))
    return now_utc + timedelta(seconds=end_s - utc_s(now_utc)) if begin_s <= utc_s(now_utc) else None
