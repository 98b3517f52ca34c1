"""The one object of this room: events in, forecasts out. No clock, no I/O, bounded memory."""

from collections import deque
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from sentinel.forecast.exits import HORIZON_H, OFFSETS_S, Exits, Frame, first_exits
from sentinel.forecast.line import fit_line
from sentinel.forecast.visits import (
    Stores,
    axis_limit_due,
    hour_angle_due,
    in_order,
    next_visit,
    sun_goes,
    supplies_due,
)
from sentinel.records import Due, Event, Forecast, Mark, MeasuredFrame
from sentinel.settings import Settings
from sentinel.sky.arrays import Array, Bools
from sentinel.sky.sun import Sun
from sentinel.times import from_utc_s, utc_s

RENEW_S = 600.0
LINE_S = 3600.0
DRAWS = 600


@lru_cache(maxsize=1)
def _normals() -> Array:
    return np.random.default_rng(20_260_621).standard_normal((2, 2, DRAWS))


class Forecaster:
    """Takes measured frames, ticks and marks in any order and says until when the camera may be left alone.

    The same events fed in the same order give the same forecasts: nothing else enters.
    """

    def __init__(self, settings: Settings, sun: Sun) -> None:
        self._settings = settings
        self._sun = sun
        self._discs: deque[tuple[float, float, float, float, float]] = deque(maxlen=2000)
        self._size: tuple[int, int] | None = None
        self._stores: Stores | None = None
        self._renewed_utc_s: float | None = None
        self._rate_ratio = 0.0 if settings.mount.tracking == "none" else 1.0

    def feed(self, event: Event, now_utc: datetime) -> Forecast | None:
        """Take one event; return the forecast where it was renewed by it, else None."""
        now = utc_s(now_utc)
        if self._stores is None:
            self._stores = Stores.begun(utc_s(event.time_utc), self._settings)
        if isinstance(event, Mark):
            self._take_mark(event)
            return None
        if isinstance(event, MeasuredFrame):
            self._take_frame(event)
        if not self._discs:
            return None
        first = self._renewed_utc_s is None
        if first or now + self._settings.camera.interval_s - (self._renewed_utc_s or 0.0) > RENEW_S:
            self._renewed_utc_s = now
            return self.look(now_utc)
        return None

    def look(self, now_utc: datetime) -> Forecast:
        """Return the forecast as of now, from all that was fed so far."""
        now = utc_s(now_utc)
        if not self._discs or self._size is None:
            return Forecast(time_utc=now_utc, basis="no disc has been measured yet", flags=("no-disc",))
        grid = now + OFFSETS_S
        altitude, up = self._sun_up(grid)
        exits = self._line_exits(grid, up)
        answer = {
            share: _when(now, exits.quantile_s(quantile))
            for share, quantile in (("safe", 0.01), ("early", 0.05), ("median", 0.5), ("late", 0.95))
        }
        due = self._due(now, grid, altitude, up, answer["early"])
        first, travel = next_visit(due, self._settings.visit.travel_min)
        return Forecast(
            time_utc=now_utc,
            basis="straight line through the last 60 min: too little arc for the mount model",
            exit_utc=answer["median"],
            exit_safe_utc=answer["safe"],
            exit_early_utc=answer["early"],
            exit_late_utc=answer["late"],
            edge=exits.likely_edge() if answer["median"] else None,
            next_visit_utc=first.time_utc - travel if first else None,
            next_visit_reason=first.reason if first else None,
            due=due,
            seen_utc=from_utc_s(self._discs[-1][0]),
            sun_altitude_deg=float(altitude[0]),
        )

    def _take_mark(self, mark: Mark) -> None:
        if self._stores is not None:
            self._stores = self._stores.marked(mark)
        if mark.kind in ("recentred", "unwound", "realigned"):
            self._discs.clear()

    def _take_frame(self, frame: MeasuredFrame) -> None:
        if self._stores is not None:
            self._stores = self._stores.taken()
        disc = frame.disc
        good = disc.found and np.isfinite([disc.x_px, disc.y_px, disc.radius_px, disc.centre_sigma_px]).all()
        if not good or disc.limb_coverage < 0.1:
            return
        size = (frame.width_px, frame.height_px)
        if size != self._size:
            self._discs.clear()
            self._size = size
        at = utc_s(frame.time_utc)
        if self._discs and at < self._discs[-1][0]:
            return
        self._discs.append((at, disc.x_px, disc.y_px, disc.radius_px, disc.centre_sigma_px))

    def _line_exits(self, grid: Array, up: Bools) -> Exits:
        if self._size is None:
            raise ValueError("no frame yet")
        discs = np.array([d for d in self._discs if d[0] > self._discs[-1][0] - LINE_S])
        scale = self._settings.camera.scale_arcsec_px
        line = fit_line(discs[:, 0], discs[:, 1:3], discs[:, 4], slow_px_s=0.3 / scale)
        x, y = line.draws_px(grid, _normals())
        frame = Frame(*self._size, self._settings.frames.margin_px)
        return first_exits(OFFSETS_S, frame.room_px(x, y, float(np.median(discs[:, 3]))), up)

    def _sun_up(self, grid: Array) -> tuple[Array, Bools]:
        altitude, azimuth = self._sun.altaz_deg(grid)
        line = np.zeros_like(altitude)
        if self._settings.site.horizon:
            points = np.array(sorted(self._settings.site.horizon))
            line = np.interp(azimuth, points[:, 0], points[:, 1], period=360)
        return altitude, altitude > line

    def _due(
        self, now: float, grid: Array, altitude: Array, up: Bools, early_utc: datetime | None
    ) -> tuple[Due, ...]:
        if self._stores is None:
            return ()
        due = supplies_due(self._settings, self._stores, now, self._settings.camera.interval_s)
        if early_utc is not None:
            due["drift"] = utc_s(early_utc)
        limit = axis_limit_due(self._settings, self._stores, now, self._rate_ratio)
        hour_angle = hour_angle_due(self._settings, grid, self._sun.hour_angle_deg(grid))
        limits = [when for when in (limit, hour_angle) if when is not None]
        if limits:
            due["axis-limit"] = min(limits)
        goes = sun_goes(grid, altitude, np.zeros_like(altitude), up)
        if goes is not None:
            due[goes[1]] = goes[0]
        return in_order(list(due.items()), now, now + HORIZON_H * 3600)


def _when(now: float, after_s: float) -> datetime | None:
    return from_utc_s(now) + timedelta(seconds=after_s) if np.isfinite(after_s) else None
