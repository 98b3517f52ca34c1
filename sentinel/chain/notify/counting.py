"""What was noticed and told, counted once for everybody who tells it. Pure."""

from collections.abc import Iterable
from typing import NamedTuple

from sentinel.core.records import Alert, Incident, Severity
from sentinel.core.words import many

GAP_INTERVALS = 1.8
"""Frames this many intervals apart have a gap between them: one missed frame, and a late one still fits."""


def missed_in(gap_s: float, interval_s: float) -> int:
    """Return how many pictures are missing in a gap."""
    return max(1, round(gap_s / interval_s) - 1)


def wakes(alert: Alert) -> bool:
    """Whether a message wakes somebody: each `now`, and each of its repeats."""
    return alert.severity is Severity.NOW and alert.of_trouble


class Counts(NamedTuple):
    """So far."""

    now: int = 0
    """Incidents by the gravest severity that each had."""
    soon: int = 0
    note: int = 0
    messages: int = 0
    wake_ups: int = 0
    open: tuple[tuple[str, str, Severity], ...] = ()
    """Condition, which of its kind, and the gravest severity so far."""

    @property
    def noticed(self) -> int:
        """All incidents."""
        return self.now + self.soon + self.note

    def with_incidents(self, incidents: Iterable[Incident]) -> "Counts":
        """Return the counts after some changes of incidents, in the order in which they came."""
        counts = self
        for one in incidents:
            counts = counts._after(one)
        return counts

    def with_alerts(self, alerts: Iterable[Alert]) -> "Counts":
        """Return the counts after some messages."""
        told = list(alerts)
        return self._replace(
            messages=self.messages + len(told), wake_ups=self.wake_ups + sum(wakes(one) for one in told)
        )

    def _after(self, one: Incident) -> "Counts":
        key = one.key
        known = next((severity for *other, severity in self.open if tuple(other) == key), None)
        rest = tuple(item for item in self.open if item[:2] != key)
        if one.state == "cleared":
            # The end has a severity of its own, which says nothing about how grave it was.
            return self._replace(open=rest)
        worst = one.severity if known is None or one.severity.rank < known.rank else known
        counts = self if known is None else self._changed(known, -1)
        return counts._changed(worst, 1)._replace(open=(*rest, (*key, worst)))

    def _changed(self, severity: Severity, by: int) -> "Counts":
        return self._replace(**{severity.value: getattr(self, severity.value) + by})


def counts_words(counts: Counts) -> str:
    """Return the counts in words, the same in summary, report, digest and status."""
    named = [f"{number} {name}" for name in ("now", "soon", "note") if (number := getattr(counts, name))]
    by_severity = f" ({', '.join(named)})" if named else ""
    told = f"{many(counts.messages, 'message')}, {many(counts.wake_ups, 'wake-up')}"
    return f"{many(counts.noticed, 'incident')}{by_severity}; {told}"
