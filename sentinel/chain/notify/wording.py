"""What is said to people: one sentence, a title and body for a phone, and 160 plain characters.

The facts come in a fixed order: what, since when, how long is left, what to do. Times are UTC, marked Z; on
the phone the operator's own zone stands beside them where it is configured. Nothing here decides anything.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from sentinel.chain.judge.conditions import DETAILS
from sentinel.chain.judge.details import Supply
from sentinel.chain.notify import camera_and_people, camera_clock, cleared, contradicted, mount_and_sun
from sentinel.chain.notify.camera_and_people import supply_name
from sentinel.chain.notify.phrase import Phrase
from sentinel.core.detail import Detail
from sentinel.core.records import Incident
from sentinel.core.settings import Settings
from sentinel.core.words import TimeWriter, sentences, short_text, small, times_in

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

    Parameters
    ----------
    again_utc
        When it is said again; None: it is said for the first time.
    """
    words = words_for(incident, _at_its_time(times_in(settings.alerts.zone), again_utc))
    return f"{'STILL: ' if again_utc else ''}{words.title}", _body(words)


def sms(incident: Incident, again_utc: datetime | None = None) -> str:
    """Return at most 160 plain ASCII characters, in imperative sentences, times in Z."""
    words = words_for(incident, _at_its_time(TimeWriter(), again_utc))
    return short_text(f"{'Still: ' if again_utc else ''}{words.short or _body(words)}")


def _body(words: Phrase) -> str:
    return sentences((words.what, words.left, words.act))


def _at_its_time(times: TimeWriter, again_utc: datetime | None) -> TimeWriter:
    return times if again_utc is None else replace(times, now_utc=again_utc, again=True)


def words_for(incident: Incident, times: TimeWriter) -> Phrase:
    """Return the words for an incident, whatever its state; read at its own moment unless `times` says."""
    if times.now_utc is None:
        times = replace(times, now_utc=incident.time_utc)
    kind = DETAILS.get(incident.condition, Detail)
    detail = incident.detail if isinstance(incident.detail, kind) else kind()
    if incident.state == "cleared" and incident.condition not in {"visit", "before-sleep"}:
        return _CLEARED.get(incident.condition, _over)(incident, detail, times)
    return _PHRASES.get(incident.condition, _unknown)(incident, detail, times)


def _over(incident: Incident, detail: Detail, times: TimeWriter) -> Phrase:
    name = NAMES.get(incident.condition, incident.condition)
    if isinstance(detail, Supply) and supply_name(detail):
        name = f"{small(supply_name(detail))} was running out"
    begun, ended = times.pair(incident.onset_utc, incident.time_utc)
    what = f"Over: {name}, from {begun} to {ended}"
    return Phrase(f"Over: {name}", what, short=what.replace(",", "") + ".")


NAMES: Mapping[str, str] = {
    "runaway": "the mount ran away from the sun",
    "moved": "the picture jumped",
    "drift-exit": "the sun was near the edge",
    "axis-limit": "the axis was near its limit",
    "lost-disc": "the sun was lost",
    "unverified": "the sun was not seen",
    "covered-limb": "the sun's rim was covered",
    "dimmed": "the sun was dimmer than it should be",
    "soft-focus": "the picture was soft",
    "over-bright": "far too much light",
    "no-frames": "no pictures came",
    "clock": "the camera's clock was off",
    "storage": "the disk was filling",
    "supply": "a supply was running out",
    "wrong-place": "the sun was where it cannot be",
    "settings": "the pictures contradicted the settings",
    "lens": "the sun had another size",
    "mixed-cameras": "pictures of another camera",
    "eclipse": "the eclipse",
}


def _unknown(incident: Incident, _: Detail, times: TimeWriter) -> Phrase:
    what = f"{incident.condition} since {times.at(incident.onset_utc)}"
    return Phrase(incident.condition, what)


_PHRASES: Mapping[str, Phraser] = {
    "runaway": mount_and_sun.runaway,
    "moved": mount_and_sun.moved,
    "drift-exit": mount_and_sun.drift_exit,
    "axis-limit": mount_and_sun.axis_limit,
    "lost-disc": mount_and_sun.lost_disc,
    "unverified": mount_and_sun.unverified,
    "covered-limb": mount_and_sun.covered_limb,
    "dimmed": mount_and_sun.dimmed,
    "soft-focus": mount_and_sun.soft_focus,
    "over-bright": mount_and_sun.over_bright,
    "no-frames": camera_and_people.no_frames,
    "clock": camera_clock.clock,
    "storage": camera_and_people.storage,
    "supply": camera_and_people.supply,
    "wrong-place": camera_and_people.wrong_place,
    "settings": contradicted.settings,
    "lens": contradicted.lens,
    "mixed-cameras": camera_and_people.mixed_cameras,
    "eclipse": camera_and_people.eclipse,
    "visit": camera_and_people.visit,
    "before-sleep": camera_and_people.before_sleep,
}

# The end of these mends nothing by itself, so each says what is known then and what is still to do.
_CLEARED: Mapping[str, Phraser] = {
    "over-bright": cleared.over_bright,
    "moved": cleared.moved,
    "runaway": cleared.runaway,
}
