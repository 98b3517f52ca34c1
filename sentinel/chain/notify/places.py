"""Where the disc is to be put and where it comes up, for somebody at the camera's screen: in sun-widths."""

from collections.abc import Mapping
from typing import Any

from sentinel.core.words import LEAST_WIDTHS, TimeWriter, off_the_middle

_TURNS = {
    "bottom": "rises again",
    "top": "sinks again",
    "left": "comes back",
    "right": "comes back",
}


def where(detail: Mapping[str, Any], kind: str = "put") -> str:
    """Return a place from its evidence (`put_right_widths`, `put_up_widths`); empty: it is not known."""
    right, up = detail.get(f"{kind}_right_widths"), detail.get(f"{kind}_up_widths")
    if not (isinstance(right, int | float) and isinstance(up, int | float)):
        return ""
    return off_the_middle(right, up)


def room(detail: Mapping[str, Any]) -> str:
    """Return how much room is left there, and how exactly it must be met; empty: it is not known."""
    gap, edge = detail.get("put_gap_widths"), detail.get("put_gap_edge")
    if not isinstance(gap, int | float) or edge is None:
        return ""
    slack = detail.get("put_tolerance_widths")
    fine = f", {slack:.2f} off is fine" if isinstance(slack, int | float) and slack >= LEAST_WIDTHS else ""
    return f"{gap:.1f} from the {edge} edge{fine}"


def turning(detail: Mapping[str, Any], times: TimeWriter) -> str:
    """Return why a place lies on the side to which the disc goes, and what is left there; empty: it does not.

    Whoever is not told takes it for a mistake.
    """
    at, edge, left = (detail.get(f"put_turn_{name}") for name in ("utc", "edge", "widths"))
    if not isinstance(left, int | float) or edge not in _TURNS or times.past(at):
        return ""
    return f"it {_TURNS[edge]} after {times.at(at)}, {left:.1f} sun-widths from the {edge} edge"


def rising(detail: Mapping[str, Any]) -> str:
    """Return where the disc comes up in the picture; empty: it is not known."""
    out, edge = detail.get("rise_out_widths"), detail.get("rise_edge")
    if not isinstance(out, int | float):
        return ""
    if out >= 1:
        return f"it comes up out of the picture, {out - 1:.1f} sun-widths beyond the {edge} edge"
    if out > LEAST_WIDTHS:
        return f"it comes up with {100 * out:.0f} % of its width over the {edge} edge"
    return f"it comes up {where(detail, 'rise')}"
