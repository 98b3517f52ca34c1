"""The words for what befalls the mount and the sun in the picture."""

from collections.abc import Mapping
from typing import Any

from sentinel.notify.telling import Teller, Words, duration, edge_name, either, number
from sentinel.records import Incident, Severity


def runaway(incident: Incident, teller: Teller) -> Words:
    """Word `runaway`."""
    detail = incident.detail
    if "rate_ratio" in detail:
        return _wrong_rate(incident, teller)
    did = {"stopped": "stopped", "reversed": "turned back"}.get(str(detail.get("kind")), "lost pace")
    since = teller.at(incident.onset_utc)
    if "lost_utc" in detail:
        return _runaway_lost(incident, teller, did)
    touch, gone = detail.get("touch_utc"), detail.get("gone_utc")
    left = (
        f"The sun touches the {edge_name(detail)} at {teller.at(touch)} and is gone at {teller.at(gone)}"
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
    off, rate = number(detail, "off_deg", 1), number(detail, "off_rate_deg_min", 2)
    way, lost = str(detail.get("off_way", "west")), teller.at(detail.get("lost_utc"))
    since = teller.at(incident.onset_utc)
    left = (
        f"The sun left the frame by {lost} and is {off} degrees {way} of the camera, {rate} more each minute"
    )
    act = "Go now. Check power, a snagged cable, the clutch; restart the drive; find the sun; recentre"
    short = f"Mount {did} {since}. Sun left frame {lost}. "
    short += f"Now {off} deg {way.upper()} of camera, +{rate} deg/min. "
    short += "Go now. Check power, cable, clutch; restart; recentre."
    return Words(f"MOUNT {did.upper()}, sun lost: go now", f"The mount {did} at {since}", left, act, short)


def _wrong_rate(incident: Incident, teller: Teller) -> Words:
    detail = incident.detail
    looks, set_to = str(detail.get("looks_like")), str(detail.get("configured"))
    named = (
        f"the {looks} rate" if looks in {"solar", "sidereal", "lunar"} else "a rate that is none of the usual"
    )
    what = f"The drive runs at {named}, not the {set_to} one (noticed {teller.at(incident.onset_utc)})"
    left = f"The sun slides {number(detail, 'drift_arcmin_h', 1)} arcminutes an hour (it is 32 wide)"
    if looks == "solar":
        return Words(
            "Drive at another rate than set", what, "That keeps the sun", "Correct the settings or the drive"
        )
    act = f"Set the drive to the {set_to} rate at the next visit"
    brief = looks if looks in {"solar", "sidereal", "lunar"} else "a wrong"
    short = f"Drive runs at {brief} rate. Set {set_to} rate at next visit."
    return Words("Drive at the wrong rate", what, left, act, short)


def moved(incident: Incident, teller: Teller) -> Words:
    """Word `moved`."""
    detail = incident.detail
    widths, since = number(detail, "shift_sun_widths", 1), teller.at(incident.onset_utc)
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
    short = f"Sun jumped {widths} sun-widths {since}, tracks since. "
    short += f"Edge {teller.at(after) if after else 'nearer'}. Look for the cause; recentre."
    return Words("Picture jumped for the worse", what, left, "Look for what knocked it; recentre", short)


def drift_exit(incident: Incident, teller: Teller) -> Words:
    """Word `drift-exit`."""
    detail = incident.detail
    early, minutes = teller.at(detail.get("exit_early_utc")), duration(detail.get("minutes_left"))
    what = f"The sun drifts to the {edge_name(detail)}: there at {early} at the earliest"
    urgent = incident.severity is Severity.NOW
    place, holds = _place(detail), detail.get("put_holds_until_utc")
    to = f"put the disc {place}" if place else "recentre"
    act = f"Go now and {to}" if urgent else f"Plan a visit and {to} before then"
    good = f" Then good until {teller.at(holds)}." if place and holds else ""
    side = str(detail.get("edge") or "an").upper()
    short = f"Sun reaches {side} edge {early} at the earliest, in {minutes}. "
    short += f"{'Go now. ' if urgent else ''}{to[0].upper()}{to[1:]}.{good}"
    title = (
        f"Sun near the {edge_name(detail)}: go now"
        if urgent
        else f"Sun reaches the {edge_name(detail)} in {minutes}"
    )
    return Words(title, what, f"That is in {minutes}", act + "." + good if good else act, short)


def _place(detail: Mapping[str, Any]) -> str:
    """Return where the disc should end up, in sun-widths from the frame's middle; empty: not known."""
    right, up = detail.get("put_right_widths"), detail.get("put_up_widths")
    if not (isinstance(right, int | float) and isinstance(up, int | float)):
        return ""
    ways = [
        f"{abs(value):.1f} {more if value > 0 else less}"
        for value, more, less in ((right, "right", "left"), (up, "up", "down"))
        if abs(value) >= 0.05
    ]
    return f"{' and '.join(ways)} of the middle (in sun-widths)" if ways else "in the middle"


def axis_limit(incident: Incident, teller: Teller) -> Words:
    """Word `axis-limit`."""
    detail = incident.detail
    if detail.get("asked") and incident.severity is Severity.NOTE:
        what = f"Something was done at the mount ({teller.at(incident.onset_utc)}): was the axis unwound?"
        act = "If it was, mark it unwound; until then it counts as not"
        return Words("Was the axis unwound?", what, "", act, "Was the axis unwound? If so, mark unwound.")
    limit, minutes = teller.at(detail.get("limit_utc")), duration(detail.get("minutes_left"))
    act = "Unwind one full turn, watch the cables, recentre, mark unwound"
    urgent = incident.severity is Severity.NOW
    short = f"Axis limit {limit}, in {minutes}. {'Go now. ' if urgent else ''}{act}. Mount runs well now."
    title = "Axis limit: go now" if urgent else f"Axis limit in {minutes}"
    return Words(title, f"The mount reaches its axis limit at {limit}", f"That is in {minutes}", act, short)


_SUSPECTS = {"cap-or-filter": "cap", "mount": "mount", "camera": "camera"}


def lost_disc(incident: Incident, teller: Teller) -> Words:
    """Word `lost-disc`."""
    detail = incident.detail
    seen = teller.at(detail.get("last_seen_utc"))
    bearing, height = number(detail, "azimuth_deg"), number(detail, "altitude_deg")
    bearing = bearing.zfill(3) if bearing != "?" else bearing
    what = f"The sun has not been seen since {seen}, and no cloud led up to it"
    look = f"It stands at bearing {bearing}, height {height}"
    likely = list(detail.get("likely", ()))
    if likely[:1] == ["left"]:
        left = f"It most likely left by the {edge_name(detail)} at {teller.at(detail.get('left_utc'))}"
        short = (
            f"Sun lost, last seen {seen}: left by {edge_name(detail)} {teller.at(detail.get('left_utc'))}. "
        )
        short += f"Look at bearing {bearing}, height {height}. Recentre."
        return Words("SUN LOST over the edge", what, f"{left}. {look}", "Recentre", short)
    order = either([_SUSPECTS.get(str(x), str(x)) for x in likely])
    act = f"If the sky is clear there, check {order or 'cap, mount or camera'}"
    short = f"Sun not seen since {seen}, clear before. "
    short += (
        f"If sky is clear at bearing {bearing}, height {height}: check {order or 'cap, mount or camera'}."
    )
    title = "SUN LOST: go and look" if incident.severity is Severity.NOW else "Sun not seen"
    return Words(title, what, look, act, short)


def unverified(incident: Incident, teller: Teller) -> Words:
    """Word `unverified`."""
    detail = incident.detail
    seen = teller.at(detail.get("last_seen_utc") or incident.onset_utc)
    hours = detail.get("unseen_h")
    span = duration(hours * 60 if isinstance(hours, int | float) else None)
    what = f"Not verified since {seen}: nothing to see for {span}, so mount and focus are unknown"
    act = "Have a look at the next chance" if incident.severity is Severity.SOON else ""
    short = f"Sun not verified since {seen} ({span}). Mount and focus unknown. Look when you can."
    return Words(f"Not verified since {seen}", what, "", act, short)


def covered_limb(incident: Incident, teller: Teller) -> Words:
    """Word `covered-limb`."""
    detail = incident.detail
    value = detail.get("covered_fraction")
    share = f"{round(100 * value)} %" if isinstance(value, int | float) else "Part"
    what = f"{share} of the sun's rim is covered since {teller.at(incident.onset_utc)}"
    if incident.severity is Severity.NOTE:
        return Words("Sun partly covered", what, "It looks like cloud, or something in the way")
    same = duration(detail.get("same_min"))
    left = f"The covered part has stayed the same for {same}: a ridge, a cable or frost"
    short = f"{share.replace(' %', ' pct')} of sun's rim covered, the same since "
    short += f"{teller.at(incident.onset_utc)}. Look for ridge, cable, frost."
    return Words("Something covers the sun", what, left, "Look for a cable or frost on the filter", short)


def dimmed(incident: Incident, teller: Teller) -> Words:
    """Word `dimmed`."""
    detail = incident.detail
    value = detail.get("light_fraction")
    down = f"{round(100 * (1 - value))}" if isinstance(value, int | float) else "?"
    since = teller.at(incident.onset_utc)
    what = f"The sun is {down} % dimmer than at the same height before, evenly, since {since}"
    act = "Look for frost or dirt on the filter; do not touch its surface"
    short = f"Sun {down} pct dimmer than before at this height since {since}. "
    short += "Look for frost or dirt on filter."
    return Words("Sun evenly dimmer", what, "", act, short)


def soft_focus(incident: Incident, teller: Teller) -> Words:
    """Word `soft-focus`."""
    detail = incident.detail
    ratio, since = number(detail, "ratio", 1), teller.at(incident.onset_utc)
    what = f"The sun's edge is {ratio} times as wide as at the same height before, since {since}"
    urgent = incident.severity is Severity.NOW
    act = (
        "Go and refocus on the sun's rim, tape the ring, mark refocused"
        if urgent
        else "Refocus at the next visit, mark refocused"
    )
    short = f"Picture soft since {since}: edge {ratio} times as wide as before at this height. "
    short += f"{'Go and refocus' if urgent else 'Refocus at next visit'}, tape ring, mark refocused."
    return Words(
        "OUT OF FOCUS" if urgent else "Focus is drifting",
        what,
        f"It has lasted {duration(detail.get('held_min'))}",
        act,
        short,
    )


def over_bright(incident: Incident, teller: Teller) -> Words:
    """Word `over-bright`."""
    since = teller.at(incident.onset_utc)
    what = f"Do NOT look into camera or finder: the solar filter may be off since {since}"
    act = "Approach from behind, cap the lens, stop the camera. Then inspect filter and sensor"
    short = f"Filter may be off {since}. Do NOT look into camera or finder. "
    short += "Approach from behind, cap the lens, stop camera. Then inspect filter, sensor."
    return Words("DO NOT LOOK IN: filter may be off", what, "", act, short)
