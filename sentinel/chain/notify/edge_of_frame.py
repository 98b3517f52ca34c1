"""The words for a disc that comes to the frame's edge, by day, behind cloud, or over a night."""

from sentinel.chain.judge.details import DriftExit
from sentinel.chain.notify.phrase import Phrase, edge_name
from sentinel.chain.notify.places import rising, turning, where
from sentinel.core.records import Incident, Severity
from sentinel.core.words import TimeWriter, capital, span_of_minutes


def drift_exit(incident: Incident, detail: DriftExit, times: TimeWriter) -> Phrase:
    """Word `drift-exit`."""
    if detail.sunrise_utc:
        return _by_night(detail, times)
    side, edge = (detail.edge or "an").upper(), edge_name(detail.edge)
    over, hidden = over_the_edge(incident, detail, times), detail.hidden_since_utc
    urgent = incident.severity is Severity.NOW or over is not None
    cue, go, unseen = "go now", "Go now", ""
    if hidden is not None:
        # Nobody can put it anywhere before that.
        cue, go = "go when it shines", "Go as soon as the sun shines"
        unseen = f"No picture has shown it since {times.at(hidden)}"
    act, then = _putting(detail, times, go if urgent or hidden else "", capital(cue))
    if over is not None:
        is_over, since = over
        title = f"Sun {'' if is_over else 'may be '}over the {edge}: {cue}"
        what = f"The sun {'has' if is_over else 'may have'} been over the {edge} since {since}"
        short = f"Sun {'' if is_over else 'may be '}over {side} edge since {since}. {then}"
        return Phrase(title, what, unseen, act, short)
    early, minutes = times.at(detail.exit_early_utc), span_of_minutes(detail.minutes_left)
    what = f"The sun reaches the {edge} at {early} at the earliest"
    left, within = ("", "") if times.again else (f"That is in {minutes}", f", in {minutes}")
    title = f"Sun near the {edge}: {cue}" if urgent else f"Sun nears the {edge}"
    if not (urgent or times.again):
        title = f"Sun reaches the {edge} in {minutes}"
    left = ". ".join(filter(None, (left, unseen)))
    return Phrase(title, what, left, act, f"Sun reaches {side} edge {early} at the earliest{within}. {then}")


def _putting(detail: DriftExit, times: TimeWriter, go: str, cue: str) -> tuple[str, str]:
    """Return where to put the disc and until when that is good, in full and short, after the call to go."""
    holds, put_at = detail.put_holds_until_utc, detail.put_at_utc
    # What was a good place then is none once it holds no longer.
    place = "" if times.past(holds) else where(detail)
    to = f"put the disc {place}" if place else "recentre"
    when = f"at {times.at(put_at)}, not sooner" if place and put_at else "before then"
    act = f"{go}: {to}" if go else f"Plan a visit and {to} {when}"
    act += f"; {why}" if place and (why := turning(detail, times)) else ""
    good = f" Then good until {times.at(holds)}." if place and holds else ""
    brief = capital(to.replace("the ", ""))
    at_time = f" at {times.at(put_at)}" if place and put_at and not go else ""
    return f"{act}.{good}" if good else act, f"{f'{cue}. ' if go else ''}{brief}{at_time}.{good}"


def over_the_edge(incident: Incident, detail: DriftExit, times: TimeWriter) -> tuple[bool, str] | None:
    """Return whether the disc is over the edge for certain, and since when; None: not even perhaps."""
    early, median = detail.exit_early_utc, detail.exit_utc
    if median and median <= incident.time_utc and detail.hidden_since_utc is None:
        return True, times.at(median)
    # Only the earliest time has come; and what a repeat says was foreseen at the incident's own moment.
    return (False, times.at(early)) if times.past(early) else None


def _by_night(detail: DriftExit, times: TimeWriter) -> Phrase:
    """Word an edge that nobody can see to by night: before the sun goes, or when it is up again."""
    rises, sets = times.at(detail.sunrise_utc), detail.sunset_utc
    comes = rising(detail)
    if sets is not None:
        what = f"At sunrise, {rises}, the disc would be over the edge{f': {comes}' if comes else ''}"
        holds = detail.put_holds_until_utc
        good = f", then good until {times.at(holds)}" if holds else ""
        why = turning(detail, times)
        act = f"Until {times.at(sets)}, while the whole sun is up, put the disc {where(detail)}"
        act += f"{f'; {why}' if why else ''}{good}"
        short = f"Before sunset {times.at(sets)} put disc {where(detail)}: "
        short += f"else over the edge at sunrise {rises}."
        return Phrase("Put the disc elsewhere before sunset", what, "", act, short)
    if detail.blind_since_utc:
        since = times.at(detail.blind_since_utc)
        what = f"Since {since} the axis or the disc stands elsewhere, and the sun is down"
        left = "Whether the mount tracks, and where the disc stands, is not known until sunrise"
    elif times.past(detail.sunrise_utc):
        what = f"The sun was to come up at {rises} over the edge"
        put = f"put the disc {where(detail)}" if where(detail) else "recentre"
        return Phrase("Sun over the edge since sunrise: go now", what, "", f"Go now: {put}")
    else:
        what = f"The sun is down until {rises}"
        left = capital(comes) if comes else "The disc is over the edge then"
    put = f"put the disc {where(detail)}" if where(detail) else "recentre"
    put += f"; {why}" if where(detail) and (why := turning(detail, times)) else ""
    act = f"Be at the camera at sunrise, {rises}, and {put}"
    short = f"Be at camera at sunrise {rises}: {comes or 'recentre'}."
    return Phrase(f"Be there at sunrise, {rises}", what, left, act, short)
