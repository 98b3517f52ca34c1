"""The words for the end of what does not mend itself: a filter, a jump, a mount that ran away."""

from sentinel.chain.judge.details import (
    DriftChanged,
    DriftExit,
    DriveRate,
    Jumped,
    LostDisc,
    OverBright,
    Runaway,
    Unverified,
)
from sentinel.chain.notify.edge_of_frame import over_the_edge
from sentinel.chain.notify.phrase import Phrase, edge_name, runaway_when
from sentinel.core.records import Incident
from sentinel.core.words import TimeWriter


def over_bright(incident: Incident, _: OverBright, times: TimeWriter) -> Phrase:
    """Word the end of `over-bright`: dark again, which may be a cap as well as a filter."""
    begun, ended = times.pair(incident.onset_utc, incident.time_utc)
    what = f"No picture has been far too bright since {ended} (the first was at {begun})"
    act = "Check the filter before anyone looks"
    return Phrase("Not too bright now: CHECK THE FILTER", what, act)


def moved(incident: Incident, _: Jumped, times: TimeWriter) -> Phrase:
    """Word the end of `moved`: it is old news, and nobody is known to have put anything back."""
    what = f"The jump of {times.at(incident.onset_utc)}: tracking steadily since"
    return Phrase("Jumped, tracking steadily since", what, "This does not say that it was put back")


def seen_again(incident: Incident, detail: LostDisc | Unverified, times: TimeWriter) -> Phrase:
    """Word the end of a sun that was not seen: by a picture of it, or by the night."""
    last = times.at(detail.last_seen_utc) if detail.last_seen_utc is not None else ""
    before = f", for the first time since {last}" if last else ""
    if isinstance(detail, LostDisc) and detail.set_unseen:
        since, rises = f" since {last}" if last else "", detail.sunrise_utc
        if rises is None:
            return Phrase("The sun is too low now, still unseen", f"It was not seen{since}")
        left = f"Nothing can be seen before sunrise, {times.at(rises)}"
        return Phrase("The sun has set unseen", f"It was not seen{since}", left)
    what = f"The sun has been seen again by {times.at(incident.time_utc)}{before}"
    return Phrase("The sun is seen again", what)


def set_over_edge(incident: Incident, detail: DriftExit, times: TimeWriter) -> Phrase:
    """Word the end of `drift-exit` where the sun has gone down, and nobody has put the disc back."""
    edge = edge_name(detail.edge)
    sure, since = over_the_edge(incident, detail, times) or (False, times.at(detail.exit_early_utc))
    rises = detail.sunrise_utc
    return Phrase(
        f"The sun has set, {'' if sure else 'perhaps '}over the {edge}",
        f"It {'has' if sure else 'may have'} been over the {edge} since {since}",
        f"Nothing can be done before sunrise, {times.at(rises)}",
    )


def inside_again(incident: Incident, detail: DriftExit, since: str, times: TimeWriter) -> Phrase:
    """Word the end of `drift-exit` where the disc was over the edge: that is more than near it."""
    what = f"Over: the sun was over the {edge_name(detail.edge)}"
    until = times.at(incident.time_utc)
    return Phrase(what, f"It was over the edge since {since}, until {until} at the latest")


def runaway(incident: Incident, detail: Runaway, times: TimeWriter) -> Phrase:
    """Word the end of `runaway`."""
    begun, ended = times.pair(incident.onset_utc, incident.time_utc)
    if isinstance(detail, DriftChanged):
        return Phrase(
            "Drift settled",
            f"The sun has drifted evenly since {ended}, as the forecasts reckon it (changed {begun})",
        )
    if isinstance(detail, DriveRate):
        named = f" ({detail.configured})" if detail.configured is not None else ""
        return Phrase(
            "Drive's rate as configured again",
            f"The drive's rate is as configured{named} again since {ended}",
        )
    if detail.marked:
        return _seen_to(incident, detail, times)
    what = f"{runaway_when(incident, detail, times)} and tracks again since {ended}"
    return Phrase("Mount tracks again, look at the disc", what, "Look whether the disc needs recentring")


def _seen_to(incident: Incident, detail: Runaway, times: TimeWriter) -> Phrase:
    """Word what is known by a mark alone: that somebody saw to it, not that the mount tracks."""
    marked, at, rises = detail.marked, times.at(detail.marked_utc), detail.sunrise_utc
    what = f"{runaway_when(incident, detail, times)} and was marked {marked} at {at}"
    if rises is None:
        return Phrase(f"Mount marked {marked}", what, "Whether it tracks shows in the next pictures")
    left = f"Whether it tracks is not known until sunrise, {times.at(rises)}"
    return Phrase(f"Mount marked {marked}: be there at sunrise", what, left, "Be there then and recentre")
