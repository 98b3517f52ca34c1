"""One event through the rooms: track, forecast, judge, notify. Pure: no files, no clock, no network."""

import dataclasses
from datetime import datetime

from sentinel.chain.forecast.forecaster import Forecaster
from sentinel.chain.judge.core import Judge
from sentinel.chain.notify import compose, routing, wording
from sentinel.chain.track import Context, Follower, Track
from sentinel.core.records import Event, Forecast, Outcome
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from sentinel.sky import Sun


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
        sun = Sun(settings.site)
        self.forecaster = Forecaster(settings, sun)
        self._settings = settings
        context = Context(settings, sun)
        self._follower = Follower(context)
        self._track = Track()
        self._judge = Judge(context)
        self._judged = self._judge.fresh(start_utc)
        self._composer = compose.Composer(settings)
        self._composed = self._composer.fresh()

    @property
    def focus_ratio(self) -> float | None:
        """Edge width over that at the same altitude before; None: nothing to compare with yet."""
        return self._judged.optics.ratio

    def step(self, event: Event, now_utc: datetime) -> Outcome:
        """Take up one event at a time that never decreases; return all that comes of it."""
        self._follow(event, now_utc)
        forecast = self.forecaster.feed(event, now_utc, self._track.stands_since_s)
        return self._judged_with(event, forecast, now_utc)

    def step_with(self, event: Event, forecast: Forecast | None, now_utc: datetime) -> Outcome:
        """Like `step`, on a forecast that is known already: rejudging needs no new ones."""
        self._follow(event, now_utc)
        return self._judged_with(event, forecast, now_utc)

    def _follow(self, cause: Event | Forecast, now_utc: datetime) -> None:
        self._track = self._follower.step(self._track, cause, utc_s(now_utc))

    def _judged_with(self, event: Event, forecast: Forecast | None, now_utc: datetime) -> Outcome:
        self._judged, found = self._judge.step(self._judged, event, self._track, now_utc)
        if forecast is not None:
            self._follow(forecast, now_utc)
            self._judged, more = self._judge.step(self._judged, forecast, self._track, now_utc)
            found += more
        worded = tuple(dataclasses.replace(i, message=wording.message(i)) for i in found)
        self._composed, alerts = self._composer.step(self._composed, event, worded, now_utc, forecast)
        postings = routing.route(alerts, self._settings, now_utc)
        return Outcome(forecast=forecast, incidents=worded, alerts=alerts, postings=postings)
