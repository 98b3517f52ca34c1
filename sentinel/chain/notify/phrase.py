"""What is said of one incident, and the small pieces that the wording of every condition is made of."""

from dataclasses import dataclass

from sentinel.chain.judge.details import Runaway
from sentinel.core.foreseen import Edge
from sentinel.core.records import Incident
from sentinel.core.words import TimeWriter


@dataclass(frozen=True, slots=True)
class Phrase:
    """One incident in words, for a title, a body and 160 characters."""

    title: str
    what: str
    left: str = ""
    """How long is left, or what else is known."""
    act: str = ""
    """What to do."""
    short: str = ""
    """Imperative, plain ASCII; empty: made of the others."""


def number(value: float | None, digits: int = 0) -> str:
    """Return a number of the evidence as text; `?` where it is missing."""
    return "?" if value is None else f"{value:.{digits}f}"


def edge_name(edge: Edge | None) -> str:
    """Return `left edge`, or `edge` where it is not known."""
    return f"{edge} edge" if edge else "edge"


def runaway_when(incident: Incident, detail: Runaway, times: TimeWriter) -> str:
    """Return what the mount did and when; that it was found so tells no moment."""
    did, since = runaway_did(detail), times.at(incident.onset_utc)
    if detail.unseen_since_utc is None:
        return f"The mount {did} at {since}"
    return f"The mount {did} unseen, between {times.at(detail.unseen_since_utc)} and {since}"


def runaway_did(detail: Runaway) -> str:
    """Return what the mount did, in the past: `stopped`."""
    return {"stopped": "stopped", "reversed": "reversed"}.get(detail.kind, "lost pace")
