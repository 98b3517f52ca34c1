"""The words for what befalls the mount and the sun in the picture."""

from sentinel.chain.judge.details import (
    RATE_CHANGES,
    RATE_OPEN,
    AxisLimit,
    CoveredLimb,
    Dimmed,
    DriftChanged,
    DriveRate,
    Jumped,
    LostDisc,
    OverBright,
    Runaway,
    SoftFocus,
    Unverified,
)
from sentinel.chain.notify.phrase import Phrase, edge_name, number, runaway_did, runaway_when
from sentinel.chain.notify.tasks import PAST_HOUR_ANGLE, SEEN_BY_EYE
from sentinel.core.records import Incident, Severity
from sentinel.core.words import TimeWriter, both, capital, either, small, span_of_hours, span_of_minutes

_USUAL_RATES = frozenset({"solar", "sidereal", "lunar"})
_AT_LIMIT = "The axis is at its limit: unwind it fully first, watch the cables"


def runaway(incident: Incident, detail: Runaway, times: TimeWriter) -> Phrase:
    """Word `runaway`."""
    if isinstance(detail, DriftChanged):
        return _drifts_otherwise(detail, times)
    if isinstance(detail, DriveRate):
        return _wrong_rate(incident, detail, times)
    did = runaway_did(detail)
    since = _by(incident, detail, times)
    if detail.sunrise_utc is not None:
        return _runaway_by_night(incident, detail, times, did)
    if detail.lost_utc is not None:
        return _runaway_lost(incident, detail, times, did)
    left, brief = _touching(detail, times)
    urgent = incident.severity == Severity.NOW
    go, title = ("Go now. ", f"MOUNT {did.upper()}: go now") if urgent else ("", f"Mount {did}")
    act = f"{go}Check power, a snagged cable, the clutch; restart the drive; recentre"
    short = f"Mount {did} {since}. {brief}{go}"
    if detail.at_axis_limit:
        act = f"{go}{_AT_LIMIT}; then restart the drive, recentre, mark unwound"
        short += "At its axis limit: unwind, then restart; recentre."
    else:
        short += f"Check power, cable, clutch; restart{'' if times.again else ' drive'}; recentre."
    return Phrase(title, runaway_when(incident, detail, times), left, act, short)


def _by(incident: Incident, detail: Runaway, times: TimeWriter) -> str:
    """Return when it ran away, in short: `03:01Z`, or by when it was found so."""
    return f"{'by ' if detail.unseen_since_utc is not None else ''}{times.at(incident.onset_utc)}"


def _touching(detail: Runaway, times: TimeWriter) -> tuple[str, str]:
    """Return when the disc meets the edge, in full and in short; empty where it is not known."""
    if not detail.touch_utc:
        return "", ""
    edge, side = edge_name(detail.edge), (detail.edge or "an").upper()
    touch, gone = times.at(detail.touch_utc), times.at(detail.gone_utc)
    if not times.past(detail.touch_utc):
        return (
            f"The sun touches the {edge} at {touch} and is gone at {gone}",
            f"Sun touches {side} edge {touch}, gone {gone}. ",
        )
    if times.again:
        # It was foreseen; whether it came so is for another message to say.
        return (
            f"The sun was to touch the {edge} at {touch} and to be gone at {gone}",
            f"Sun was to touch {side} edge {touch}, gone {gone}. ",
        )
    last = "has been gone since" if times.past(detail.gone_utc) else "is gone at"
    return (
        f"The sun has been over the {edge} since {touch} and {last} {gone}",
        f"Sun over {side} edge since {touch}, gone {gone}. ",
    )


def _runaway_by_night(incident: Incident, detail: Runaway, times: TimeWriter, did: str) -> Phrase:
    """Word a mount that nobody has seen to, when it is time to set off for sunrise."""
    rises, since = times.at(detail.sunrise_utc), _by(incident, detail, times)
    find = "find the sun; recentre" if detail.lost_utc is not None else "recentre"
    act = f"Be at the camera then. Check power, a snagged cable, the clutch; restart the drive; {find}"
    short = f"Mount {did} {since}. Sun is down until {rises}: be there then. "
    short += f"Check power, cable, clutch; restart; {find}."
    what, left = runaway_when(incident, detail, times), f"The sun is down until {rises}"
    return Phrase(f"MOUNT {did.upper()}: be there at sunrise, {rises}", what, left, act, short)


def _runaway_lost(incident: Incident, detail: Runaway, times: TimeWriter, did: str) -> Phrase:
    off, rate = number(detail.off_deg, 1), number(detail.off_rate_deg_min, 2)
    way, lost = detail.off_way or "west", times.at(detail.lost_utc)
    since = _by(incident, detail, times)
    # The sun goes on: its place is good for its own moment only.
    then = times.at(incident.time_utc)
    left = f"The sun left the frame by {lost} and was {off} degrees {way} of the camera at {then}, "
    left += f"{rate} more each minute"
    act = "Go now. Check power, a snagged cable, the clutch; restart the drive; find the sun; recentre"
    if detail.at_axis_limit:
        act = f"Go now. {_AT_LIMIT}; then restart the drive, find the sun, recentre"
    # A repeat may carry dates, and has no room for all of it: where the sun was matters most.
    when = f"Mount {did}, sun lost." if times.again else f"Mount {did} {since}. Sun left frame {lost}."
    short = f"{when} At {then} {off} deg {way.upper()} of camera, +{rate} deg/min. "
    short += "Go now. Check power, cable, clutch; restart; recentre."
    what = runaway_when(incident, detail, times)
    return Phrase(f"MOUNT {did.upper()}, sun lost: go now", what, left, act, short)


def _drifts_otherwise(detail: DriftChanged, times: TimeWriter) -> Phrase:
    since = times.at(detail.changed_utc)
    left = f"It now drifts {number(detail.drift_arcmin_h, 1)} arcminutes an hour (its width is 32)"
    look = "the tripod's legs, the clutch, the balance"
    if detail.cause == "halts":
        what = f"Since {since} the drive has stood for a while again and again, and never caught up"
        short = f"Drive halts now and then since {since}. Check power, plugs, clutch, cables at next visit."
        checks = "the drive's power, plugs and battery, the clutch, the gears, the cables"
        return Phrase("The drive halts now and then", what, "", f"At the next visit check {checks}", short)
    if detail.cause == "tips":
        what = f"The mount moves: since {since} the sun has drifted as on an axis that tips over"
        short = f"Mount seems to tip over since {since}. Look at legs, clutch, balance at next visit."
        return Phrase("Mount tips over", what, left, f"At the next visit check {look}", short)
    if detail.cause == "creeps":
        what = f"The sun creeps: since {since} it has drifted as where a clamp or bolt slowly gives way"
        short = f"A clamp seems to give way since {since}. Check clamps, bolts, balance at next visit."
        clamps = "the declination clamp, the tube's rings, the azimuth bolts, the balance"
        return Phrase("A clamp gives way", what, left, f"At the next visit check {clamps}", short)
    what = f"The sun's drift changed at {since}; whether by the drive or by the mount is not known yet"
    short = f"Sun's drift changed at {since}. Look at drive's rate, legs, clutch at next visit."
    act = f"At the next visit check the drive's rate, {look}"
    return Phrase("The sun's drift has changed", what, left, act, short)


def _wrong_rate(incident: Incident, detail: DriveRate, times: TimeWriter) -> Phrase:
    looks, set_to, sure = detail.looks_like, detail.configured, detail.sure is not False
    usual = looks in _USUAL_RATES
    rate = {RATE_CHANGES: "a changing rate", RATE_OPEN: "another rate"}.get(looks, "an unusual rate")
    rate = f"the {looks} rate" if usual else rate
    runs = "runs" if sure else "seems to run"
    what = f"The drive {runs} at {rate}, not the {set_to} one (noticed {times.at(incident.onset_utc)})"
    left = f"The sun drifts {number(detail.drift_arcmin_h, 1)} arcminutes an hour (its width is 32)"
    if looks == "solar":
        return Phrase(
            "Drive at another rate than set", what, "That keeps the sun", "Correct the settings or the drive"
        )
    sets, checks = f"Set the drive to the {set_to} rate at the next visit", "At the next visit check whether"
    act = sets if sure else f"{checks} the drive is set to the {set_to} rate"
    short = f"Drive {runs} at {looks if usual else 'a wrong'} rate. "
    short += (f"Set {set_to} rate" if sure else f"Look whether it is set to {set_to}") + " at next visit."
    if not usual:
        # No drive has such a rate to be set to: then something between motor and axis gives way.
        act += "; if it is already, check clutch, worm, cables"
        short += " If it is already: check clutch, worm, cables."
    return Phrase("Drive at the wrong rate", what, left, act, short)


def moved(incident: Incident, detail: Jumped, times: TimeWriter) -> Phrase:
    """Word `moved`."""
    widths, since = number(detail.shift_sun_widths, 1), times.at(incident.onset_utc)
    what = f"The sun jumped by {widths} sun-widths at {since} and tracks steadily since"
    if incident.severity is Severity.NOTE:
        nearer = "It stands nearer to a good place than before" if detail.nearer_to_good_place else ""
        return Phrase("Picture jumped, tracking", what, nearer)
    after = detail.exit_early_after_utc
    left = (
        f"It now reaches the edge at {times.at(after)} at the earliest"
        if after
        else "It stands worse than before"
    )
    short = f"Sun jumped {widths} sun-widths {since}, tracks since. "
    short += f"Edge {times.at(after) if after else 'nearer'}. Look for the cause; recentre."
    return Phrase("Picture jumped for the worse", what, left, "Look for what knocked it; recentre", short)


def axis_limit(incident: Incident, detail: AxisLimit, times: TimeWriter) -> Phrase:
    """Word `axis-limit`."""
    limit, minutes = times.at(detail.limit_utc), span_of_minutes(detail.minutes_left)
    if detail.tracks_on:
        what = f"The axis was due at its limit at {limit}, but the mount tracks on: was it unwound?"
        act = "If it was, mark it unwound; if not, watch the cables and mend the limit in the settings"
        return Phrase("Past its axis limit?", what, "", act, f"{what} If so, mark unwound.")
    if detail.asked and incident.severity is Severity.NOTE:
        what = f"Something was done at the mount ({times.at(incident.onset_utc)}): was the axis unwound?"
        act = "If it was, mark it unwound; until then it counts as not"
        return Phrase("Was the axis unwound?", what, "", act, "Was the axis unwound? If so, mark unwound.")
    if detail.limit == "hour-angle":
        return _hour_angle_limit(incident, detail, times, minutes)
    what, left = f"The mount reaches its axis limit at {limit}", f"That is in {minutes}"
    rises = None if times.past(detail.sunrise_utc) else detail.sunrise_utc
    recentre = f"recentre at sunrise, {times.at(rises)}" if rises else "recentre"
    doing = f"Unwind the axis fully, watch the cables, {recentre}, mark unwound"
    if rises:
        doing = f"Unwind the axis fully now, watch the cables, mark unwound; {recentre}"
    perhaps = "If it has been unwound already, mark that; else: " if detail.perhaps_unwound else ""
    act = perhaps + small(doing) if perhaps else doing
    urgent = incident.severity is Severity.NOW
    title = "Axis limit: go now" if urgent else f"Axis limit in {minutes}"
    if times.past(detail.limit_utc):
        what, left = f"The mount was due at its axis limit at {limit}", ""
    elif times.again:
        left = ""
    if not (urgent or left):
        title = "Axis limit near"
    go = "Go now. " if urgent else ""
    short = f"Axis limit {limit}{f', in {minutes}' if left else ''}. {go}{doing}."
    return Phrase(title, what, left, act, f"{short} Mount runs well now." if left else short)


def _hour_angle_limit(incident: Incident, detail: AxisLimit, times: TimeWriter, minutes: str) -> Phrase:
    """Word a mount that stops at or past the meridian: a turn back of the whole axis does not help there."""
    limit, past = times.at(detail.limit_utc), times.past(detail.limit_utc)
    what = f"The mount {'was due at' if past else 'reaches'} its hour-angle limit at {limit}"
    left = "" if past or times.again else f"That is in {minutes}"
    urgent = incident.severity is Severity.NOW
    act = f"{capital(PAST_HOUR_ANGLE)}; then recentre"
    short = (
        f"Hour-angle limit {limit}{f', in {minutes}' if left else ''}. {'Go now. ' if urgent else ''}{act}."
    )
    return Phrase("Hour-angle limit: go now" if urgent else "Hour-angle limit near", what, left, act, short)


_SUSPECTS = {"cap-or-filter": "cap", "mount": "mount", "camera": "camera"}


def lost_disc(incident: Incident, detail: LostDisc, times: TimeWriter) -> Phrase:
    """Word `lost-disc`."""
    seen = times.at(detail.last_seen_utc)
    bearing, height = number(detail.azimuth_deg), number(detail.altitude_deg)
    bearing = bearing.zfill(3) if bearing != "?" else bearing
    gone = detail.cloud_gone_utc
    what = f"The sun has not been seen since {seen}, and no cloud led up to it"
    if gone:
        what = f"The sun has not been seen since {seen}, and the cloud has been gone since {times.at(gone)}"
    if rose := detail.up_since_utc:
        what = f"The sun, last seen at {seen} in a clear sky, has been up since {times.at(rose)} unseen: "
        what += "cloud, or the mount stopped by night"
    seers = detail.seen_by
    if seers:
        others = f"{both(seers)} {'has' if len(seers) == 1 else 'have'}"
        since = times.at(detail.seen_there_since_utc)
        what = f"The sun has not been seen since {seen}; {others} seen it without a break since {since}"
    # The sun goes on: its place is good for its own moment only.
    then = times.at(incident.time_utc)
    look = f"It stood at bearing {bearing}, height {height} at {then}"
    likely = detail.likely
    if likely[:1] == ("left",):
        edge, at = edge_name(detail.edge), times.at(detail.left_utc)
        left = f"It most likely left by the {edge} at {at}"
        short = f"Sun lost, last seen {seen}: left by {edge} {at}. "
        short += f"At {then} at bearing {bearing}, height {height}. Recentre."
        return Phrase("SUN LOST over the edge", what, f"{left}. {look}", "Recentre", short)
    where = "where it is now" if times.again else "there"
    check = f"check {either([_SUSPECTS.get(one, one) for one in likely]) or 'cap, mount or camera'}"
    now = incident.severity is Severity.NOW
    if seers:
        act = f"{capital(check)}; or does a tree or a ridge stand before this one?"
        short = f"Sun not seen since {seen}, but seen by {both(seers)}: no cloud. {capital(check)}. "
        short += f"At {then} at bearing {bearing}, height {height}."
        title = "SUN LOST HERE ALONE: go and look" if now else "Sun not seen here"
        return Phrase(title, what, look, act, short)
    act = f"If the sky is clear {where}, {check}"
    # A repeat may carry dates, and has no room for all of it: where the sun was matters most.
    before = f", cloud gone {times.at(gone)}" if gone else f", up since {times.at(rose)}" if rose else ""
    before = ", clear before" if not before else "" if times.again else before
    short = f"Sun not seen since {seen}{before}. At {then} at bearing {bearing}, height {height}. "
    short += f"If sky is clear {where}: {check}."
    title = "SUN LOST: go and look" if now else "Sun not seen"
    return Phrase(title, what, look, act, short)


def unverified(incident: Incident, detail: Unverified, times: TimeWriter) -> Phrase:
    """Word `unverified`."""
    seen = times.at(detail.last_seen_utc or incident.onset_utc)
    span = span_of_hours(detail.unseen_h)
    what = (
        f"The sun was last seen at {seen}, and not in {span} of daylight since: mount and focus are unknown"
    )
    # Whether the drive turns shows without a sun: what stopped behind cloud is found before the sky clears.
    look = "Have a look at the next chance, cloud or not: see that the drive turns, and the right way"
    act = look if incident.severity is Severity.SOON else capital(SEEN_BY_EYE)
    short = f"Sun not verified since {seen} ({span}). Mount and focus unknown. See that the drive turns."
    return Phrase(f"Not verified since {seen}", what, "", act, short)


def covered_limb(incident: Incident, detail: CoveredLimb, times: TimeWriter) -> Phrase:
    """Word `covered-limb`."""
    value = detail.covered_fraction
    share = f"{round(100 * value)} %" if value is not None else "Part"
    what = f"{share} of the sun's rim has been covered since {times.at(incident.onset_utc)}"
    if incident.severity is Severity.NOTE:
        return Phrase("Sun partly covered", what, "It looks like cloud, or something in the way")
    same = span_of_minutes(detail.same_min)
    left = f"The covered part has stayed the same for {same}: a ridge, a cable or frost"
    short = f"{share.replace(' %', ' pct')} of sun's rim covered, the same since "
    short += f"{times.at(incident.onset_utc)}. Look for ridge, cable, frost."
    return Phrase("Something covers the sun", what, left, "Look for a cable or frost on the filter", short)


def dimmed(incident: Incident, detail: Dimmed, times: TimeWriter) -> Phrase:
    """Word `dimmed`."""
    value = detail.light_fraction
    down = f"{round(100 * (1 - value))}" if value is not None else "?"
    since = times.at(incident.onset_utc)
    what = f"The sun has been {down} % dimmer than at the same height before, evenly, since {since}"
    act = "Look for frost or dirt on the filter; do not touch its surface"
    short = f"Sun {down} pct dimmer than before at this height since {since}. "
    short += "Look for frost or dirt on filter."
    return Phrase("Sun evenly dimmer", what, "", act, short)


def soft_focus(incident: Incident, detail: SoftFocus, times: TimeWriter) -> Phrase:
    """Word `soft-focus`."""
    ratio, since = number(detail.ratio, 1), times.at(incident.onset_utc)
    what = f"The sun's edge has been {ratio} times as wide as at the same height before, since {since}"
    urgent = incident.severity is Severity.NOW
    act = (
        "Go and refocus on the sun's rim, tape the ring, mark refocused"
        if urgent
        else "Refocus at the next visit, mark refocused"
    )
    short = f"Picture soft since {since}: edge {ratio} times as wide as before at this height. "
    short += f"{'Go and refocus' if urgent else 'Refocus at next visit'}, tape ring, mark refocused."
    return Phrase(
        "OUT OF FOCUS" if urgent else "Focus is drifting",
        what,
        "" if times.again else f"It has lasted {span_of_minutes(detail.held_min)}",
        act,
        short,
    )


def over_bright(incident: Incident, _: OverBright, times: TimeWriter) -> Phrase:
    """Word `over-bright`."""
    since = times.at(incident.onset_utc)
    what = f"Do NOT look into camera or finder: the solar filter may have been off since {since}"
    act = "Approach from behind, cap the lens, stop the camera. Then inspect filter and sensor"
    short = f"Filter may be off {since}. Do NOT look into camera or finder. "
    short += "Approach from behind, cap the lens, stop camera. Then inspect filter, sensor."
    return Phrase("DO NOT LOOK IN: filter may be off", what, "", act, short)
