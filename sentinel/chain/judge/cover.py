"""Whether what covers part of the limb stays the same."""

from typing import NamedTuple


class Steady(NamedTuple):
    """A stretch in which the covered share of the limb stayed the same."""

    since_s: float
    last_s: float
    low: float
    high: float
    odd: int = 0


def steadier(steady: Steady | None, covered: float, time_s: float, width: float) -> Steady:
    """Return the stretch once another frame has come, of which so much is `covered`."""
    if steady is None:
        return Steady(time_s, time_s, covered, covered)
    low, high = min(steady.low, covered), max(steady.high, covered)
    if high - low <= width:
        return Steady(steady.since_s, time_s, low, high)
    if steady.odd < 1:
        return steady._replace(odd=steady.odd + 1, last_s=time_s)
    return Steady(time_s, time_s, covered, covered)
