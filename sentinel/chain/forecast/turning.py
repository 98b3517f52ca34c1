"""When the drive turns the axis: day and night, or, where it is parked at night, while the sun is up."""

from dataclasses import dataclass
from itertools import pairwise
from math import inf

import numpy as np

from sentinel.core.settings import Settings
from sentinel.sky import Sun, daylight, shown_altitude_deg
from sentinel.sky.searching import Span

LOOK_EVERY_S = 300.0


@dataclass(frozen=True, slots=True)
class Turning:
    """The spans in which the drive turns the axis."""

    spans: tuple[Span, ...] = ((-inf, inf),)

    def turned_s(self, begin_s: float, end_s: float) -> float:
        """Return for how long it turns between two times."""
        return sum(max(min(b, end_s) - max(a, begin_s), 0.0) for a, b in self.spans)

    def after(self, begin_s: float, turning_s: float) -> float | None:
        """Return when it has turned for so long since a time; None: not within the spans known."""
        if turning_s <= 0:
            return begin_s + turning_s
        for a, b in self.spans:
            here_s = max(b - max(a, begin_s), 0.0)
            if here_s and turning_s <= here_s:
                return max(a, begin_s) + turning_s
            turning_s -= here_s
        return None

    def parked_until_s(self, begin_s: float) -> float | None:
        """Return the end of the next rest of a drive that turns by then; None: of none that is known.

        From within a rest it is the one after it: until the sun is up nobody points anything.
        """
        begins = [a for a, _ in self.spans if a > begin_s]
        turns = any(a <= begin_s < b for a, b in self.spans)
        return next(iter(begins if turns else begins[1:]), None)


def turning_of(settings: Settings, sun: Sun, begin_s: float, end_s: float) -> Turning:
    """Return when the drive turns between two times; behind a ridge it goes on."""
    if not settings.mount.parked_at_night:
        return Turning()
    spans = daylight(sun, begin_s, end_s, "upper").spans
    joined = list(spans[:1])
    for before, span in pairwise(spans):
        if _is_ridge(sun, before[1], span[0]):
            joined[-1] = joined[-1][0], span[1]
        else:
            joined.append(span)
    return Turning(tuple(joined))


def _is_ridge(sun: Sun, begin_s: float, end_s: float) -> bool:
    """Whether the sun only goes behind the horizon line and stays above the level."""
    times = np.linspace(begin_s, end_s, max(2, int((end_s - begin_s) / LOOK_EVERY_S) + 1))
    return bool(shown_altitude_deg(sun, times).min() > 0)
