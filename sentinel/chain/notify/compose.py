"""Which incidents become messages, and when: first, again, over, summed up. Pure; delivery is another's."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sentinel.chain.judge.as_it_stands import as_it_stands
from sentinel.chain.judge.camera_details import VisitTold
from sentinel.chain.judge.details import DriftExit, Runaway
from sentinel.chain.judge.edge import leads_min
from sentinel.chain.judge.jobs import agenda_of
from sentinel.chain.judge.nights import night_on
from sentinel.chain.notify import digest
from sentinel.chain.notify.digest import Tally
from sentinel.chain.notify.grouping import grouped
from sentinel.chain.notify.headline import headline, troubles_of
from sentinel.chain.notify.wording import sms, title_and_body
from sentinel.core.records import Alert, AlertKind, Event, Forecast, Incident, Mark, MeasuredFrame, Severity
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.core.words import many, opened, short_text, times_in

HOUR = timedelta(hours=1)
TOGETHER = timedelta(minutes=2)
"""Repeats that fall due within so long of each other go out as one."""
UNDECIDED = timedelta(minutes=5)
"""A disc that left its way is told to have been put elsewhere, or to run away, within so long."""
RAREST_MIN = 120.0
"""Beyond the configured repeats the pauses double up to this."""
REMEMBERED = 500
"""Messages of the last hour that the cap is counted by, at the most."""
FILTER = "over-bright"
SHOWN = frozenset(
    {"drift-exit", "runaway", "moved", "lost-disc", "visit", "covered-limb", "dimmed", "soft-focus"}
)
"""Of these a picture of the sun shows whether they are mended; of others a mark may just be missing. Nor can
anybody mend them while the sun is down."""
DIGEST, HELD_BACK = "digest", "held-back"
_NO_TALLY = Tally()


@dataclass(frozen=True, slots=True)
class Open:
    """An incident that people were told of."""

    incident: Incident
    first_utc: datetime
    repeats: int = 0
    seen: bool = False
    attended_until_utc: datetime | None = None
    """Somebody is at the camera, or was, and so it is not said again; None: nobody since it was last said."""

    @property
    def calls(self) -> bool:
        """Whether it is said again and again: nobody has seen it, or gone."""
        answered = self.seen or self.attended_until_utc is not None
        return self.incident.severity is Severity.NOW and not answered


@dataclass(frozen=True, slots=True)
class Sent:
    """One message of the last hour."""

    time_utc: datetime
    woke_for: str = ""
    """The condition, where it was the first `now` of it."""


@dataclass(frozen=True, slots=True)
class Composed:
    """What is open, what went out in the last hour, and what was counted."""

    open: tuple[Open, ...] = ()
    sent: tuple[Sent, ...] = ()
    held: tuple[str, ...] = ()
    """Titles of what the hourly cap held back."""
    held_count: int = 0
    held_since_utc: datetime | None = None
    digest_utc: datetime | None = None
    """The last hour for which a digest was due."""
    tally: Tally = _NO_TALLY
    standing: tuple[Incident, ...] = ()
    """All that is open, notes too."""

    @property
    def decides(self) -> tuple[object, ...]:
        """What decides which messages follow, and when; all else is for what they say."""
        return self.open, self.standing, self.sent, self.held_since_utc, self.digest_utc


def _standing(standing: tuple[Incident, ...], incidents: tuple[Incident, ...]) -> tuple[Incident, ...]:
    """Return what is open after some changes."""
    if not incidents:
        return standing
    last = {one.key: one for one in (*standing, *incidents)}
    return tuple(one for one in last.values() if one.state != "cleared")


def _still_so(one: Open, event: Event, now_utc: datetime) -> Open:
    """Return what calls again because a visit did not mend it, and it can be mended now.

    Under cloud nobody can put the disc anywhere: then the next picture that shows it begins the calling anew.
    """
    ended_utc = one.attended_until_utc
    if ended_utc is None or now_utc <= ended_utc:
        return one
    shown = isinstance(event, MeasuredFrame) and event.disc.found and event.time_utc > ended_utc
    if not shown or one.incident.condition not in SHOWN:
        return one
    return replace(one, first_utc=now_utc, repeats=0, attended_until_utc=None)


def _waits(incident: Incident, forecast: Forecast | None, settings: Settings, now_utc: datetime) -> bool:
    """Whether what is said of an edge is not said again yet.

    It is not as near as all that any more; or the disc has just gone where no forecast has it: pushed by hand
    it is told anew in minutes, running away by another name.
    """
    detail = incident.detail
    if not isinstance(detail, DriftExit):
        return False
    departed = forecast.departed_utc if forecast is not None else None
    if departed is not None and now_utc - departed < UNDECIDED:
        return True
    early = detail.exit_early_utc
    if early is None or detail.at_sunrise:
        return False
    return (early - now_utc).total_seconds() / 60 > leads_min(settings)[1]


def _of_the_last_hour(state: Composed, now_utc: datetime) -> Composed:
    """Forget the messages of before."""
    if not state.sent or now_utc - state.sent[0].time_utc < HOUR:
        return state
    return replace(state, sent=tuple(one for one in state.sent if now_utc - one.time_utc < HOUR))


def _counted(state: Composed, alerts: Sequence[Alert]) -> Composed:
    if not alerts:
        return state
    return replace(state, tally=state.tally._replace(counts=state.tally.counts.with_alerts(alerts)))


def _pictured(alert: Alert, last_frame: str | None) -> Alert:
    """Return a message with the picture that goes with it, or with why there is none."""
    if not alert.of_trouble or alert.attachment is not None:
        return alert
    if last_frame is not None:
        return replace(alert, attachment=last_frame)
    return replace(alert, body=f"{alert.body} No picture: the sun has not been seen in any yet.")


class Composer:
    """Turns incidents into messages, by the settings' `alerts`."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._alerts = settings.alerts
        self._interval_s = settings.camera.interval_s
        self._visit_min = settings.thresholds.visit_default_min

    def fresh(self) -> Composed:
        """Return the state in which nobody has been told anything."""
        return Composed()

    def step(
        self,
        state: Composed,
        event: Event,
        incidents: tuple[Incident, ...],
        now_utc: datetime,
        forecast: Forecast | None = None,
    ) -> tuple[Composed, tuple[Alert, ...]]:
        """Take an event and what it led to; return the messages that are due.

        A `now` goes out again at the configured minutes until it is seen or over. A note goes out alone only
        where it is the answer to something (the end of a visit, the list before sleep); else it waits for the
        digest.
        """
        tally = digest.counted(state.tally, event, incidents, forecast, self._interval_s)
        state = replace(state, tally=tally, standing=_standing(state.standing, incidents))
        if isinstance(event, Mark) and event.kind in {"seen", "visit"}:
            state = replace(state, open=tuple(self._answered(one, event) for one in state.open))
        out: list[Alert] = []
        for incident in incidents:
            state, alert = self._on_change(state, incident, now_utc)
            if alert is not None:
                out.append(_pictured(alert, state.tally.last_frame))
        if state.open:
            state = replace(state, open=tuple(_still_so(one, event, now_utc) for one in state.open))
            state, repeats = self._repeated(state, now_utc)
            out += repeats
        state = _of_the_last_hour(state, now_utc)
        state, capped = self._capped(state, grouped(out), now_utc)
        state, summary = self._summed_up(state, now_utc)
        state = _counted(state, (*capped, *summary))
        state, due = self._digested(state, now_utc)
        return _counted(state, due), tuple(self._named(alert) for alert in (*capped, *summary, *due))

    def _named(self, alert: Alert) -> Alert:
        name = self._settings.camera.name
        if not name:
            return alert
        short = short_text(opened(name, alert.short)) if alert.short else ""
        return replace(alert, title=opened(name, alert.title), short=short)

    def _answered(self, one: Open, mark: Mark) -> Open:
        """Return what is open after somebody has said to know, or to be at the camera."""
        if mark.kind == "seen":
            return replace(one, seen=True)
        if one.incident.condition == FILTER:
            # It goes on calling whoever is there.
            return one
        minutes = self._visit_min if mark.minutes is None else mark.minutes
        return replace(one, attended_until_utc=mark.time_utc + timedelta(minutes=minutes))

    # What is told at once.

    def _on_change(
        self, state: Composed, incident: Incident, now_utc: datetime
    ) -> tuple[Composed, Alert | None]:
        known = next((one for one in state.open if one.incident.key == incident.key), None)
        if incident.state == "cleared":
            rest = tuple(one for one in state.open if one is not known)
            state = replace(state, open=rest)
            if known is None or not self._alerts.clear_messages:
                return state, None
            return state, self._alert("clear", incident, now_utc, answers=known.incident.severity)
        if incident.condition == "before-sleep" or (
            isinstance(incident.detail, VisitTold) and incident.detail.good
        ):
            rest = tuple(one for one in state.open if one is not known)
            return replace(state, open=rest), self._alert("digest", incident, now_utc)
        if known is None and incident.severity is Severity.NOTE:
            return state, None
        if known is None:
            state = replace(state, open=(*state.open, Open(incident, now_utc)))
            return state, self._alert("first", incident, now_utc)
        # The same trouble, told anew where it got worse or is another story by now.
        worse = incident.severity.rank < known.incident.severity.rank
        # What the next visit left is no old news, whoever went for the last one.
        worse = worse or (
            isinstance(incident.detail, VisitTold) and incident.onset_utc > known.incident.onset_utc
        )
        fresh = Open(incident, now_utc) if worse else replace(known, incident=incident)
        state = replace(state, open=tuple(fresh if one is known else one for one in state.open))
        if (known.seen or known.attended_until_utc is not None) and not worse:
            return state, None
        kind: AlertKind = "first" if worse else "repeat"
        return state, self._alert(kind, incident, now_utc, repeat=fresh.repeats)

    def _alert(
        self,
        kind: AlertKind,
        incident: Incident,
        now_utc: datetime,
        *,
        repeat: int = 0,
        answers: Severity | None = None,
        frozen: bool = False,
    ) -> Alert:
        # An incident said again keeps the evidence of its own moment: it is worded as such.
        again_utc = now_utc if frozen else None
        title, body = title_and_body(incident, self._settings, again_utc)
        plain = kind in {"clear", "digest"}
        return Alert(
            time_utc=now_utc,
            kind=kind,
            severity=Severity.NOTE if plain else incident.severity,
            condition=incident.condition,
            title=title,
            body=body,
            attachment=None if plain else incident.frame,
            short=sms(incident, again_utc),
            repeat=repeat if kind == "repeat" else 0,
            which=incident.key[1],
            answers=answers,
        )

    # What is told again.

    def _repeated(self, state: Composed, now_utc: datetime) -> tuple[Composed, list[Alert]]:
        waking = [one for one in state.open if one.calls]
        if not any(self._repeats_by(one, now_utc) > one.repeats for one in waking):
            return state, []
        out: list[Alert] = []
        for one in waking:
            count = self._repeats_by(one, now_utc + TOGETHER)
            if count <= one.repeats:
                continue
            incident = self._by_night(self._as_it_stands(one.incident, state.tally), now_utc)
            if _waits(incident, state.tally.forecast, self._settings, now_utc):
                continue
            again = replace(one, repeats=count)
            state = replace(state, open=tuple(again if other is one else other for other in state.open))
            again_alert = self._alert("repeat", incident, now_utc, repeat=count, frozen=True)
            out.append(_pictured(again_alert, state.tally.last_frame))
        return state, out

    def _repeats_by(self, one: Open, time_utc: datetime) -> int:
        """Return how many repeats are due by a time; after a pause of ours they are not all sent."""
        minutes = self._alerts.repeat_min
        if not minutes:
            return 0
        if one.incident.condition in SHOWN and self._sleeps(time_utc):
            return one.repeats
        passed = (time_utc - one.first_utc).total_seconds() / 60
        count = sum(passed >= due for due in minutes)
        due, step, rarest = minutes[-1], minutes[-1], max(RAREST_MIN, minutes[-1])
        while step < rarest and due + step <= passed:
            due, count, step = due + step, count + 1, min(2 * step, rarest)
        # From here on they are as far apart: of years there are not to be counted one by one.
        return count + max(int((passed - due) // step), 0)

    def _sleeps(self, time_utc: datetime) -> bool:
        """Whether the sun is down, and it is not yet time to set off for where it comes up."""
        night = night_on(self._settings.site, utc_s(time_utc))
        return night is not None and utc_s(time_utc) < night.rises_s - 60 * self._settings.visit.travel_min

    def _as_it_stands(self, incident: Incident, tally: Tally) -> Incident:
        return as_it_stands(incident, tally.forecast, self._settings, tally.seen)

    def _by_night(self, incident: Incident, now_utc: datetime) -> Incident:
        """Return an incident with when the sun comes up, where a mount that stands is told of before that."""
        night = night_on(self._settings.site, utc_s(now_utc))
        if night is None or not isinstance(incident.detail, Runaway):
            return incident
        return replace(incident, detail=replace(incident.detail, sunrise_utc=night.rises_utc))

    # What is held back.

    def _capped(
        self, state: Composed, alerts: tuple[Alert, ...], now_utc: datetime
    ) -> tuple[Composed, list[Alert]]:
        """Let through what the hour still has room for, and every `now` of a condition that is new in it."""
        if not alerts:
            return state, []
        sent = list(state.sent)
        through: list[Alert] = []
        for alert in alerts:
            wakes = alert.condition if alert.kind == "first" and alert.severity is Severity.NOW else ""
            vital = bool(wakes) and all(one.woke_for != wakes for one in sent)
            if vital or alert.kind == "digest" or len(sent) < self._alerts.hourly_cap:
                sent.append(Sent(now_utc, wakes))
                through.append(alert)
                continue
            state = replace(
                state,
                held=(*state.held, alert.title)[-5:],
                held_count=state.held_count + 1,
                held_since_utc=state.held_since_utc or now_utc,
            )
        return replace(state, sent=tuple(sent[-REMEMBERED:])), through

    def _summed_up(self, state: Composed, now_utc: datetime) -> tuple[Composed, list[Alert]]:
        """Say once an hour what was held back."""
        if state.held_since_utc is None or now_utc - state.held_since_utc < HOUR:
            return state, []
        cap, count = self._alerts.hourly_cap, state.held_count
        title = f"{many(count, 'message')} held back"
        last = "; ".join(state.held)
        body = f"More than {cap} messages in an hour: {count} not sent. The last: {last}."
        state = replace(state, held=(), held_count=0, held_since_utc=None)
        return state, [_note(HELD_BACK, title, body, now_utc)]

    # What is told at its hour.

    def _digested(self, state: Composed, now_utc: datetime) -> tuple[Composed, list[Alert]]:
        hour_utc = digest.last_hour_utc(self._alerts.digest_utc, now_utc) if self._alerts.digest_utc else None
        if hour_utc is None or (state.digest_utc is not None and hour_utc <= state.digest_utc):
            return state, []
        begun = state.digest_utc is not None
        state = replace(state, digest_utc=hour_utc)
        if not begun:
            # The hour before the watch began is nobody's.
            return state, []
        tally, times = state.tally, replace(times_in(self._settings.alerts.zone), now_utc=now_utc)
        agenda = agenda_of(tally.forecast, self._settings, now_utc, tally.seen)
        standing = (self._as_it_stands(one, tally) for one in state.standing)
        troubles = troubles_of(standing, now_utc, times)
        head = headline(agenda, tally.forecast, troubles, now_utc, times)
        title, body = digest.title_and_body(tally, head, troubles, self._interval_s, times)
        alert = _note(DIGEST, title, body, now_utc, attachment=state.tally.last_frame)
        return replace(state, tally=digest.begun_anew(state.tally)), [alert]


def _note(
    condition: str, title: str, body: str, now_utc: datetime, *, attachment: str | None = None
) -> Alert:
    return Alert(
        time_utc=now_utc,
        kind="digest",
        severity=Severity.NOTE,
        condition=condition,
        title=title,
        body=body,
        attachment=attachment,
        short=short_text(f"{title}. {body}"),
    )
