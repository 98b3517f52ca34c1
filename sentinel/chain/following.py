"""Follower and forecaster, event by event: each hears of what the other says."""

from collections.abc import Sequence
from datetime import datetime

from sentinel.chain.forecast.forecaster import Forecaster
from sentinel.chain.track import Context, Follower, Track
from sentinel.core.records import Event, Forecast, MeasuredFrame
from sentinel.core.times import utc_s

Span = tuple[datetime, datetime]


class Following:
    """What the disc does, and what will come of it; the same events give the same answers.

    `context`: the session's settings and sun.
    `paused`: spans in which the drive is said to have stood: discs in them are no part of the track, but show
        how the camera sits. A pause that nobody tells of is recognised where a step of the disc fell within
        it.
    """

    def __init__(self, context: Context, paused: Sequence[Span] = ()) -> None:
        self.track = Track()
        self._follower = Follower(context)
        self.forecaster = Forecaster(context.settings, context.sun)
        self._paused = tuple(paused)
        self._in_pause = False

    def feed(self, event: Event, now_utc: datetime) -> Forecast | None:
        """Take one event and what is forecast of it; return that, if anything is."""
        forecast = self.take(event, now_utc)
        if forecast is not None:
            self.follow(forecast, now_utc)
        return forecast

    def take(self, event: Event, now_utc: datetime) -> Forecast | None:
        """Take one event; return the forecast that it renews, which the track does not know of yet."""
        if isinstance(event, MeasuredFrame) and self._paused:
            if any(begin <= event.time_utc <= end for begin, end in self._paused):
                self._in_pause = True
                self.forecaster.take_pause(event)
                return None
            if self._in_pause:
                self._in_pause = False
                self.track = self.track.resumed(utc_s(event.time_utc))
        self.follow(event, now_utc)
        return self.forecaster.feed(event, now_utc, self.track)

    def follow(self, cause: Event | Forecast, now_utc: datetime) -> None:
        """Let the track go on by an event, or by a forecast that is known already."""
        self.track = self._follower.step(self.track, cause, utc_s(now_utc))

    def look(self, now_utc: datetime) -> Forecast:
        """Return the forecast as of now; what `feed` returns later does not change by it."""
        return self.forecaster.look(now_utc)
