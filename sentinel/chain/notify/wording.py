"""What is said to people: one sentence, a title and body for a phone, and 160 plain characters.

The facts come in a fixed order: what, since when, how long is left, what to do. Times are UTC, marked Z; on
the phone the operator's own zone stands beside them where it is configured. Nothing here decides anything.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, NamedTuple

from sentinel.chain.judge.camera_details import Supply
from sentinel.chain.judge.conditions import DETAILS
from sentinel.chain.judge.details import DriftExit
from sentinel.chain.notify import (
    camera_and_people,
    camera_clock,
    cleared,
    contradicted,
    edge_of_frame,
    mount_and_sun,
)
from sentinel.chain.notify.camera_and_people import supply_name
from sentinel.chain.notify.phrase import Phrase
from sentinel.core.detail import Detail
from sentinel.core.records import Incident
from sentinel.core.settings import Settings
from sentinel.core.words import TimeWriter, capital, sentences, short_text, small, times_in

Phraser = Callable[[Incident, Any, TimeWriter], Phrase]
"""Words an incident by its detail, of the kind that the table of conditions has for it."""


def message(incident: Incident, times: TimeWriter | None = None) -> str:
    """Return one sentence that says what, since when and how long is left."""
    words = words_for(incident, times or TimeWriter())
    what, left = words.what.rstrip("."), words.left.rstrip(".")
    if not left:
        return f"{what}{'' if what.endswith('?') else '.'}"
    return f"{what}; {small(left).replace('. It', ', and it')}."


def title_and_body(
    incident: Incident, settings: Settings, again_utc: datetime | None = None
) -> tuple[str, str]:
    """Return a title and a body short enough for a phone's lock screen.

    `again_utc`: when it is said again; None: it is said for the first time.
    """
    words = words_for(incident, _at_its_time(times_in(settings.alerts.zone), again_utc))
    return f"{'STILL: ' if again_utc else ''}{words.title}", _below_title(words)


def sms(incident: Incident, again_utc: datetime | None = None) -> str:
    """Return at most 160 plain ASCII characters, in imperative sentences, times in Z."""
    words = words_for(incident, _at_its_time(TimeWriter(), again_utc))
    return short_text(f"{'Still: ' if again_utc else ''}{words.short or _body(words)}")


def _body(words: Phrase) -> str:
    return sentences((words.what, words.left, words.act))


def _below_title(words: Phrase) -> str:
    """Return the body without what the title has just said."""
    rest = words.what.removeprefix(words.title)
    if rest == words.what or rest[:1].isalnum():
        return _body(words)
    return _body(replace(words, what=capital(rest.lstrip(" ,:;")))) or _body(words)


def _at_its_time(times: TimeWriter, again_utc: datetime | None) -> TimeWriter:
    return times if again_utc is None else replace(times, now_utc=again_utc, again=True)


def words_for(incident: Incident, times: TimeWriter) -> Phrase:
    """Return the words for an incident, whatever its state; read at its own moment unless `times` says."""
    if times.now_utc is None:
        times = replace(times, now_utc=incident.time_utc)
    kind, row = DETAILS.get(incident.condition, Detail), WORDS.get(incident.condition, UNKNOWN)
    detail = incident.detail if isinstance(incident.detail, kind) else kind()
    say = row.over if incident.state == "cleared" else row.phrase
    return say(incident, detail, times)


def _over(incident: Incident, detail: Detail, times: TimeWriter) -> Phrase:
    name = name_of(incident.condition) or incident.condition
    if isinstance(detail, Supply) and supply_name(detail):
        name = f"{small(supply_name(detail))} was running out"
    begun, ended = times.pair(incident.onset_utc, incident.time_utc)
    what = f"Over: {name}, from {begun} to {ended}"
    return Phrase(f"Over: {name}", what, short=what.replace(",", "") + ".")


def _edge_over(incident: Incident, detail: DriftExit, times: TimeWriter) -> Phrase:
    if detail.set_over_edge:
        return cleared.set_over_edge(incident, detail, times)
    sure, since = edge_of_frame.over_the_edge(incident, detail, times) or (False, "")
    return cleared.inside_again(incident, detail, since, times) if sure else _over(incident, detail, times)


def _unknown(incident: Incident, _: Detail, times: TimeWriter) -> Phrase:
    what = f"{incident.condition} since {times.at(incident.onset_utc)}"
    return Phrase(incident.condition, what)


class Words(NamedTuple):
    """How one condition is said."""

    phrase: Phraser
    name: str = ""
    """What it was, for a list and for when it is over; empty: it is never listed."""
    over: Phraser = _over
    """Its end: of what mends nothing by itself, what is known then and what is still to do."""


WORDS: Mapping[str, Words] = {
    "runaway": Words(mount_and_sun.runaway, "the mount ran away from the sun", cleared.runaway),
    "moved": Words(mount_and_sun.moved, "the picture jumped", cleared.moved),
    "drift-exit": Words(edge_of_frame.drift_exit, "the sun was near the edge", _edge_over),
    "axis-limit": Words(mount_and_sun.axis_limit, "the axis was near its limit"),
    "lost-disc": Words(mount_and_sun.lost_disc, "the sun was lost", cleared.seen_again),
    "unverified": Words(mount_and_sun.unverified, "the sun was not seen", cleared.seen_again),
    "covered-limb": Words(mount_and_sun.covered_limb, "the sun's rim was covered"),
    "dimmed": Words(mount_and_sun.dimmed, "the sun was dimmer than it should be"),
    "soft-focus": Words(mount_and_sun.soft_focus, "the picture was soft"),
    "over-bright": Words(mount_and_sun.over_bright, "far too much light", cleared.over_bright),
    "no-frames": Words(camera_and_people.no_frames, "no pictures came"),
    "clock": Words(camera_clock.clock, "the camera's clock was off"),
    "clocks-differ": Words(camera_clock.clocks_differ, "two cameras' clocks differed"),
    "storage": Words(camera_and_people.storage, "the disk was filling"),
    "supply": Words(camera_and_people.supply, "a supply was running out"),
    "wrong-place": Words(camera_and_people.wrong_place, "place or time looked wrong"),
    "settings": Words(contradicted.settings, "the pictures contradicted the settings"),
    "lens": Words(contradicted.lens, "the sun had another size"),
    "mixed-cameras": Words(camera_and_people.mixed_cameras, "pictures of another camera"),
    "eclipse": Words(camera_and_people.eclipse, "the eclipse"),
    "visit": Words(camera_and_people.visit, over=camera_and_people.visit),
    "before-sleep": Words(camera_and_people.before_sleep, over=camera_and_people.before_sleep),
}
"""By condition, as incidents have it."""
UNKNOWN = Words(_unknown)


def name_of(condition: str) -> str:
    """Return what a condition is in a few words; empty: it is never listed, or not known."""
    return WORDS.get(condition, UNKNOWN).name
