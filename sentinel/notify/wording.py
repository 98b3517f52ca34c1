"""What is said to people: for each condition one sentence, a title and body for a phone, and 160 plain characters.

The facts come in a fixed order: what, since when, how long is left, what to do. Times are UTC, marked Z; on the
phone the operator's own zone stands beside them where it is configured. Nothing here decides anything.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from sentinel.records import Incident, Severity
from sentinel.settings import Settings
from sentinel.times import parse_utc

SMS_LENGTH = 160


@dataclass(frozen=True, slots=True)
class Words:
    """One incident in words, without times of any zone but through `Teller`."""

    title: str
    what: str
    left: str = ""
    act: str = ""
    short: str = ""
    """Imperative, plain ASCII; empty: made of the others."""


@dataclass(frozen=True, slots=True)
class Teller:
    """Writes times."""

    zone: tzinfo | None = None
    zone_name: str = ""

    def at(self, time: datetime | str | None) -> str:
        """Return `03:01Z`, and the operator's time beside it where there is one."""
        if time is None:
            return "an unknown time"
        moment = parse_utc(time) if isinstance(time, str) else time
        text = moment.astimezone(UTC).strftime("%H:%MZ")
        if self.zone is None:
            return text
        return f"{text} ({moment.astimezone(self.zone).strftime('%H:%M')} {self.zone_name})"


Phrase = Callable[[Incident, Teller], Words]


def message(incident: Incident) -> str:
    """Return one sentence that says what, since when and how long is left."""
    words = words_for(incident, Teller())
    what, left = words.what.rstrip("."), words.left.rstrip(".")
    if not left:
        return f"{what}{'' if what.endswith('?') else '.'}"
    return f"{what}; {left[0].lower()}{left[1:].replace('. It', ', and it')}."


def title_and_body(incident: Incident, settings: Settings) -> tuple[str, str]:
    """Return a title and a body short enough for a phone's lock screen."""
    words = words_for(incident, teller_for(settings))
    sentences = [_ended(part) for part in (words.what, words.left, words.act) if part]
    return words.title, " ".join(sentences)


def sms(incident: Incident) -> str:
    """Return at most 160 plain ASCII characters, in imperative sentences, times in Z."""
    words = words_for(incident, Teller())
    text = words.short or " ".join(_ended(part) for part in (words.what, words.left, words.act) if part)
    plain = text.encode("ascii", "replace").decode("ascii")
    if len(plain) <= SMS_LENGTH:
        return plain
    return plain[: SMS_LENGTH - 3].rsplit(" ", 1)[0] + "..."


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?", "!")) else f"{sentence}."


def teller_for(settings: Settings) -> Teller:
    """Return the writer of times for these settings."""
    name = settings.alerts.zone
    if name is None:
        return Teller()
    return Teller(ZoneInfo(name), name.rsplit("/", 1)[-1].replace("_", " "))


def words_for(incident: Incident, teller: Teller) -> Words:
    """Return the words for an incident, whatever its state."""
    phrase = _PHRASES.get(incident.condition, _unknown)
    words = phrase(incident, teller)
    if incident.state == "cleared" and incident.condition not in {"visit", "before-sleep"}:
        return _over(incident, words, teller)
    return words


def _over(incident: Incident, words: Words, teller: Teller) -> Words:
    name = NAMES.get(incident.condition, incident.condition)
    what = f"Over: {name}, from {teller.at(incident.onset_utc)} to {teller.at(incident.time_utc)}"
    return Words(f"Over: {name}", what, short=what.replace(",", "") + ".")


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
    "mixed-cameras": "pictures of another camera",
    "eclipse": "the eclipse",
}


def _number(detail: Mapping[str, Any], key: str, digits: int = 0) -> str:
    value = detail.get(key)
    if not isinstance(value, int | float):
        return "?"
    return f"{value:.{digits}f}"


def _span_min(minutes: Any) -> str:
    if not isinstance(minutes, int | float):
        return "an unknown time"
    if minutes < 0:
        return "no time"
    whole = round(minutes)
    hours, rest = divmod(whole, 60)
    if hours == 0:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def _edge(detail: Mapping[str, Any]) -> str:
    edge = detail.get("edge")
    return f"{edge} edge" if edge else "edge"


def _runaway(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    if "rate_ratio" in detail:
        return _wrong_rate(incident, teller)
    did = {"stopped": "stopped", "reversed": "turned back"}.get(str(detail.get("kind")), "lost pace")
    since = teller.at(incident.onset_utc)
    if "lost_utc" in detail:
        return _runaway_lost(incident, teller, did)
    touch, gone = detail.get("touch_utc"), detail.get("gone_utc")
    left = (
        f"The sun touches the {_edge(detail)} at {teller.at(touch)} and is gone at {teller.at(gone)}"
        if touch
        else ""
    )
    act = "Go now. Check power, a snagged cable, the clutch; restart the drive; recentre"
    side = str(detail.get("edge", "an")).upper()
    short = (
        f"Mount {did} {since}. Sun touches {side} edge {teller.at(touch)}, gone {teller.at(gone)}. Go now. "
    )
    short += "Check power, cable, clutch; restart drive; recentre."
    return Words(f"MOUNT {did.upper()}: go now", f"The mount {did} at {since}", left, act, short)


def _runaway_lost(incident: Incident, teller: Teller, did: str) -> Words:
    detail = incident.detail
    off, rate = _number(detail, "off_deg", 1), _number(detail, "off_rate_deg_min", 2)
    way, lost = str(detail.get("off_way", "west")), teller.at(detail.get("lost_utc"))
    since = teller.at(incident.onset_utc)
    left = (
        f"The sun left the frame by {lost} and is {off} degrees {way} of the camera, {rate} more each minute"
    )
    act = "Go now. Check power, a snagged cable, the clutch; restart the drive; find the sun; recentre"
    short = f"Mount {did} {since}. Sun left frame {lost}. Now {off} deg {way.upper()} of camera, +{rate} deg/min. "
    short += "Go now. Check power, cable, clutch; restart; recentre."
    return Words(f"MOUNT {did.upper()}, sun lost: go now", f"The mount {did} at {since}", left, act, short)


def _wrong_rate(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    looks, set_to = str(detail.get("looks_like")), str(detail.get("configured"))
    named = (
        f"the {looks} rate" if looks in {"solar", "sidereal", "lunar"} else "a rate that is none of the usual"
    )
    what = f"The drive runs at {named}, not the {set_to} one (noticed {teller.at(incident.onset_utc)})"
    left = f"The sun slides {_number(detail, 'drift_arcmin_h', 1)} arcminutes an hour (it is 32 wide)"
    if looks == "solar":
        return Words(
            "Drive at another rate than set", what, "That keeps the sun", "Correct the settings or the drive"
        )
    act = f"Set the drive to the {set_to} rate at the next visit"
    short = f"Drive runs at {looks if looks in {'solar', 'sidereal', 'lunar'} else 'a wrong'} rate. Set {set_to} rate at next visit."
    return Words("Drive at the wrong rate", what, left, act, short)


def _moved(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    widths, since = _number(detail, "shift_sun_widths", 1), teller.at(incident.onset_utc)
    what = f"The sun jumped by {widths} sun-widths at {since} and tracks steadily since"
    if incident.severity is Severity.NOTE:
        nearer = "It stands nearer to a good place than before" if detail.get("nearer_to_good_place") else ""
        return Words("Picture jumped, tracking", what, nearer)
    after = detail.get("exit_early_after_utc")
    left = (
        f"It now reaches the edge at {teller.at(after)} at the earliest"
        if after
        else "It stands worse than before"
    )
    short = f"Sun jumped {widths} sun-widths {since}, tracks since. Edge {teller.at(after) if after else 'nearer'}. Look for the cause; recentre."
    return Words("Picture jumped for the worse", what, left, "Look for what knocked it; recentre", short)


def _drift_exit(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    early, minutes = teller.at(detail.get("exit_early_utc")), _span_min(detail.get("minutes_left"))
    what = f"The sun drifts to the {_edge(detail)}: there at {early} at the earliest"
    urgent = incident.severity is Severity.NOW
    place, holds = _place(detail), detail.get("put_holds_until_utc")
    to = f"put the disc {place}" if place else "recentre"
    act = f"Go now and {to}" if urgent else f"Plan a visit and {to} before then"
    good = f" Then good until {teller.at(holds)}." if place and holds else ""
    side = str(detail.get("edge") or "an").upper()
    short = f"Sun reaches {side} edge {early} at the earliest, in {minutes}. "
    short += f"{'Go now. ' if urgent else ''}{to[0].upper()}{to[1:]}.{good}"
    title = (
        f"Sun near the {_edge(detail)}: go now" if urgent else f"Sun reaches the {_edge(detail)} in {minutes}"
    )
    return Words(title, what, f"That is in {minutes}", act + "." + good if good else act, short)


def _place(detail: Mapping[str, Any]) -> str:
    """Return where the disc should end up, in sun-widths from the frame's middle; empty if it is not known."""
    right, up = detail.get("put_right_widths"), detail.get("put_up_widths")
    if not (isinstance(right, int | float) and isinstance(up, int | float)):
        return ""
    ways = [
        f"{abs(value):.1f} {more if value > 0 else less}"
        for value, more, less in ((right, "right", "left"), (up, "up", "down"))
        if abs(value) >= 0.05
    ]
    return f"{' and '.join(ways)} of the middle (in sun-widths)" if ways else "in the middle"


def _axis_limit(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    if detail.get("asked") and incident.severity is Severity.NOTE:
        what = f"Something was done at the mount ({teller.at(incident.onset_utc)}): was the axis unwound?"
        act = "If it was, mark it unwound; until then it counts as not"
        return Words("Was the axis unwound?", what, "", act, "Was the axis unwound? If so, mark unwound.")
    limit, minutes = teller.at(detail.get("limit_utc")), _span_min(detail.get("minutes_left"))
    act = "Unwind one full turn, watch the cables, recentre, mark unwound"
    urgent = incident.severity is Severity.NOW
    short = f"Axis limit {limit}, in {minutes}. {'Go now. ' if urgent else ''}{act}. Mount runs well now."
    title = "Axis limit: go now" if urgent else f"Axis limit in {minutes}"
    return Words(title, f"The mount reaches its axis limit at {limit}", f"That is in {minutes}", act, short)


_SUSPECTS = {"cap-or-filter": "cap", "mount": "mount", "camera": "camera"}


def _or(names: Sequence[str]) -> str:
    return " or ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))


def _lost_disc(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    seen = teller.at(detail.get("last_seen_utc"))
    bearing, height = _number(detail, "azimuth_deg"), _number(detail, "altitude_deg")
    bearing = bearing.zfill(3) if bearing != "?" else bearing
    what = f"The sun has not been seen since {seen}, and no cloud led up to it"
    look = f"It stands at bearing {bearing}, height {height}"
    likely = list(detail.get("likely", ()))
    if likely[:1] == ["left"]:
        left = f"It most likely left by the {_edge(detail)} at {teller.at(detail.get('left_utc'))}"
        short = f"Sun lost, last seen {seen}: left by {_edge(detail)} {teller.at(detail.get('left_utc'))}. "
        short += f"Look at bearing {bearing}, height {height}. Recentre."
        return Words("SUN LOST over the edge", what, f"{left}. {look}", "Recentre", short)
    order = _or([_SUSPECTS.get(str(x), str(x)) for x in likely])
    act = f"If the sky is clear there, check {order or 'cap, mount or camera'}"
    short = f"Sun not seen since {seen}, clear before. "
    short += (
        f"If sky is clear at bearing {bearing}, height {height}: check {order or 'cap, mount or camera'}."
    )
    title = "SUN LOST: go and look" if incident.severity is Severity.NOW else "Sun not seen"
    return Words(title, what, look, act, short)


def _unverified(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    seen = teller.at(detail.get("last_seen_utc") or incident.onset_utc)
    hours = detail.get("unseen_h")
    span = _span_min(hours * 60 if isinstance(hours, int | float) else None)
    what = f"Not verified since {seen}: nothing to see for {span}, so mount and focus are unknown"
    act = "Have a look at the next chance" if incident.severity is Severity.SOON else ""
    short = f"Sun not verified since {seen} ({span}). Mount and focus unknown. Look when you can."
    return Words(f"Not verified since {seen}", what, "", act, short)


def _covered(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    value = detail.get("covered_fraction")
    share = f"{round(100 * value)} %" if isinstance(value, int | float) else "Part"
    what = f"{share} of the sun's rim is covered since {teller.at(incident.onset_utc)}"
    if incident.severity is Severity.NOTE:
        return Words("Sun partly covered", what, "It looks like cloud, or something in the way")
    left = f"The covered part has stayed the same for {_span_min(detail.get('same_min'))}: a ridge, a cable or frost"
    short = f"{share.replace(' %', ' pct')} of sun's rim covered, the same since {teller.at(incident.onset_utc)}. Look for ridge, cable, frost."
    return Words("Something covers the sun", what, left, "Look for a cable or frost on the filter", short)


def _dimmed(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    value = detail.get("light_fraction")
    down = f"{round(100 * (1 - value))}" if isinstance(value, int | float) else "?"
    what = f"The sun is {down} % dimmer than at the same height before, evenly, since {teller.at(incident.onset_utc)}"
    act = "Look for frost or dirt on the filter; do not touch its surface"
    short = f"Sun {down} pct dimmer than before at this height since {teller.at(incident.onset_utc)}. Look for frost or dirt on filter."
    return Words("Sun evenly dimmer", what, "", act, short)


def _soft(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    ratio, since = _number(detail, "ratio", 1), teller.at(incident.onset_utc)
    what = f"The sun's edge is {ratio} times as wide as at the same height before, since {since}"
    urgent = incident.severity is Severity.NOW
    act = (
        "Go and refocus on the sun's rim, tape the ring, mark refocused"
        if urgent
        else "Refocus at the next visit, mark refocused"
    )
    short = f"Picture soft since {since}: edge {ratio} times as wide as before at this height. {'Go and refocus' if urgent else 'Refocus at next visit'}, tape ring, mark refocused."
    return Words(
        "OUT OF FOCUS" if urgent else "Focus is drifting",
        what,
        f"It has lasted {_span_min(detail.get('held_min'))}",
        act,
        short,
    )


def _over_bright(incident: Incident, teller: Teller) -> Words:
    since = teller.at(incident.onset_utc)
    what = f"Do NOT look into camera or finder: the solar filter may be off since {since}"
    act = "Approach from behind, cap the lens, stop the camera. Then inspect filter and sensor"
    short = f"Filter may be off {since}. Do NOT look into camera or finder. Approach from behind, cap the lens, stop camera. Then inspect filter, sensor."
    return Words("DO NOT LOOK IN: filter may be off", what, "", act, short)


def _no_frames(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    if detail.get("same_picture"):
        what = f"The camera delivers the same picture again and again since {teller.at(incident.onset_utc)}"
        act = "Check the camera, its card and its timer"
        return Words(
            "Same picture again and again: go now",
            what,
            "",
            act,
            f"Camera repeats one picture since {teller.at(incident.onset_utc)}. Check camera, card, timer.",
        )
    last, missed = detail.get("last_utc"), _number(detail, "missed_frames")
    since = teller.at(last or incident.onset_utc)
    what = f"No pictures since {since}, {missed} missed"
    damaged = detail.get("damaged_files")
    if damaged:
        what += f", {damaged} files came damaged"
    fine = detail.get("mount_was_fine")
    left = "Sun and mount were fine" if fine else ""
    until = detail.get("alone_until_utc")
    if fine and until:
        left += f"; the sun stays in the frame until {teller.at(until)}"
    act = "Check that the camera is on: battery, card, timer, cable"
    rises = detail.get("sun_rises_utc")
    if incident.severity is not Severity.NOW:
        left = f"The sun is down{f' and is back at {teller.at(rises)}' if rises else ''}"
        short = f"No pictures since {since}, sun down{f' till {teller.at(rises)}' if rises else ''}. {act} before sunrise."
        return Words("No pictures; the sun is down", what, left, f"{act}, before the sun is back", short)
    stays = f" Sun stays in frame till {teller.at(until)}." if fine and until else ""
    short = f"No pictures since {since}, {missed} missed.{' Sun and mount were fine.' if fine else ''} Check camera on, battery, card, timer, cable.{stays}"
    return Words("NO PICTURES: go now", what, left, act, short)


_CLOCK_CAUSES = {
    "daylight-saving": "daylight saving", "time-zone": "a time zone", "date": "a wrong date",
    "clock-set-or-timer-restarted": "the clock was set, or the timer restarted",
    "set-wrong-by-minutes": "set wrong by minutes", "drift-or-set-by-hand": "drift, or set by hand",
}  # fmt: skip


def _clock(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    step, offset = detail.get("step_s"), detail.get("offset_s")
    cause = _CLOCK_CAUSES.get(str(detail.get("likely")), "unknown")
    if step is not None:
        what = (
            f"The camera's clock jumped by {step:+.0f} s at {teller.at(incident.onset_utc)} (likely {cause})"
        )
    else:
        what = f"The camera's clock is off by {offset or 0:+.0f} s (likely {cause})"
    act = "Set the camera's offset in the settings; leave its clock alone"
    value = step if step is not None else offset or 0
    short = f"Camera clock {'jumped' if step is not None else 'off'} {value:+.0f} s {teller.at(incident.onset_utc)}. Likely {cause}. Enter the offset in the settings."
    return Words("Camera clock", what, "", act, short)


def _storage(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    hours = detail.get("hours_left")
    span = _span_min(hours * 60 if isinstance(hours, int | float) else None)
    full = teller.at(detail.get("full_utc"))
    what = f"The disk for the pictures is full at {full}"
    act = "Make room or change the disk"
    return Words(
        f"Disk full in {span}",
        what,
        f"That is in {span}",
        act,
        f"Disk full {full}, in {span}. Make room or change disk.",
    )


_SUPPLIES = {
    "camera-battery": ("The camera's battery", "Change the camera's battery, mark battery"),
    "mount-battery": ("The mount's battery", "Change the mount's battery, mark battery mount"),
    "card": ("The camera's card", "Change the card, mark card"),
    "timer": ("The timer's count", "Restart the timer, mark timer"),
}


def _supply(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    name, act = _SUPPLIES.get(str(detail.get("supply")), ("A supply", "Renew it and mark it"))
    hours = detail.get("hours_left")
    span = _span_min(hours * 60 if isinstance(hours, int | float) else None)
    empty = teller.at(detail.get("empty_utc"))
    what = f"{name} ends at {empty}"
    now = "Go now. " if incident.severity is Severity.NOW else ""
    return Words(
        f"{name} ends in {span}",
        what,
        f"That is in {span}",
        act,
        f"{name} ends {empty}, in {span}. {now}{act}.",
    )


_MISTAKES = {"longitude-sign": "the sign of the longitude", "time-zone": "the time zone", "date": "the date"}


def _wrong_place(incident: Incident, teller: Teller) -> Words:
    likely = [_MISTAKES.get(str(x), str(x)) for x in incident.detail.get("likely", ())]
    causes = _or(likely) or "place or time"
    if "sun_altitude_deg" in incident.detail:
        height = _number(incident.detail, "sun_altitude_deg")
        what = f"The sun is in the picture at {teller.at(incident.onset_utc)}, but should be below the horizon ({height} degrees)"
    else:
        what = "The sun's track needs a polar axis where nobody would set one"
    act = f"Check {causes} in the settings and on the camera"
    short = (
        f"Sun seen where it cannot be ({teller.at(incident.onset_utc)}). Check {causes}: settings and camera."
    )
    return Words("Wrong place or time", what, "", act, short)


def _mixed(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    size = detail.get("other_size_px") or ["?", "?"]
    other = f"{detail.get('other') or 'another camera'}, {size[0]} x {size[1]}"
    what = f"Pictures of another camera ({other}) lie in the folder since {teller.at(incident.onset_utc)}"
    return Words(
        "Two cameras in one folder", what, "They are left out", "Give each camera a folder of its own"
    )


def _eclipse(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    share = detail.get("covered_diameter_fraction")
    percent = f"{round(100 * share)} %" if isinstance(share, int | float) else "part"
    what = f"The moon covers {percent} of the sun's width at {teller.at(detail.get('greatest_utc'))}, as computed"
    return Words("Eclipse", what, f"It ends at {teller.at(detail.get('ends_utc'))}")


def _visit(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    if detail.get("good"):
        until = detail.get("alone_until_utc")
        what = f"Good, tracking, until {teller.at(until)}" if until else "Good, tracking, nothing due"
        return Words("Good, tracking", what)
    if detail.get("good") is False and incident.state != "cleared":
        ended = teller.at(detail.get("until_utc"))
        what = (
            f"The visit that ended at {ended} left no good picture for {_span_min(detail.get('waited_min'))}"
        )
        act = "Go back: check cap, clutch, drive, timer"
        return Words(
            "LEFT WITHOUT A GOOD PICTURE",
            what,
            "",
            act,
            f"Left without a good picture {ended}. Go back. Check cap, clutch, drive, timer, framing.",
        )
    what = f"Somebody is at the camera from {teller.at(detail.get('from_utc'))} to {teller.at(detail.get('until_utc'))}"
    return Words("Visit", what, "Only the filter alarm sounds")


_JOBS = {
    "drift": "recentre", "axis-limit": "unwind the axis, recentre", "battery": "change the camera's battery",
    "mount-battery": "change the mount's battery", "card": "change the card", "timer": "restart the timer",
    "storage": "make room on the disk",
}  # fmt: skip


def _before_sleep(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    until = teller.at(detail.get("sleep_until_utc"))
    jobs = detail.get("jobs") or []
    if not jobs:
        return Words(f"Nothing to do, sleep until {until}", f"Nothing to do, sleep until {until}")
    listed = "; ".join(
        f"{_JOBS.get(job['job'], job['job'])} (due {teller.at(job['due_utc'])})" for job in jobs
    )
    return Words(f"Before you sleep: {len(jobs)} to do", f"To sleep until {until}, in one visit: {listed}")


def _unknown(incident: Incident, teller: Teller) -> Words:
    what = f"{incident.condition} since {teller.at(incident.onset_utc)}"
    return Words(incident.condition, what)


_PHRASES: Mapping[str, Phrase] = {
    "runaway": _runaway,
    "moved": _moved,
    "drift-exit": _drift_exit,
    "axis-limit": _axis_limit,
    "lost-disc": _lost_disc,
    "unverified": _unverified,
    "covered-limb": _covered,
    "dimmed": _dimmed,
    "soft-focus": _soft,
    "over-bright": _over_bright,
    "no-frames": _no_frames,
    "clock": _clock,
    "storage": _storage,
    "supply": _supply,
    "wrong-place": _wrong_place,
    "mixed-cameras": _mixed,
    "eclipse": _eclipse,
    "visit": _visit,
    "before-sleep": _before_sleep,
}
