"""One event through the rooms: track, forecast, judge, notify. Pure: no files, no clock, no network."""

import dataclasses
import pickle
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sentinel.chain.following import Following
from sentinel.chain.judge.core import Judge, JudgeState
from sentinel.chain.notify import compose, routing, wording
from sentinel.chain.track import Context, Track
from sentinel.chain.undo import UndoLog
from sentinel.core.other_cameras import ClocksCompared, SunSeen
from sentinel.core.records import Alert, Event, Forecast, Incident, Mark, MeasuredFrame, Outcome, Tick
from sentinel.core.settings import Settings
from sentinel.sky import Sun

TO_PEOPLE = frozenset({"visit", "seen", "remark"})
"""Marks that say something of people, not of what was done to camera and mount."""


class EarlyMarks(NamedTuple):
    """Marks of what was done before the first picture, which change nothing: the session begins fresh.

    What is noted before any picture has come waits for the first one, whose exposure may be the earlier.
    """

    first_utc: datetime | None = None
    waiting: tuple[Mark, ...] = ()

    def counting(self, event: Event, now_utc: datetime) -> tuple["EarlyMarks", tuple[Event, ...]]:
        """Return the same after an event, and what it counts as; the last one stands for it."""
        if isinstance(event, Mark) and event.kind not in TO_PEOPLE:
            early = self._replace(waiting=(*self.waiting, event)) if self.first_utc is None else self
            if self.first_utc is None or event.time_utc < self.first_utc:
                return early, (Tick(time_utc=now_utc),)
        if isinstance(event, MeasuredFrame) and event.error is None and self.first_utc is None:
            waited = tuple(mark for mark in self.waiting if mark.time_utc >= event.time_utc)
            return EarlyMarks(event.time_utc), (*waited, event)
        return self, (event,)


class PipelineState(NamedTuple):
    """All that judging goes on from; what the forecasts stand on is the forecaster's own."""

    track: Track
    judged: JudgeState
    composed: compose.Composed
    early: EarlyMarks
    undo: UndoLog

    def decides_as(self, other: "PipelineState") -> bool:
        """Whether the same incidents and messages follow, whatever was counted for their texts."""
        return (
            self.judged == other.judged
            and self.track == other.track
            and self.composed.decides == other.composed.decides
            and (self.early, self.undo) == (other.early, other.undo)
        )


class Pipeline:
    """The state of a watch, moved on by one event at a time.

    The same events at the same times lead to the same outcomes and the same state, so that everything can be
    rebuilt from the journal.

    `start_utc`: when the watch begins.
    `context`: the sky over the site, where it is known already.
    """

    def __init__(self, settings: Settings, start_utc: datetime, context: Context | None = None) -> None:
        context = Context(settings, Sun(settings.site)) if context is None else context
        self._settings, self._context = settings, context
        self.following = Following(context)
        self._judge = Judge(context)
        self._judged = self._judge.fresh(start_utc)
        self._composer = compose.Composer(settings)
        self._composed = self._composer.fresh()
        self._early = EarlyMarks()
        self._undo = UndoLog()

    def like(self, settings: Settings, start_utc: datetime) -> "Pipeline":
        """Return a fresh one for the same site under other settings; what is known of the sky is shared."""
        return Pipeline(settings, start_utc, self._context.under(settings))

    @property
    def state(self) -> PipelineState:
        """What judging goes on from; it never changes."""
        return PipelineState(self.following.track, self._judged, self._composed, self._early, self._undo)

    def go_on_from(self, state: PipelineState) -> None:
        """Judge from a state on, in the same session."""
        self.following.track, self._judged, self._composed, self._early, self._undo = state

    @property
    def focus_ratio(self) -> float | None:
        """Edge width over that at the same altitude before; None: nothing to compare with yet."""
        return self._judged.optics.ratio

    @property
    def sun(self) -> SunSeen | None:
        """Whether the sun is seen, for the other cameras of the site; None: no picture has come yet."""
        return self._judged.sun

    @property
    def clocks(self) -> tuple[ClocksCompared, ...]:
        """How its camera's clock stands beside those of the site's others."""
        return self._judged.clocks.found

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

        def standing() -> tuple[PipelineState, bytes]:
            # The forecaster alone changes where it stands; who knows the forecasts needs none.
            return self.state._replace(undo=UndoLog()), b"" if foreseen else pickle.dumps(
                self.following.forecaster
            )

        self._undo = self._undo.after(standing, event, forecast, now_utc)
        outcome = self._stepped(event, forecast, now_utc, foreseen=foreseen)
        self._undo = self._undo.told(outcome.alerts)
        return outcome

    def _stepped(
        self, event: Event, forecast: Forecast | None, now_utc: datetime, *, foreseen: bool
    ) -> Outcome:
        self._early, (*waited, last) = self._early.counting(event, now_utc)
        before = self._waited(waited, now_utc)
        if foreseen:
            self.following.follow(last, now_utc)
        else:
            forecast = self.following.take(last, now_utc)
        return self._judged_with(last, forecast, now_utc, before)

    def _undone(self, undo: Mark, now_utc: datetime, *, foreseen: bool) -> Outcome:
        """Go back to before a mark, through what came since without it, and tell what is otherwise now."""
        log, back = self._undo.back_to(undo)
        if back is None:
            return self._stepped(Tick(time_utc=now_utc), None, now_utc, foreseen=foreseen)
        was = self._composed.standing
        state, forecaster = back.state
        self.go_on_from(state._replace(undo=log))
        if forecaster:
            self.following.forecaster = pickle.loads(forecaster)  # noqa: S301 - made by this process, or kept in its snapshot
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
