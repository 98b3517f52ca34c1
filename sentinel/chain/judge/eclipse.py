"""The moon before the sun: what dims it and hides its rim as computed is no fault."""

from sentinel.chain.judge.details import Eclipse
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.track.context import Context
from sentinel.core.records import Severity
from sentinel.core.times import DAY_S, from_utc_s


def finding(time_s: float, context: Context) -> Finding | None:
    """Return the eclipse that is under way at a moment."""
    for eclipse in context.eclipses_on(int(time_s // DAY_S)):
        if eclipse.first_contact_s <= time_s <= eclipse.last_contact_s:
            detail = Eclipse(
                covered_diameter_fraction=round(eclipse.covered_diameter, 3),
                covered_area_fraction=round(eclipse.obscuration, 3),
                greatest_utc=from_utc_s(round(eclipse.maximum_s)),
                ends_utc=from_utc_s(round(eclipse.last_contact_s)),
            )
            return Finding(severity=Severity.NOTE, onset_s=eclipse.first_contact_s, detail=detail)
    return None
