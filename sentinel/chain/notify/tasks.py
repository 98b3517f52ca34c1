"""The words for what is to be done at the camera: one sentence a job, the same wherever it is told."""

from collections.abc import Mapping
from datetime import datetime

from sentinel.chain.judge.agenda import Agenda
from sentinel.chain.judge.details import Task
from sentinel.chain.judge.evidence import task_of
from sentinel.chain.judge.until import Answer
from sentinel.chain.notify.camera_clock import disagreement
from sentinel.chain.notify.places import rising, room, turning, where
from sentinel.core.words import TimeWriter, capital, small

_DOING: Mapping[str, str] = {
    "axis-limit": "unwind the axis fully, watch the cables, mark unwound",
    "storage": "make room on the disk for the pictures",
    "battery": "change the camera's battery, mark battery",
    "mount-battery": "change the mount's battery, mark mount-battery",
    "card": "change the card, mark card",
    "timer": "restart the timer, mark timer",
}
NAMES: Mapping[str, str] = {
    "battery": "the camera's battery", "mount-battery": "the mount's battery", "card": "the camera's card",
    "timer": "the timer's count",
}  # fmt: skip
"""What runs out, by the name of its job."""
_ENDS: Mapping[str, tuple[str, str]] = {"card": ("is full", "be full"), "timer": ("ends", "end")}


def ends(job: str) -> tuple[str, str]:
    """Return what a supply does when it is used up, and was to do: `runs out`, `run out`."""
    return _ENDS.get(job, ("runs out", "run out"))


def still_works(job: str, name: str, due: str) -> str:
    """Return that a supply whose count is over is seen to work."""
    return f"{name} was to {ends(job)[1]} at {due} and still works"


PAST_HOUR_ANGLE = (
    "take the mount past its hour-angle limit as its maker says, or turn it over to the other side"
)


def doing(detail: Task, times: TimeWriter) -> str:
    """Return what is to be done, without when."""
    job = detail.job
    if job == "drift":
        return _recentring(detail, times)
    if job == "sunrise":
        comes = rising(detail)
        why = turning(detail, times)
        put = f", put the disc {where(detail)}{f'; {why}' if why else ''}" if where(detail) else ", recentre"
        return f"be at the camera when the sun comes up{f': {comes}' if comes else ''}{put}"
    if job == "axis-limit":
        return _unwinding(detail, times)
    return _DOING.get(job, job)


def _unwinding(detail: Task, times: TimeWriter) -> str:
    """Return the turn back, and the recentring after it where no other job asks for one."""
    does = PAST_HOUR_ANGLE if detail.limit == "hour-angle" else _DOING["axis-limit"]
    at = detail.recentre_utc
    if at is None:
        return does
    if not times.past(at):
        return f"{does}; recentre at sunrise, {times.at(at)}"
    return f"{does}; then {_recentring(detail, times)}"


def _recentring(detail: Task, times: TimeWriter) -> str:
    place = where(detail)
    if not place:
        edge = detail.edge
        return f"recentre{f', the sun drifts to the {edge} edge' if edge else ''}"
    left = room(detail)
    at = detail.put_at_utc
    when = f" at {times.at(at)}, not sooner" if at and not times.past(at) else ""
    why = turning(detail, times)
    return f"recentre: put the disc {place}{f', {left}' if left else ''}{when}{f'; {why}' if why else ''}"


def task(detail: Task, times: TimeWriter) -> str:
    """Return one job: until when, what, and how long it then lasts."""
    due, by, lasts = detail.due_utc, detail.by_utc, detail.lasts_until_utc
    job = detail.job
    if detail.outlived and job in NAMES:
        name = NAMES[job]
        act = _DOING[job].partition(", ")[0]
        return f"{still_works(job, name, times.at(due))}: if it was renewed, mark it; else {act}"
    what = doing(detail, times)
    if job == "sunrise":
        head = f"at sunrise, {times.at(due)}"
    elif by is not None:
        head = f"until {times.at(by)}, while the whole sun is up"
    else:
        head = f"overdue since {times.at(due)}" if times.past(due) else f"by {times.at(due)}"
    gains = lasts is not None and (due is None or lasts > due) and not times.past(lasts)
    then = f"; then good until {times.at(lasts)}" if gains and job != "storage" else ""
    if lasts is None and where(detail):
        then = "; then good for 48 h"
    # "recentre" has a colon of its own.
    return f"{head}{',' if what.startswith('recentre: ') else ':'} {what}{then}"


BRIEF = {
    "drift": "recentre", "axis-limit": "unwind", "battery": "camera battery",
    "mount-battery": "mount battery", "card": "card", "timer": "timer", "storage": "make room on the disk",
    "sunrise": "be there",
}  # fmt: skip
"""What is to be done, in a word or two, by the name of its job."""


def brief_task(detail: Task, times: TimeWriter) -> str:
    """Return one job in a few words, for 160 characters."""
    by = detail.by_utc or detail.due_utc
    put = f" {where(detail)}" if detail.job == "drift" and where(detail) else ""
    when = "now" if times.past(by) else f"by {times.at(by)}"
    if detail.outlived:
        when = "(was it renewed?)"
    return f"{BRIEF.get(detail.job, detail.job)}{put} {when}"


def task_line(detail: Task, times: TimeWriter) -> str:
    """Return one job as a line of its own."""
    return capital(task(detail, times))


IF_TRACKED = "If the mount has tracked since"


def answer_words(found: Answer, agenda: Agenda, times: TimeWriter, trouble: str = "") -> list[str]:
    """Return the answer to "may it be left alone until then?", yes or no first.

    `trouble` is what is open and cannot wait.
    """
    lines = _answer(found, agenda, times, trouble)
    if found.known and not trouble and agenda.up_unseen is not None:
        lines[0] = f"{IF_TRACKED} the sun was last seen, {small(lines[0])}"
    return lines


def _answer(found: Answer, agenda: Agenda, times: TimeWriter, trouble: str) -> list[str]:
    until = times.at(found.until_utc)
    if trouble:
        return [f"No: {trouble}", *(_mended(found, agenda, times))]
    if found.clock is not None:
        return [f"Not known: {disagreement(found.clock)}."]
    if not found.known:
        why = unknown_why(
            times,
            departed_utc=found.departed_utc,
            blind_utc=found.blind_since_utc,
            unseen_utc=found.unseen_since_utc,
        )
        due = f"What is known to fall due before {until}:" if found.jobs else ""
        return [f"Not known: {why}. {due or f'Nothing is known to fall due before {until}.'}"]
    if found.holds and not found.jobs:
        return [f"Yes: nothing to do, it may be left alone until {until}."]
    with_these = _with_these(found)
    if found.holds:
        return [f"Yes, with {with_these} done: then it holds until {until}."]
    return [_no(found, agenda, times)]


def unknown_why(
    times: TimeWriter,
    *,
    departed_utc: datetime | None = None,
    blind_utc: datetime | None = None,
    unseen_utc: datetime | None = None,
) -> str:
    """Return why nobody knows until when the camera may be left alone: since when what has not been seen."""
    if departed_utc is not None:
        return f"the mount has not followed the sun since {times.at(departed_utc)}"
    if blind_utc is not None:
        return f"no disc has been measured since it was put elsewhere at {times.at(blind_utc)}"
    if unseen_utc is not None:
        return f"the sun has been up for hours and was not seen since {times.at(unseen_utc)}"
    return "no disc has been measured"


SEEN_BY_EYE = "if you see the sun in the sky, go and look, and see that the drive turns"
"""What no picture tells anybody can who is awake."""


def up_unseen(agenda: Agenda, times: TimeWriter) -> str:
    """Return that the sun is up and not seen, where it was foreseen to be, and who can tell; else nothing."""
    up = agenda.up_unseen
    if up is None:
        return ""
    comes = rising(task_of(up))
    where_to = f"; by the forecast {comes}" if comes else ""
    return (
        f"The sun came up at {times.at(up.due_utc)} and no picture has shown it since: "
        f"cloud hides it, or it is out of the frame{where_to}. {capital(SEEN_BY_EYE)}."
    )


def _mended(found: Answer, agenda: Agenda, times: TimeWriter) -> list[str]:
    if not found.known:
        return []
    until = times.at(found.until_utc)
    if not found.holds:
        return [_no(found, agenda, times).replace("No", "Once that is mended, no", 1)]
    these = f", with {_with_these(found)} done" if found.jobs else ""
    return [f"Once that is mended{these}, it holds until {until}."]


def _no(found: Answer, agenda: Agenda, times: TimeWriter) -> str:
    until = times.at(found.holds_until_utc)
    if found.ends is None:
        return f"No: nobody can foresee more than until {until}; ask again nearer the time."
    these = f", not even with {_with_these(found)} done" if found.jobs else ""
    first = f"No{these}: until {until}"
    again = found.again_utc(agenda)
    if found.ends.name == "sunrise":
        said = doing(task_of(found.ends), times)
        return f"{first}. Then {said}; set off by {times.at(again)}."
    if times.past(again):
        return f"{first}; go now."
    return f"{first}; go again at {times.at(again)}."


def _with_these(found: Answer) -> str:
    return "this one" if len(found.jobs) == 1 else f"these {len(found.jobs)}"
