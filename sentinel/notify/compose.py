"""Which incidents become messages, and when: first, repeated, cleared. Pure; delivery is another's."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sentinel.notify.wording import sms, title_and_body
from sentinel.records import Alert, AlertKind, Event, Incident, Mark, Severity
from sentinel.settings import Settings

HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Open:
    """An incident that people were told of."""

    incident: Incident
    first_utc: datetime
    repeats: int = 0
    seen: bool = False

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from others: the condition, and of the supplies which."""
        return key_of(self.incident)


@dataclass(frozen=True, slots=True)
class Composed:
    """What is open, and when messages went out in the last hour."""

    open: tuple[Open, ...] = ()
    sent_utc: tuple[datetime, ...] = ()


def key_of(incident: Incident) -> tuple[str, str]:
    """Return what an incident is told from others by."""
    return incident.condition, str(incident.detail.get("supply", ""))


class Composer:
    """Turns incidents into messages, by the settings' `alerts`."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._alerts = settings.alerts

    def fresh(self) -> Composed:
        """Return the state in which nobody has been told anything."""
        return Composed()

    def step(
        self, state: Composed, event: Event, incidents: tuple[Incident, ...], now_utc: datetime
    ) -> tuple[Composed, tuple[Alert, ...]]:
        """Take an event and the incidents it led to; return the messages that are due.

        A `now` goes out again at the configured minutes until it is seen or over. A note goes out alone only
        where it is the answer to something (the end of a visit, the list before sleep); else it waits for the
        digest.
        """
        if isinstance(event, Mark) and event.kind == "seen":
            state = replace(state, open=tuple(replace(one, seen=True) for one in state.open))
        out: list[Alert] = []
        for incident in incidents:
            state, alert = self._told(state, incident, now_utc)
            if alert is not None:
                out.append(alert)
        if state.open:
            state, repeats = self._repeated(state, now_utc)
            out += repeats
        return state, tuple(out)

    def _told(self, state: Composed, incident: Incident, now_utc: datetime) -> tuple[Composed, Alert | None]:
        known = next((one for one in state.open if one.key == key_of(incident)), None)
        if incident.state == "cleared":
            rest = tuple(one for one in state.open if one is not known)
            state = replace(state, open=rest)
            if known is None or not self._alerts.clear_messages:
                return state, None
            return self._sent(state, "clear", incident, now_utc, answers=known.incident.severity)
        if incident.condition == "before-sleep" or (
            incident.condition == "visit" and incident.detail.get("good")
        ):
            rest = tuple(one for one in state.open if one is not known)
            return self._sent(replace(state, open=rest), "digest", incident, now_utc)
        if incident.severity is Severity.NOTE:
            return state, None
        if known is None:
            state = replace(state, open=(*state.open, Open(incident, now_utc)))
            return self._sent(state, "first", incident, now_utc)
        # The same trouble, told anew where it got worse or is another story by now.
        worse = incident.severity.rank < known.incident.severity.rank
        fresh = Open(incident, now_utc) if worse else replace(known, incident=incident)
        state = replace(state, open=tuple(fresh if one is known else one for one in state.open))
        if known.seen and not worse:
            return state, None
        return self._sent(state, "first" if worse else "repeat", incident, now_utc, repeat=fresh.repeats)

    def _repeated(self, state: Composed, now_utc: datetime) -> tuple[Composed, list[Alert]]:
        out: list[Alert] = []
        for one in state.open:
            if one.seen or one.incident.severity is not Severity.NOW or not self._alerts.repeat_min:
                continue
            due = one.first_utc + timedelta(minutes=self._after_min(one.repeats))
            if now_utc < due:
                continue
            again = replace(one, repeats=one.repeats + 1)
            state = replace(state, open=tuple(again if other is one else other for other in state.open))
            state, alert = self._sent(state, "repeat", one.incident, now_utc, repeat=again.repeats)
            if alert is not None:
                out.append(alert)
        return state, out

    def _after_min(self, repeats: int) -> float:
        """Return how long after the first message the next repeat is due."""
        minutes = self._alerts.repeat_min
        if repeats < len(minutes):
            return minutes[repeats]
        return minutes[-1] * (repeats - len(minutes) + 2)

    def _sent(
        self,
        state: Composed,
        kind: AlertKind,
        incident: Incident,
        now_utc: datetime,
        *,
        repeat: int = 0,
        answers: Severity | None = None,
    ) -> tuple[Composed, Alert | None]:
        recent = tuple(time for time in state.sent_utc if now_utc - time < HOUR)
        vital = kind == "first" and incident.severity is Severity.NOW
        if len(recent) >= self._alerts.hourly_cap and not vital:
            return replace(state, sent_utc=recent), None
        title, body = title_and_body(incident, self._settings)
        plain = kind in {"clear", "digest"}
        alert = Alert(
            time_utc=now_utc,
            kind=kind,
            severity=Severity.NOTE if plain else incident.severity,
            condition=incident.condition,
            title=title,
            body=body,
            attachment=None if plain else incident.frame,
            short=sms(incident),
            repeat=repeat if kind == "repeat" else 0,
            which=key_of(incident)[1],
            answers=answers,
        )
        return replace(state, sent_utc=(*recent, now_utc)[-2 * self._alerts.hourly_cap :]), alert
