"""When a forecast is made anew: every ten minutes, and sooner where each picture tells much."""

from dataclasses import dataclass
from math import inf

RENEW_S = 600.0
SOONER_S = 60.0
IDLE_RENEW_S = 1800.0
LATELY_INTERVALS = 3.0
"""A disc that has not been seen for so long tells nothing new."""


@dataclass(slots=True)
class Renewal:
    """When the last forecast was made, and the earliest time it gave for the edge."""

    made_s: float = -inf
    early_s: float = inf

    def is_due(self, now_s: float, interval_s: float, *, first_s: float, seen_s: float, astray: bool) -> bool:
        """Whether a frame brings a new one.

        `first_s`, `seen_s`: when the track began, and when the disc was last seen on it.
        `astray`: the disc has left its track.
        """
        since_s = now_s - self.made_s
        if since_s < 0:
            return since_s < -RENEW_S
        # Once the earliest time for the edge has come, the next picture refutes or confirms it.
        seen = now_s - seen_s <= LATELY_INTERVALS * interval_s
        if astray or (seen and self.early_s <= self.made_s + RENEW_S):
            return since_s >= SOONER_S
        # While the track is short every bit of it tells much.
        return since_s + interval_s > RENEW_S or since_s >= max(0.3 * (now_s - first_s), 30.0)

    def is_due_idle(self, now_s: float) -> bool:
        """Whether one is due though no frame has come."""
        return not -RENEW_S <= now_s - self.made_s < IDLE_RENEW_S
