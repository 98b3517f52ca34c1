"""What runs out: the supplies with a count of their own, and the computer's disk."""

from dataclasses import replace

from sentinel.chain.judge.camera_details import Supply
from sentinel.chain.judge.conditions import SUPPLIES
from sentinel.chain.judge.edge import graded
from sentinel.chain.judge.jobs import outlived
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.judge.seen import Seen
from sentinel.chain.track.context import Context
from sentinel.core.detail import Detail
from sentinel.core.records import Severity
from sentinel.core.times import from_utc_s

COUNT_OVER = "count over"
"""The story of a supply whose count is over: a question, not an alarm."""
CLEAR_H = 0.25
"""What runs out so much later than it would be told is not told any more."""


def supply_finding(
    reason: str, when_s: float | None, now_s: float, seen: Seen, context: Context
) -> Finding | None:
    """Return what to say of a supply: its end foreseen, or, when its count is over, one question.

    What fails after that is told by what fails: no pictures, a mount that stops.
    """
    if when_s is None:
        return None
    when_utc = from_utc_s(when_s)
    left_h = (when_s - now_s) / 3600
    detail = Supply(hours_left=round(left_h, 2), supply=SUPPLIES[reason], empty_utc=when_utc)
    if left_h > 0:
        return running_out(left_h, now_s, context, detail)
    detail = replace(detail, outlived=outlived(reason, when_utc, seen, None))
    return Finding(severity=Severity.SOON, onset_s=when_s, detail=detail, story=COUNT_OVER)


def running_out(left_h: float, now_s: float, context: Context, detail: Detail) -> Finding | None:
    """Return what to say of what will be used up in so many hours."""
    limits = context.thresholds
    amiss, severity = graded(left_h, limits.supply_soon_h, limits.supply_now_h, CLEAR_H)
    if not amiss:
        return None
    return Finding(severity=severity, onset_s=now_s, detail=detail)
