"""Feeding a forecaster as the runner does, and mounts that misbehave."""

from collections.abc import Iterable, Sequence
from copy import deepcopy
from datetime import datetime
from functools import lru_cache

import numpy as np

from sentinel.chain.following import Following
from sentinel.chain.track import Context
from sentinel.core.records import Event, Forecast, MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.sky.arrays import Array
from sentinel.sky.mount import axis_vector, in_mount_frame, project, rate_arcsec_s
from tests.forecast.sessions import ARCSEC, Session


def feed(forecaster: Following, events: Iterable[Event]) -> list[Forecast]:
    """Feed events as they come; return the renewed forecasts."""
    fed = [forecaster.feed(event, event.time_utc) for event in events]
    return [forecast for forecast in fed if forecast is not None]


def watched(session: Session, events: Sequence[Event] | None = None) -> list[Forecast]:
    """Feed a session's frames, or other events, to a fresh forecaster."""
    if events is None:
        return list(_gone_through(session)[1])
    return feed(Following(Context(session.settings, session.sun)), events)


def gone_through(session: Session) -> tuple[Following, list[Forecast]]:
    """Return a forecaster of one's own that has seen a session's frames, and what it told."""
    return deepcopy(_gone_through(session)[0]), watched(session)


@lru_cache(maxsize=8)
def _gone_through(session: Session) -> tuple[Following, tuple[Forecast, ...]]:
    """Go through a session once for all that ask: it comes to the same."""
    forecaster = Following(Context(session.settings, session.sun))
    return forecaster, tuple(feed(forecaster, session.frames()))


def seconds_ahead(forecast: Forecast, name: str) -> float:
    """Seconds from the forecast's time to one of its exit's times; inf where it has none."""
    return seconds_until(getattr(forecast.exit, name), utc_s(forecast.time_utc))


def seconds_until(time: datetime | None, now_s: float) -> float:
    """Seconds from now to a time that is forecast; inf: there is none."""
    return float("inf") if time is None else utc_s(time) - now_s


def turning_otherwise(session: Session, after: int, speed: float, frames: int) -> list[MeasuredFrame]:
    """Frames after frame `after`, from which on the drive runs at `speed` times its rate (0: stopped)."""
    x, y = otherwise_px(session, after, speed)
    return [session.frame(i, x[i], y[i]) for i in range(after + 1, after + 1 + frames)]


def otherwise_px(session: Session, after: int, speed: float) -> tuple[Array, Array]:
    """The track of such a mount, at all times of the session."""
    since = session.times_s - session.start_s
    turned = np.minimum(since, since[after]) + speed * np.maximum(since - since[after], 0.0)
    theta = rate_arcsec_s(session.tracking) * ARCSEC * (1 + session.rate_error) * turned
    axis = axis_vector(session.latitude_deg, session.azimuth_error_deg, session.altitude_error_deg)
    direction = session.sun.direction(session.times_s)
    mounted = in_mount_frame(direction, axis, theta, south=session.latitude_deg < 0)
    x, y = project(mounted, session.poses()[0][1], session.optics)
    return x, y
