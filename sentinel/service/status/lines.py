"""The standing as text and as JSON."""

import json
from datetime import datetime
from typing import Any

from sentinel.chain.judge.evidence import task_of
from sentinel.chain.notify.headline import troubles_first
from sentinel.chain.notify.tasks import answer_words, task_line, up_unseen
from sentinel.core.errors import Problem
from sentinel.core.words import opened
from sentinel.service.journal.codec import decode, plain
from sentinel.service.status.facts import ago, facts_of, stop_words
from sentinel.service.status.standing import Standing, next_visit, until

AS_OF = 2
"""The line that says how old the standing is."""
NOT_RUNNING = "THE WATCH IS NOT RUNNING: nobody looks after the camera."


def to_json(standing: Standing) -> str:
    """Return the standing as one JSON object."""
    return json.dumps(plain(standing), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def from_json(text: str, *, where: str) -> Standing:
    """Return the standing that `to_json` wrote.

    Raises `Problem` if it is not one.
    """
    try:
        return decode(Standing, text)
    except ValueError:
        raise Problem(
            "holds no status of this version of sentinel", where=where, mend="start the watch again"
        ) from None


def status_lines(s: Standing, now_utc: datetime, *, watched: bool) -> list[str]:
    """Return the standing for a terminal, as of `now_utc`."""
    if not watched:
        # Nobody has looked since: what it knew is told as of then, and is no promise for now.
        of_then = f"What follows is of {s.times.as_of(now_utc).dated(s.written_utc)}."
        as_it_was = status_lines(s, s.written_utc, watched=True)
        as_it_was[AS_OF] = as_of_words(s, now_utc)
        return [opened(s.camera, f"{NOT_RUNNING} {of_then}"), *as_it_was]
    lines = [opened(s.camera, s.headline(now_utc).sentence)]
    lines += [f"If the mount stopped now: {stop_words(s)}.", as_of_words(s, now_utc)]
    lines += ["", "Open"]
    for t in s.troubles:
        act = f" {t.act}" if t.act else ""
        lines.append(f"  {t.severity.value:<4}  {t.title}: {t.what}{act}")
    if not s.troubles:
        lines.append("  nothing")
    lines += ["", "Next visit", *(f"  {line}" for line in visit_lines(s, now_utc)), ""]
    facts = facts_of(s)
    wide = max(len(fact.name) for fact in facts)
    lines += [f"{'!' if fact.bad else ' '} {fact.name:<{wide}}  {fact.value}" for fact in facts]
    return lines


def as_of_words(s: Standing, now_utc: datetime) -> str:
    """Return how old the standing is, and the last picture."""
    picture = f"last picture {ago(s.frame_utc, now_utc)}" if s.frame_utc else "no picture yet"
    at = s.times.as_of(now_utc).at(s.written_utc)
    return f"As of {at}, {ago(s.written_utc, now_utc)}; {picture}."


def visit_lines(s: Standing, now_utc: datetime) -> list[str]:
    """Return what the next visit should see to, a line a job."""
    times = s.times.as_of(now_utc)
    lines = [task_line(task_of(job), times) for job in next_visit(s, now_utc)]
    places = s.forecast.places if s.forecast is not None else None
    if not lines and places is not None and not places.touch_gains:
        return ["Nothing: a touch would gain no time, leave it alone"]
    return lines or ["Nothing falls due" if s.troubles else "Nothing to do"]


def until_lines(s: Standing, until_utc: datetime, now_utc: datetime, *, watched: bool = True) -> list[str]:
    """Return whether the camera may be left alone until a time, and what must be done beforehand."""
    times = s.times.as_of(now_utc)
    found = until(s, until_utc, now_utc)
    lines = answer_words(found, s.agenda, times, troubles_first(s.troubles))
    if not watched:
        lines.insert(1, f"{NOT_RUNNING} This is of {times.at(s.written_utc)}.")
    lines += [f"  {task_line(task_of(job), times)}" for job in found.jobs]
    sets, rises = s.agenda.sets_utc, s.agenda.rises_utc
    if sets is not None and sets < until_utc:
        back = f" and again from {times.at(rises)}" if rises is not None else ""
        lines.append(f"All of the sun is up until {times.at(sets)}{back}; nothing is lost by that.")
    lines += filter(None, [up_unseen(s.agenda, times)])
    lines.append(f"If the mount stopped now: {stop_words(s)}.")
    return lines


def until_json(s: Standing, until_utc: datetime, now_utc: datetime, *, watched: bool) -> dict[str, Any]:
    """Return the same as JSON values."""
    found = until(s, until_utc, now_utc)
    trouble = troubles_first(s.troubles)
    return {
        "until_utc": plain(until_utc),
        # What is so only if the mount has tracked unseen is not known to hold.
        "holds": found.holds and not trouble and s.agenda.up_unseen is None,
        "holds_until_utc": plain(found.holds_until_utc),
        "again_utc": plain(found.again_utc(s.agenda)),
        "jobs": [plain(task_of(job)) for job in found.jobs],
        "watched": watched,
        "lines": until_lines(s, until_utc, now_utc, watched=watched),
    }
