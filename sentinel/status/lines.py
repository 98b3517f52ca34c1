"""The standing as text and as JSON."""

import json
from datetime import datetime

from sentinel.errors import Problem
from sentinel.journal.codec import decode, plain
from sentinel.notify.left_alone import clock_time, left_alone, not_now
from sentinel.status.facts import ago, facts_of, job_line, stop_words
from sentinel.status.standing import Standing, pressing_of


def to_json(standing: Standing) -> str:
    """Return the standing as one JSON object."""
    return json.dumps(plain(standing), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def from_json(text: str, *, where: str) -> Standing:
    """Return the standing that `to_json` wrote.

    Raises
    ------
    Problem
        If it is not one.
    """
    try:
        return decode(Standing, text)
    except ValueError:
        raise Problem(
            "holds no status of this version of sentinel", where=where, mend="start the watch again"
        ) from None


def status_lines(s: Standing, now_utc: datetime, *, watched: bool) -> list[str]:
    """Return the standing for a terminal, as of `now_utc`."""
    picture = f"last picture {ago(s.frame_utc, now_utc)}" if s.frame_utc else "no picture yet"
    lines = [f"As of {clock_time(s.written_utc, now_utc)}Z, {ago(s.written_utc, now_utc)}; {picture}."]
    if not watched:
        lines.append("THE WATCH IS NOT RUNNING: nobody looks after the camera.")
    lines += [
        left_alone(s.forecast, now_utc, pressing_of(s.troubles)),
        f"If the mount stopped now: {stop_words(s)}.",
    ]
    lines += ["", "Open"]
    for t in s.troubles:
        act = f" {t.act}" if t.act else ""
        lines.append(f"  {t.severity.value:<4}  {t.title}: {t.what}{act}")
    if not s.troubles:
        lines.append("  nothing")
    lines += ["", "Next visit"]
    lines += [f"  {job_line(job, now_utc)}" for job in s.jobs] or ["  nothing to do"]
    lines.append("")
    facts = facts_of(s)
    wide = max(len(fact.name) for fact in facts)
    lines += [f"{'!' if fact.bad else ' '} {fact.name:<{wide}}  {fact.value}" for fact in facts]
    return lines


def until_lines(s: Standing, until_utc: datetime, now_utc: datetime) -> list[str]:
    """Return what must be done beforehand so that the camera may be left alone until a time."""
    until = f"{clock_time(until_utc, now_utc)} UTC"
    if s.forecast is None or s.forecast.seen_utc is None:
        return [left_alone(s.forecast, now_utc)]
    before = [due for due in s.forecast.due if due.time_utc < until_utc]
    natural = [due for due in before if due.reason in {"sunset", "horizon"}]
    jobs = [job for job in s.jobs if job.due_utc is not None and job.due_utc < until_utc]
    trouble = pressing_of(s.troubles)
    if not jobs:
        lines = [f"Nothing {'else ' if trouble else ''}to do: the camera may be left alone until {until}."]
    else:
        first = min(job.due_utc for job in jobs if job.due_utc is not None)
        lines = [f"To leave it alone until {until}, before {clock_time(first, now_utc)} UTC do:"]
        lines += [f"  {job_line(job, now_utc)}" for job in jobs]
    lines += [
        f"The sun goes at {clock_time(due.time_utc, now_utc)} UTC ({due.reason}); nothing is lost by that."
        for due in natural
    ]
    lines.append(f"If the mount stopped now: {stop_words(s)}.")
    return [not_now(trouble), *lines] if trouble else lines
