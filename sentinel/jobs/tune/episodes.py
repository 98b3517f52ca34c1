"""What a judged session said, as episodes: from the first word of an incident until it was over. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from sentinel.chain.judge.details import Jumped
from sentinel.chain.notify.counting import wakes
from sentinel.core.records import Incident, Outcome, Severity
from sentinel.core.times import utc_s

Key = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionEpisodes:
    """All that one judging of a session said."""

    episodes: tuple[Episode, ...]
    """In the order in which they opened."""
    wake_ups: tuple[tuple[int, ...], ...]
    """Each time that somebody was woken, reminders too: the places of the episodes it was for."""
    soon: int
    """Messages that could wait for the morning."""
    put_back_s: tuple[float, ...]
    """When the disc was seen to be put in a better place without anybody saying so."""


def episodes_of(outcomes: Iterable[tuple[Outcome, datetime]]) -> SessionEpisodes:
    """Gather the outcomes of a session's events, each with its time, in order."""
    log = _Log()
    for outcome, now_utc in outcomes:
        log.add(outcome, utc_s(now_utc))
    return log.result()


class _Log:
    """Gathers outcomes, in order, into episodes."""

    def __init__(self) -> None:
        self._open: dict[Key, int] = {}
        self._episodes: list[Episode] = []
        self._wake_ups: list[tuple[int, ...]] = []
        self._soon = 0
        self._put_back_s: list[float] = []

    def add(self, outcome: Outcome, now_s: float) -> None:
        """Take what one event led to at a time."""
        if not (outcome.incidents or outcome.alerts):
            return
        for incident in outcome.incidents:
            self._incident(incident, now_s)
        for alert in outcome.alerts:
            if alert.kind not in {"first", "repeat"}:
                continue
            self._soon += alert.kind == "first" and alert.severity is Severity.SOON
            about = sorted(place for topic in alert.topics if (place := self._open.get(topic)) is not None)
            if wakes(alert):
                self._wake_ups.append(tuple(about))
            for place in about:
                self._message(place, now_s, wakes=wakes(alert))
        for incident in outcome.incidents:
            if incident.state == "cleared":
                self._open.pop(incident.key, None)

    def _incident(self, incident: Incident, now_s: float) -> None:
        key = incident.key
        place = self._open.get(key)
        if incident.state == "cleared":
            if place is not None:
                self._episodes[place] = replace(self._episodes[place], cleared_s=now_s)
            return
        if isinstance(incident.detail, Jumped) and incident.detail.nearer_to_good_place:
            self._put_back_s.append(now_s)
        happens = incident.detail.happens_utc
        deadline_s = None if happens is None else utc_s(happens)
        if place is None:
            self._open[key] = len(self._episodes)
            onset_s = utc_s(incident.onset_utc)
            self._episodes.append(
                Episode(condition=key[0], which=key[1], onset_s=onset_s, noted_s=now_s, deadline_s=deadline_s)
            )
        elif deadline_s is not None:
            known_s = self._episodes[place].deadline_s
            earlier_s = deadline_s if known_s is None else min(known_s, deadline_s)
            self._episodes[place] = replace(self._episodes[place], deadline_s=earlier_s)

    def _message(self, place: int, now_s: float, *, wakes: bool) -> None:
        one = self._episodes[place]
        told_s = now_s if one.told_s is None else one.told_s
        woke_s = now_s if wakes and one.woke_s is None else one.woke_s
        self._episodes[place] = replace(one, told_s=told_s, woke_s=woke_s)

    def result(self) -> SessionEpisodes:
        """Return all that was taken so far."""
        return SessionEpisodes(
            episodes=tuple(self._episodes),
            wake_ups=tuple(self._wake_ups),
            soon=self._soon,
            put_back_s=tuple(sorted(self._put_back_s)),
        )
