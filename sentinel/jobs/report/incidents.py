"""What was noticed and told: incidents from onset to end, messages and how they got through."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from sentinel.chain.notify.digest import told_hash
from sentinel.core.records import Alert, Incident
from sentinel.core.words import many, span
from sentinel.jobs.report.record import Record
from sentinel.service.journal.journal import Origin
from sentinel.service.journal.session_facts import DeliveryRecord


@dataclass(frozen=True, slots=True)
class IncidentSpan:
    """One incident, from its onset to its end."""

    changes: tuple[Incident, ...]
    """In the order found, at least one."""

    @property
    def first(self) -> Incident:
        """As it was noticed."""
        return self.changes[0]

    @property
    def gravest(self) -> Incident:
        """The first change to the gravest severity that it had."""
        return min(self._put, key=lambda change: change.severity.rank)

    @property
    def _put(self) -> tuple[Incident, ...]:
        # The end has a severity of its own, which says nothing about how serious it was.
        return tuple(change for change in self.changes if change.state != "cleared") or self.changes

    @property
    def cleared_utc(self) -> datetime | None:
        """When it was over; None: open at the end."""
        last = self.changes[-1]
        return last.time_utc if last.state == "cleared" else None

    @property
    def stages(self) -> Iterator[tuple[Incident, datetime, datetime | None]]:
        """Each way it was put, from when to when: from its onset at first, at last to its end, or None."""
        begins = [self.first.onset_utc, *(change.time_utc for change in self._put[1:])]
        return zip(self._put, begins, [*begins[1:], self.cleared_utc], strict=True)

    @property
    def message(self) -> str:
        """What it was, as it was first put."""
        return self.first.message or self.first.condition


def incident_spans(incidents: Iterable[Incident]) -> tuple[IncidentSpan, ...]:
    """Return the incidents, in the order in which they were noticed."""
    open_now: dict[tuple[str, str], list[Incident]] = {}
    every: list[list[Incident]] = []
    for incident in incidents:
        if incident.key not in open_now:
            every.append(open_now.setdefault(incident.key, []))
        open_now[incident.key].append(incident)
        if incident.state == "cleared":
            del open_now[incident.key]
    return tuple(IncidentSpan(tuple(changes)) for changes in every)


def sent_messages(record: Record) -> list[tuple[Alert, tuple[str, ...]]]:
    """Return the messages in the order made, each with a line for each channel: what became of it."""
    # Messages are equal only if they are the same: they carry their time and words.
    by_alert: dict[tuple[datetime, str, str, str], list[DeliveryRecord]] = {}
    for one in record.deliveries:
        by_alert.setdefault(_key(one.alert), []).append(one)
    nowhere = "not sent: a replay" if record.origin is Origin.REPLAY else "no channel was to have it"
    return [
        (alert, tuple(map(_became, by_alert.get(_key(alert), ()))) or (nowhere,)) for alert in record.alerts
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
    numbers = {
        "delivered": counts["delivered"],
        "not sent": counts["dropped"],
        "still waiting": counts["waiting"] + counts["trying"],
        "that may have arrived twice": sum(one.doubtful > 0 for one in record.deliveries),
    }
    parts = [f"{number} {what}" for what, number in numbers.items() if number or what == "delivered"]
    return f"Of {many(len(record.deliveries), 'message')} to channels: {', '.join(parts)}."


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
        told = told_hash(alert.body) if alert.kind == "digest" and _key(alert) in out else None
        if told is not None:
            agrees = running.get(told[0]) == told[1]
            found.append(Witness(time_utc=alert.time_utc, frames=told[0], agrees=agrees))
    return found
