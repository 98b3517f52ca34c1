"""A sun that went down in a clear sky, is up again and is not seen: cloud, or a mount that stopped by night.

Through the filter the two look alike, and no picture tells which. Of mornings after a clear evening one in
six or so begins with an hour of cloud without a gap, one in eight with two: after one it is told, after two
somebody who can look at the sky is woken.
"""

from dataclasses import replace
from math import inf
from typing import NamedTuple

from sentinel.chain.judge.last_seen import LastDisc, where_it_should_be
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity
from sentinel.core.times import from_utc_s

TOLD_S, WOKEN_S = 3600.0, 7200.0
"""After so long with the sun up and not seen, nothing hinting at cloud."""
LOW = 1.5
"""Times the height below which a faint sun may go out: from there on the air alone dims it and frays it."""
LATE_SIGHT_S = 2 * 3600.0
"""In the haze, or behind a ridge that nobody has named, a sun may go out so long before it is down."""


class Evening(NamedTuple):
    """What the last evening was like."""

    clouded_s: float = -inf
    """When a frame last hinted at cloud; what takes a low sun's light is the air."""
    dusk_s: float | None = None
    """Since when the sun has been down, or was before it came up unseen; None: it was seen since."""

    def after(self, sight: Observation, context: Context, *, hint: bool, up: bool) -> "Evening":
        """Return the same once another frame has come."""
        low = sight.found and sight.sun.altitude_deg < LOW * context.thresholds.faint_below_deg
        clouded_s = sight.time_s if hint and not low else self.clouded_s
        dusk_s = None if sight.trusted else sight.time_s if self.dusk_s is None and not up else self.dusk_s
        return Evening(clouded_s, dusk_s)

    def was_clear(self, seen: LastDisc, memory_s: float) -> bool:
        """Whether the sun went down in a clear sky, and nothing has hinted at cloud since."""
        if self.dusk_s is None or self.dusk_s - seen.time_s > LATE_SIGHT_S:
            return False
        return self.clouded_s < seen.time_s - memory_s


def unseen_since_night(
    evening: Evening, seen: LastDisc | None, up_since_s: float | None, sight: Observation, context: Context
) -> Finding | None:
    """Return what to say of a sun that has been up again since a time and was not seen."""
    if seen is None or up_since_s is None:
        return None
    unseen_s = sight.time_s - up_since_s
    clear = evening.was_clear(seen, context.thresholds.cloud_memory_min * 60)
    if unseen_s < TOLD_S or not clear or context.settings.mount.parked_at_night:
        return None
    detail = replace(
        # Where a mount carried it by night that may have stopped nobody knows.
        where_it_should_be(seen._replace(drift=(0.0, 0.0)), up_since_s, sight, context),
        dark_min=round(unseen_s / 60, 1),
        up_since_utc=from_utc_s(round(up_since_s)),
        likely=("mount", "cap-or-filter"),
    )
    severity = Severity.NOW if unseen_s >= WOKEN_S else Severity.SOON
    return Finding(severity=severity, onset_s=up_since_s, frame=sight.frame, detail=detail, story="night")
