"""One event through the rooms: track, forecast, judge, notify. Pure: no files, no clock, no network."""

import dataclasses
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sentinel.chain.following import Following
from sentinel.chain.judge.core import Judge
from sentinel.chain.notify import compose, routing, wording
from sentinel.chain.track import Context
from sentinel.chain.undo import UndoLog, state_of
from sentinel.core.records import Alert, Event, Forecast, Incident, Mark, MeasuredFrame, Outcome, Tick
from sentinel.core.settings import Settings
from sentinel.sky import Sun

TO_PEOPLE = frozenset({"visit", "seen", "remark"})
"""Marks that say something of people, not of what was done to camera and mount."""


class EarlyMarks:
    """Marks of what was done before the first picture, which change nothing: the session begins fresh.

    What is noted before any picture has come waits for the first one, whose exposure may be the earlier.
    """

    def __init__(self) -> None:
        self._first_utc: datetime | None = None
        self._waiting: tuple[Mark, ...] = ()

    def counting(self, event: Event, now_utc: datetime) -> tuple[Event, ...]:
        """Return what an event counts as; the last one stands for it."""
        if isinstance(event, Mark) and event.kind not in TO_PEOPLE:
            if self._first_utc is None:
                self._waiting += (event,)
            if self._first_utc is None or event.time_utc < self._first_utc:
                return (Tick(time_utc=now_utc),)
        if isinstance(event, MeasuredFrame) and event.error is None and self._first_utc is None:
            self._first_utc = event.time_utc
            waited, self._waiting = self._waiting, ()
            return (*(mark for mark in waited if mark.time_utc >= event.time_utc), event)
        return (event,)


class Pipeline:
    """The state of a watch, moved on by one event at a time.

    The same events at the same times lead to the same outcomes and the same state, so that everything can be
    rebuilt from the journal.

    Parameters
    ----------
    settings
        Validated settings.
    start_utc
        When the watch begins.
    """

    def __init__(self, settings: Settings, start_utc: datetime) -> None:
        self._settings = settings
        context = Context(settings, Sun(settings.site))
        self.following = Following(context)
        self._judge = Judge(context)
        self._judged = self._judge.fresh(start_utc)
        self._composer = compose.Composer(settings)
        self._composed = self._composer.fresh()
        self._early = EarlyMarks()
        self._undo = UndoLog()

    @property
    def focus_ratio(self) -> float | None:
        """Edge width over that at the same altitude before; None: nothing to compare with yet."""
        return self._judged.optics.ratio

    def step(self, event: Event, now_utc: datetime) -> Outcome:
        """Take up one event at a time that never decreases; return all that comes of it."""
        return self._taken(event, None, now_utc)

    def step_with(self, event: Event, forecast: Forecast | None, now_utc: datetime) -> Outcome:
        """Like `step`, on a forecast that is known already: rejudging needs no new ones."""
        return self._taken(event, forecast, now_utc, foreseen=True)

    def _taken(
        self, event: Event, forecast: Forecast | None, now_utc: datetime, *, foreseen: bool = False
    ) -> Outcome:
        if isinstance(event, Mark) and event.kind == "undo":
            return self._undone(event, now_utc, foreseen=foreseen)
        self._undo.note(self._state, event, forecast, now_utc)
        outcome = self._stepped(event, forecast, now_utc, foreseen=foreseen)
        self._undo.told(outcome.alerts)
        return outcome

    def _stepped(
        self, event: Event, forecast: Forecast | None, now_utc: datetime, *, foreseen: bool
    ) -> Outcome:
        *waited, last = self._early.counting(event, now_utc)
        before = self._waited(waited, now_utc)
        if foreseen:
            self.following.follow(last, now_utc)
        else:
            forecast = self.following.take(last, now_utc)
        return self._judged_with(last, forecast, now_utc, before)

    @property
    def _state(self) -> tuple[Any, ...]:
        """All that events change."""
        return self.following, self._judged, self._composed, self._early

    @_state.setter
    def _state(self, state: tuple[Any, ...]) -> None:
        self.following, self._judged, self._composed, self._early = state

    def _undone(self, undo: Mark, now_utc: datetime, *, foreseen: bool) -> Outcome:
        """Go back to before a mark, through what came since without it, and tell what is otherwise now."""
        back = self._undo.back_to(undo)
        if back is None:
            return self._stepped(Tick(time_utc=now_utc), None, now_utc, foreseen=foreseen)
        was = self._composed.standing
        self._state = state_of(back)
        told: list[Alert] = []
        for event, forecast, at_utc in back.since[1:]:
            told += self._taken(event, forecast, at_utc, foreseen=foreseen).alerts
        last = self._stepped(Tick(time_utc=now_utc), None, now_utc, foreseen=foreseen)
        said = {(one.kind, one.severity, *sorted(one.topics)) for one in back.said}
        missed = [
            dataclasses.replace(one, time_utc=now_utc)
            for one in told
            if (one.kind, one.severity, *sorted(one.topics)) not in said
        ]
        alerts = (*missed, *last.alerts)
        return Outcome(
            forecast=None if foreseen else self.following.look(now_utc),
            incidents=_changes(was, self._composed.standing, now_utc),
            alerts=alerts,
            postings=routing.route(alerts, self._settings, now_utc),
        )

    def _waited(self, marks: Sequence[Event], now_utc: datetime) -> tuple[Incident, ...]:
        """Take up the marks that waited for the first picture."""
        found: tuple[Incident, ...] = ()
        for mark in marks:
            self.following.take(mark, now_utc)
            self._judged, more = self._judge.step(self._judged, mark, self.following.track, now_utc)
            found += more
        return found

    def _judged_with(
        self, event: Event, forecast: Forecast | None, now_utc: datetime, before: tuple[Incident, ...]
    ) -> Outcome:
        self._judged, found = self._judge.step(self._judged, event, self.following.track, now_utc)
        found = before + found
        if forecast is not None:
            self.following.follow(forecast, now_utc)
            self._judged, more = self._judge.step(self._judged, forecast, self.following.track, now_utc)
            found += more
        worded = tuple(dataclasses.replace(i, message=wording.message(i)) for i in found)
        self._composed, alerts = self._composer.step(self._composed, event, worded, now_utc, forecast)
        postings = routing.route(alerts, self._settings, now_utc)
        return Outcome(forecast=forecast, incidents=worded, alerts=alerts, postings=postings)


def _changes(was: Sequence[Incident], now: Sequence[Incident], now_utc: datetime) -> tuple[Incident, ...]:
    """Return what makes one set of open incidents the other."""
    before, after = ({one.key: one for one in some} for some in (was, now))
    gone = [dataclasses.replace(one, state="cleared") for key, one in before.items() if key not in after]
    new = [
        dataclasses.replace(one, state="changed" if key in before else "opened")
        for key, one in after.items()
        if before.get(key) != one
    ]
    return tuple(dataclasses.replace(one, time_utc=now_utc) for one in (*gone, *new))
