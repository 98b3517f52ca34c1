"""Where the disc is to be put and where it comes up, for somebody at the camera's screen: in sun-widths."""

from sentinel.chain.judge.details import Placed
from sentinel.core.words import LEAST_WIDTHS, TimeWriter, off_the_middle

_TURNS = {
    "bottom": "rises again",
    "top": "sinks again",
    "left": "comes back",
    "right": "comes back",
}


def where(detail: Placed) -> str:
    """Return where the disc is to be put; empty: it is not known."""
    return _place(detail.put_right_widths, detail.put_up_widths)


def _place(right_widths: float | None, up_widths: float | None) -> str:
    if right_widths is None or up_widths is None:
        return ""
    return off_the_middle(right_widths, up_widths)


def room(detail: Placed) -> str:
    """Return how much room is left there, and how exactly it must be met; empty: it is not known."""
    gap, edge, slack = detail.put_gap_widths, detail.put_gap_edge, detail.put_tolerance_widths
    if gap is None or edge is None:
        return ""
    fine = f", {slack:.2f} off is fine" if slack is not None and slack >= LEAST_WIDTHS else ""
    return f"{gap:.1f} from the {edge} edge{fine}"


def turning(detail: Placed, times: TimeWriter) -> str:
    """Return why a place lies on the side to which the disc goes, and what is left there; empty: it does not.

    Whoever is not told takes it for a mistake.
    """
    at, edge, left = detail.put_turn_utc, detail.put_turn_edge, detail.put_turn_widths
    if left is None or edge is None or times.past(at):
        return ""
    return f"it {_TURNS[edge]} after {times.at(at)}, {left:.1f} sun-widths from the {edge} edge"


def rising(detail: Placed) -> str:
    """Return where the disc comes up in the picture; empty: it is not known."""
    out, edge = detail.rise_out_widths, detail.rise_edge
    if out is None:
        return ""
    if out >= 1:
        return f"it comes up out of the picture, {out - 1:.1f} sun-widths beyond the {edge} edge"
    if out > LEAST_WIDTHS:
        return f"it comes up with {100 * out:.0f} % of its width over the {edge} edge"
    return f"it comes up {_place(detail.rise_right_widths, detail.rise_up_widths)}"
