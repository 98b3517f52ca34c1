"""What is said of one incident, and the small pieces that the wording of every condition is made of."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


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


def number(detail: Mapping[str, Any], key: str, digits: int = 0) -> str:
    """Return a number of the evidence as text; `?` where it is missing."""
    value = detail.get(key)
    if not isinstance(value, int | float):
        return "?"
    return f"{value:.{digits}f}"


def edge_name(detail: Mapping[str, Any]) -> str:
    """Return `left edge`, or `edge` where it is not known."""
    edge = detail.get("edge")
    return f"{edge} edge" if edge else "edge"


def runaway_did(detail: Mapping[str, Any]) -> str:
    """Return what the mount did, in the past: `stopped`."""
    return {"stopped": "stopped", "reversed": "reversed"}.get(str(detail.get("kind")), "lost pace")
