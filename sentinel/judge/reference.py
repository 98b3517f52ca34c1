"""This session's own values by the sun's altitude, learned from earlier passes through it.

The air spoils everything near the horizon, so a value is only compared with what was measured at the same
altitude before. A bin of air mass first collects what is measured while the sun stays in it; when the sun has
left, the collected value settles and may be compared with.
"""

from collections.abc import Callable
from math import log
from typing import NamedTuple

BINS_PER_E = 8.0
BINS = 30
# The sun at its highest or lowest lingers in one bin: after so long what was collected settles all the same.
LINGER_S = 7200.0
FEWEST = 5


class Bin(NamedTuple):
    """One band of air mass: what settled, what is being collected."""

    settled: float | None = None
    settled_s: float = 0.0
    air_mass: float = 1.0
    """Where in the band the settled value was measured, on average."""


class Fresh(NamedTuple):
    """What the present stay in a bin has brought."""

    band: int = -1
    since_s: float = 0.0
    values: int = 0
    mean: float = 0.0
    air_mass: float = 0.0


class Reference(NamedTuple):
    """Values by altitude; bounded."""

    bins: tuple[Bin, ...] = (Bin(),) * BINS
    fresh: Fresh = Fresh()

    @property
    def known(self) -> bool:
        """Whether anything has settled."""
        return any(one.settled is not None for one in self.bins)


Carry = Callable[[float, float, float], float]
"""Takes a value, the air mass it was measured at and another one; gives what the air alone makes of it there."""


def index_of(air_mass: float) -> int:
    """Return the bin of an air mass."""
    return min(max(int(log(max(air_mass, 1.0)) * BINS_PER_E), 0), BINS - 1)


def expected(reference: Reference, air_mass: float, carry: Carry) -> tuple[float, int] | None:
    """Return what is to be expected at an air mass, and how many bins away that knowledge comes from."""
    here = index_of(air_mass)
    for away in range(BINS):
        for index in (here - away, here + away) if away else (here,):
            if 0 <= index < BINS:
                one = reference.bins[index]
                if one.settled is not None:
                    return carry(one.settled, one.air_mass, air_mass), away
    return None


def learned(
    reference: Reference, value: float, air_mass: float, time_s: float, *, better: float, keep: bool
) -> Reference:
    """Return the reference with one more value, if it is worth learning from.

    Parameters
    ----------
    better
        -1 where smaller values are the better ones, 1 where greater ones are: the better settle faster.
    keep
        False: the value is doubtful, it is not learned, but the passing of time is noted.
    """
    index, fresh = index_of(air_mass), reference.fresh
    if fresh.band != index or time_s - fresh.since_s > LINGER_S:
        reference = Reference(_settled(reference.bins, fresh, better, time_s), Fresh(index, time_s))
        fresh = reference.fresh
    if not keep:
        return reference
    count = fresh.values + 1
    share = max(1.0 / count, 0.05)
    mean = fresh.mean + share * (value - fresh.mean)
    air = fresh.air_mass + share * (air_mass - fresh.air_mass)
    return Reference(reference.bins, Fresh(index, fresh.since_s, count, mean, air))


def _settled(bins: tuple[Bin, ...], fresh: Fresh, better: float, time_s: float) -> tuple[Bin, ...]:
    if fresh.band < 0 or fresh.values < FEWEST:
        return bins
    old = bins[fresh.band]
    if old.settled is None:
        new = Bin(fresh.mean, time_s, fresh.air_mass)
    else:
        # Worse values are let in slowly, so that a slow worsening does not become the measure of itself.
        share = 0.5 if (fresh.mean - old.settled) * better > 0 else 0.15
        new = Bin(
            old.settled + share * (fresh.mean - old.settled),
            time_s,
            old.air_mass + share * (fresh.air_mass - old.air_mass),
        )
    return (*bins[: fresh.band], new, *bins[fresh.band + 1 :])
