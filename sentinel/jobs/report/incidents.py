"""What was noticed and told: incidents from onset to end, messages and how they got through."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sentinel.core.records import Alert, Incident, Severity
from sentinel.core.words import span
from sentinel.jobs.report.record import Record
from sentinel.service.journal import Origin
from sentinel.service.journal.session_facts import DeliveryRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class IncidentSpan:
    """One incident, from its onset to its end."""

    condition: str
    which: str
    onset_utc: datetime
    told_utc: datetime
    """When the program noticed."""
    cleared_utc: datetime | None
    """None: open at the end."""
    severity: Severity
    """The gravest that it had."""
    message: str
    """As it was first put."""


def noticed(incidents: Sequence[Incident]) -> list[IncidentSpan]:
    """Return the incidents, in the order in which they were noticed."""
    open_now: dict[tuple[str, str], list[Incident]] = {}
    done: list[IncidentSpan] = []
    for incident in incidents:
        key = incident.condition, str(incident.detail.get("supply", ""))
        open_now.setdefault(key, []).append(incident)
        if incident.state == "cleared":
            done.append(_whole(key, open_now.pop(key)))
    done += [_whole(key, changes) for key, changes in open_now.items()]
    return sorted(done, key=lambda one: (one.told_utc, one.condition, one.which))


def _whole(key: tuple[str, str], changes: Sequence[Incident]) -> IncidentSpan:
    first, last = changes[0], changes[-1]
    # The end has a severity of its own, which says nothing about how grave it was.
    grave = [change for change in changes if change.state != "cleared"] or changes
    return IncidentSpan(
        condition=key[0],
        which=key[1],
        onset_utc=first.onset_utc,
        told_utc=first.time_utc,
        cleared_utc=last.time_utc if last.state == "cleared" else None,
        severity=min((change.severity for change in grave), key=lambda severity: severity.rank),
        message=first.message or first.condition,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SentMessage:
    """One message and what became of it."""

    alert: Alert
    became: tuple[str, ...]
    """A line for each channel."""


def told(record: Record) -> list[SentMessage]:
    """Return the messages in the order made."""
    # Messages are equal only if they are the same: they carry their time and words.
    by_alert: dict[tuple[datetime, str, str, str], list[DeliveryRecord]] = {}
    for one in record.deliveries:
        by_alert.setdefault(_key(one.alert), []).append(one)
    nowhere = "not sent: a replay" if record.origin is Origin.REPLAY else "no channel was to have it"
    return [
        SentMessage(
            alert=alert,
            became=tuple(_became(one) for one in by_alert.get(_key(alert), ())) or (nowhere,),
        )
        for alert in record.alerts
    ]


def _key(alert: Alert) -> tuple[datetime, str, str, str]:
    return alert.time_utc, alert.condition, alert.title, alert.kind


def _became(one: DeliveryRecord) -> str:
    tries = f", {one.attempts} attempts" if one.attempts > 1 else ""
    why = f" ({one.why})" if one.why else ""
    if one.state == "delivered" and one.settled_utc is not None:
        took = span(max(one.settled_utc - one.alert.time_utc, timedelta(0)))
        return f"{one.target}: delivered after {took}{tries}{why}"
    if one.state == "dropped":
        return f"{one.target}: not sent{tries}{why}"
    return f"{one.target}: still waiting{tries}{why}"


def delivery_line(record: Record) -> str:
    """Return in one sentence how the messages got through; empty: none was to be sent."""
    if not record.deliveries:
        return ""
    counts = Counter(one.state for one in record.deliveries)
    waiting = counts["waiting"] + counts["trying"]
    parts = [f"{counts['delivered']} delivered"]
    parts += [f"{counts['dropped']} not sent"] if counts["dropped"] else []
    parts += [f"{waiting} still waiting"] if waiting else []
    doubtful = sum(one.doubtful > 0 for one in record.deliveries)
    parts += [f"{doubtful} that may have arrived twice"] if doubtful else []
    return f"Of {len(record.deliveries)} messages to channels: {', '.join(parts)}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """A digest that carried the running hash out of the computer at the time."""

    time_utc: datetime
    frames: int
    agrees: bool


def witnesses(record: Record) -> list[Witness]:
    """Return the digests that got out with a running hash, and whether it is that of the chain now."""
    running = {link.number: link.running for link in record.links.values()}
    out = {_key(one.alert) for one in record.deliveries if one.state == "delivered"}
    found = []
    for alert in record.alerts:
        if alert.kind != "digest" or _key(alert) not in out:
            continue
        for line in alert.body.splitlines():
            words = line.rstrip(".").split()
            if words[:3] == ["Running", "hash", "of"] and len(words) == 6 and words[3].isdigit():
                number = int(words[3])
                found.append(
                    Witness(time_utc=alert.time_utc, frames=number, agrees=running.get(number) == words[5])
                )
    return found
