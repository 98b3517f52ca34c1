"""What a judged session said, as episodes: from the first word of an incident until it was over. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from sentinel.chain.judge.details import Jumped
from sentinel.chain.notify.counting import wakes
from sentinel.core.records import Incident, Outcome, Severity
from sentinel.core.times import utc_s

Key = tuple[str, str]


@dataclass(slots=True, kw_only=True)
class Episode:
    """One incident's life; times in POSIX seconds."""

    condition: str
    which: str = ""
    """Of supplies: which one runs out."""
    onset_s: float
    noted_s: float
    """When it opened, at whatever severity."""
    told_s: float | None = None
    """When the first message, `soon` or `now`, went out."""
    woke_s: float | None = None
    """When the first `now` went out."""
    cleared_s: float | None = None
    """None: open to the session's end."""
    deadline_s: float | None = None
    """When that which is foreseen was to happen, at the earliest the incident ever said."""


@dataclass(slots=True, kw_only=True)
class SessionEpisodes:
    """All that one judging of a session said."""

    episodes: list[Episode] = field(default_factory=list)
    """In the order in which they opened."""
    wake_ups: list[tuple[int, ...]] = field(default_factory=list)
    """Each time that somebody was woken, reminders too: the places of the episodes it was for."""
    soon: int = 0
    """Messages that could wait for the morning."""
    put_back_s: list[float] = field(default_factory=list)
    """When the disc was seen to be put in a better place without anybody saying so."""
    open: dict[Key, int] = field(default_factory=dict, compare=False)
    """The places of the episodes that go on."""

    def take(self, outcome: Outcome, now_s: float) -> None:
        """Take what one event led to at a time."""
        for incident in outcome.incidents:
            self._incident(incident, now_s)
        for alert in outcome.alerts:
            if not alert.of_trouble:
                continue
            self.soon += alert.kind == "first" and alert.severity is Severity.SOON
            about = sorted(place for topic in alert.topics if (place := self.open.get(topic)) is not None)
            if wakes(alert):
                self.wake_ups.append(tuple(about))
            for one in (self.episodes[place] for place in about):
                one.told_s = now_s if one.told_s is None else one.told_s
                one.woke_s = now_s if wakes(alert) and one.woke_s is None else one.woke_s
        for incident in outcome.incidents:
            if incident.state == "cleared":
                self.open.pop(incident.key, None)

    def _incident(self, incident: Incident, now_s: float) -> None:
        condition, which = key = incident.key
        known = self.episodes[self.open[key]] if key in self.open else None
        if incident.state == "cleared":
            if known is not None:
                known.cleared_s = now_s
            return
        if isinstance(incident.detail, Jumped) and incident.detail.nearer_to_good_place:
            self.put_back_s.append(now_s)
        if known is None:
            self.open[key] = len(self.episodes)
            onset_s = utc_s(incident.onset_utc)
            known = Episode(condition=condition, which=which, onset_s=onset_s, noted_s=now_s)
            self.episodes.append(known)
        if incident.detail.happens_utc is not None:
            happens_s = utc_s(incident.detail.happens_utc)
            known.deadline_s = happens_s if known.deadline_s is None else min(known.deadline_s, happens_s)


def episodes_of(outcomes: Iterable[tuple[Outcome, datetime]]) -> SessionEpisodes:
    """Gather the outcomes of a session's events, each with its time, in order."""
    said = SessionEpisodes()
    for outcome, now_utc in outcomes:
        said.take(outcome, utc_s(now_utc))
    return said
