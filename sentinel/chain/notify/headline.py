"""The headline of everything the program says: until when the camera may be left alone, and why."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple

from sentinel.chain.judge.agenda import Agenda, Job
from sentinel.chain.judge.evidence import task_of
from sentinel.chain.notify.camera_clock import disagreement
from sentinel.chain.notify.grouping import weight
from sentinel.chain.notify.places import rising
from sentinel.chain.notify.tasks import IF_TRACKED, task, unknown_why, up_unseen
from sentinel.core.foreseen import Due
from sentinel.core.records import Forecast, Incident, Severity
from sentinel.core.words import TimeWriter, capital, small, span

_FIRST = {
    "drift": "the sun drifts to the {edge} edge first",
    "axis-limit": "the axis limit comes first",
    "storage": "the disk is full first",
    "battery": "the camera's battery comes first",
    "mount-battery": "the mount's battery comes first",
    "card": "the card is full first",
    "timer": "the timer's count ends first",
}
_PERHAPS = "the sun may reach the {edge} edge first"
"""Where most likely it reaches none within what is foreseen."""
_GOES = {
    "sunset": "then the sun begins to set",
    "horizon": "then the sun begins to go behind the horizon line",
}

_GO = "Go to the camera now."

NOT_KNOWN = "Until when the camera may be left alone is not known"
UNKNOWN = f"{NOT_KNOWN} yet: {unknown_why(TimeWriter())}."

FORESEEN = frozenset({"drift-exit", "axis-limit", "supply", "storage"})
"""What falls due: there is a time until which it can be seen to, and nothing to say of afterwards."""
LIST = "before-sleep"
"""No trouble: it has been told, and what it lists is on the agenda."""
_SOON = timedelta(hours=24)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """An open incident, as it reads now."""

    condition: str
    severity: Severity
    since_utc: datetime
    title: str
    what: str
    act: str
    """What to do about it; empty: nothing."""


class Headline(NamedTuple):
    """What stands above everything else."""

    title: str
    """In a few words."""
    sentence: str
    until_utc: datetime | None = None
    """Until when it may be left alone, once what is open is mended; None: not known, or for as long as is
    foreseen."""
    reason: str | None = None
    """What comes then, as `Due.reason`, or `sunrise`."""
    set_off_utc: datetime | None = None
    """When somebody must set off for that; None: nobody need."""


def troubles_of(incidents: Iterable[Incident], now_utc: datetime, times: TimeWriter) -> tuple[Trouble, ...]:
    """Return what is open, the gravest first: what was so only when it opened is left out."""
    # Who only asks for a status words no incident, and loads the words of none.
    from sentinel.chain.notify.wording import message, words_for  # noqa: PLC0415

    times = replace(times, now_utc=now_utc, again=True)
    ordered = sorted(
        (one for one in incidents if one.condition != LIST),
        key=lambda i: (i.severity.rank, weight(i.condition), i.onset_utc),
    )
    return tuple(
        Trouble(
            condition=incident.condition,
            severity=incident.severity,
            since_utc=incident.onset_utc,
            title=words.title,
            what=message(incident, times),
            act=words.act,
        )
        for incident in ordered
        for words in (words_for(incident, times),)
    )


def pressing(troubles: Iterable[Trouble]) -> Trouble | None:
    """Return the first trouble, the gravest first, that wakes somebody; None: there is none."""
    return next((one for one in troubles if one.severity is Severity.NOW), None)


def troubles_first(troubles: Iterable[Trouble]) -> str:
    """Return that the camera cannot be left alone, and why; empty: nothing is open that cannot wait."""
    trouble = pressing(troubles)
    return "" if trouble is None else f"it cannot be left alone now. {trouble.what}"


def headline(
    agenda: Agenda,
    forecast: Forecast | None,
    troubles: Sequence[Trouble],
    now_utc: datetime,
    times: TimeWriter,
) -> Headline:
    """Return the headline: what is open and cannot wait comes before all that is foreseen."""
    times = replace(times, now_utc=now_utc)
    calm = _calm(agenda, forecast, now_utc, times)
    trouble = pressing(troubles)
    if trouble is None:
        return calm
    if trouble.condition in FORESEEN:
        return calm._replace(title=trouble.title, sentence=f"{_GO} {trouble.what}")
    mended = ""
    if calm.sentence.startswith("The camera may"):
        mended = calm.sentence.replace("The camera may", " Once that is mended, it may", 1)
    sentence = f"The camera cannot be left alone now. {trouble.what}{mended}"
    return calm._replace(title=trouble.title, sentence=sentence)


def _calm(agenda: Agenda, forecast: Forecast | None, now_utc: datetime, times: TimeWriter) -> Headline:
    if agenda.clock is not None:
        return Headline("the camera's clock is off", f"{NOT_KNOWN}: {disagreement(agenda.clock)}.")
    if forecast is None or agenda.known_until_utc is None:
        return Headline("until when is not known yet", UNKNOWN)
    if agenda.unseen_since_utc is not None:
        return _unverified(agenda, forecast, agenda.unseen_since_utc, now_utc, times)
    head = _foreseen(agenda, forecast, now_utc, times)
    unseen = up_unseen(agenda, times)
    if not unseen or agenda.up_unseen is None:
        return head
    rises = times.at(agenda.up_unseen.due_utc)
    sentence = f"{unseen} {_if_tracked(head)}"
    return head._replace(title=f"not seen since sunrise, {rises}", sentence=sentence)


def _unverified(
    agenda: Agenda, forecast: Forecast, since_utc: datetime, now_utc: datetime, times: TimeWriter
) -> Headline:
    """Return what was foreseen, for what it is worth after hours of daylight without a sight of the sun."""
    seen = times.at(since_utc)
    then = _foreseen(agenda, forecast, now_utc, times)
    if_so = f" {_if_tracked(then)}" if then.until_utc is not None else ""
    sentence = f"{NOT_KNOWN}: {unknown_why(times, unseen_utc=since_utc)}.{if_so}"
    return then._replace(title=f"not verified since {seen}", sentence=sentence)


def _if_tracked(then: Headline) -> str:
    return f"{IF_TRACKED}: {small(then.sentence)}"


def _foreseen(agenda: Agenda, forecast: Forecast, now_utc: datetime, times: TimeWriter) -> Headline:
    dark = agenda.dark(now_utc)
    if agenda.blind_since_utc is not None:
        return _blind(agenda, agenda.blind_since_utc, times, dark=dark)
    pending = agenda.pending
    first = pending[0] if pending else None
    if first is not None and first.hidden_since_utc is not None and agenda.must_go(first, now_utc):
        return _hidden(first, first.hidden_since_utc, now_utc, times)
    if not dark and (lost := _lost(forecast, now_utc, times)) is not None:
        return lost
    if agenda.goes is not None and agenda.goes_first(now_utc):
        return _until_it_goes(agenda.goes, first, now_utc, times)
    if first is None:
        down = f" The sun is down until {times.at(agenda.rises_utc)}." if dark and agenda.rises_utc else ""
        return Headline(
            "leave alone, nothing falls due",
            f"The camera may be left alone for the next 48 h: nothing falls due.{down}",
        )
    return _until_due(agenda, first, _why(first, forecast), now_utc, times)


def _blind(agenda: Agenda, since_utc: datetime, times: TimeWriter, *, dark: bool) -> Headline:
    rises = agenda.rises_utc
    if dark and rises is not None:
        set_off = rises - timedelta(minutes=agenda.travel_min)
        sentence = (
            f"Since {times.at(since_utc)} nobody knows where the disc stands, nor whether the mount tracks, "
            f"and the sun is down until {times.at(rises)}: be at the camera then and recentre. "
            f"Set off by {times.at(set_off)}."
        )
        return Headline(f"be there at sunrise, {times.at(rises)}", sentence, rises, "sunrise", set_off)
    sentence = f"{NOT_KNOWN}: {unknown_why(times, blind_utc=since_utc)}."
    return Headline("until when is not known", sentence)


def _lost(forecast: Forecast, now_utc: datetime, times: TimeWriter) -> Headline | None:
    """Return what to say where the sun is over the edge, or runs for it."""
    edge, leaves = forecast.exit.edge or "nearest", forecast.exit.median_utc
    if leaves is not None and leaves <= now_utc:
        what = f"The sun reached the {edge} edge of the frame at {times.at(leaves)}."
        return Headline(f"the sun is over the {edge} edge", f"{what} {_GO}")
    if forecast.departed_utc is None:
        return None
    since = times.at(forecast.departed_utc)
    early = forecast.exit.early_utc
    by = "" if early is None else f": the sun is lost by {_time(early, now_utc, times)}"
    return Headline(
        "the mount does not follow the sun",
        f"The mount has not followed the sun since {since}{by}. {_GO}",
        early,
        "drift",
        now_utc,
    )


def _hidden(first: Job, since_utc: datetime, now_utc: datetime, times: TimeWriter) -> Headline:
    """Return what to say of a disc that drifts to the edge, or over it, behind cloud: go when it shows."""
    due, edge, since = times.at(first.due_utc), first.edge or "nearest", times.at(since_utc)
    went = "may have been over" if first.due_utc <= now_utc else "drifts to"
    at = f"since {due}" if first.due_utc <= now_utc else f"at {due} at the earliest"
    sentence = (
        f"The sun {went} the {edge} edge {at}, and no picture has shown it since {since}: go as soon as it "
        "shines, under cloud it cannot be put anywhere."
    )
    return Headline("go when the sun shines", sentence, first.due_utc, first.name)


def _until_it_goes(goes: Due, first: Job | None, now_utc: datetime, times: TimeWriter) -> Headline:
    then = ""
    if first is not None and first.due_utc < now_utc + _SOON:
        said = task(task_of(first), times)
        then = f" {capital(said)}."
    return Headline(
        f"leave alone until {times.at(goes.time_utc)}",
        f"The camera may be left alone until {_time(goes.time_utc, now_utc, times)}: {_GOES[goes.reason]}."
        f"{then}",
        goes.time_utc,
        goes.reason,
    )


def _until_due(agenda: Agenda, first: Job, why: str, now_utc: datetime, times: TimeWriter) -> Headline:
    due, name = first.due_utc, first.name
    if due <= now_utc:
        sentence = f"The camera cannot be left alone: {why}, overdue since {times.at(due)}."
        return Headline(f"overdue since {times.at(due)}", sentence, due, name, now_utc)
    set_off = agenda.set_off_utc(first)
    until = _time(due, now_utc, times)
    if set_off <= now_utc:
        sentence = f"Go to the camera now: it may be left alone only until {until}; {why}."
        return Headline(f"go now, until {times.at(due)} only", sentence, due, name, set_off)
    off = f" Set off by {times.at(set_off)}." if set_off < due else ""
    sentence = f"The camera may be left alone until {until}: {why}.{off}"
    return Headline(f"leave alone until {times.at(due)}", sentence, due, name, set_off)


def _why(job: Job, forecast: Forecast) -> str:
    if job.name == "sunrise":
        return f"then the sun comes up{f', {rising(task_of(job))}' if job.rise else ''}"
    likely = job.name != "drift" or forecast.exit.median_utc is not None
    first = _FIRST.get(job.name, f"{job.name} comes first") if likely else _PERHAPS
    return first.format(edge=job.edge or "nearest")


def _time(time_utc: datetime, now_utc: datetime, times: TimeWriter) -> str:
    return f"{times.at(time_utc)}, in {span(time_utc - now_utc)}"
