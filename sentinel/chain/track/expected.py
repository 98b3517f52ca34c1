"""Where the fit expects the disc: what the last forecast says of its way, read between its points."""

from bisect import bisect_left
from collections.abc import Sequence
from math import hypot
from statistics import median
from typing import NamedTuple

from sentinel.chain.track.path import Vector
from sentinel.core.records import Forecast
from sentinel.core.times import utc_s

Place = tuple[float, float, float]
"""Time, x and y."""

ESTABLISHED_H = 1 / 6
"""With less track than this nothing is established that could be departed from."""
RECENT = 5
RECENT_S = 1200.0
_LEAST_OFF_ARCSEC = 60.0
"""What is nearer to the fit's track than this is on it: worm and wind of a poor mount."""
_SPREADS = 4.0
_TELL = 3
"""So many recent discs tell, for as long as they span, how far the disc may leave the fit's way: it is taken
to go on along a line beside it."""


class Off(NamedTuple):
    """How far a disc lies off its way."""

    by: Vector
    limit_px: float
    """Up to here it says nothing."""

    @property
    def px(self) -> float:
        """The distance."""
        return hypot(*self.by)

    @property
    def astray(self) -> bool:
        """Whether it is surely off its way."""
        return self.px > self.limit_px


class Expected(NamedTuple):
    """The way along which the fitted mounts will carry the disc, and how far they come to differ."""

    times_s: tuple[float, ...]
    places: tuple[tuple[float, float, float], ...]
    """x, y and spread at each time, px."""
    least_px: float

    @classmethod
    def of(cls, forecast: Forecast) -> "Expected | None":
        """Return what a forecast expects; None: it tells no way, or stands on too little."""
        mount = forecast.mount
        if len(forecast.path) < 2 or mount is None or mount.arc_h < ESTABLISHED_H:
            return None
        return cls(
            tuple(utc_s(point.time_utc) for point in forecast.path),
            tuple((point.x_px, point.y_px, point.sigma_px) for point in forecast.path),
            _LEAST_OFF_ARCSEC / mount.scale_arcsec_px,
        )

    def at(self, time_s: float) -> tuple[float, float, float]:
        """Return the place and its spread at a time; held beyond the ends."""
        i = min(max(bisect_left(self.times_s, time_s), 1), len(self.times_s) - 1)
        before, after = self.times_s[i - 1], self.times_s[i]
        share = min(max((time_s - before) / (after - before), -1.0), 1.0)
        (x0, y0, s0), (x1, y1, s1) = self.places[i - 1], self.places[i]
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0), s0 + max(share, 0.0) * (s1 - s0)

    def off(self, disc: Place, lately: Sequence[Place], jitters_px: float) -> "Off":
        """Return how far a disc lies off the way that it kept to lately.

        `jitters_px`: how far it may be shaken from frame to frame.
        """
        recent = [at for at in lately[-RECENT:] if at[0] > lately[-1][0] - RECENT_S]
        then = [self.at(at[0]) for at in recent]
        beside = [(at[1] - was[0], at[2] - was[1]) for at, was in zip(recent, then, strict=True)]
        dx, dy = median(by[0] for by in beside), median(by[1] for by in beside)
        x, y, spread = self.at(disc[0])
        since_s, span_s = disc[0] - recent[-1][0], recent[-1][0] - recent[0][0]
        if len(recent) >= _TELL and 0 < since_s <= span_s:
            # The fit does not know yet how it drifts since it was put here; the last discs do.
            wander_px = max(hypot(by[0] - dx, by[1] - dy) for by in beside)
            spread = min(spread, wander_px * (1 + 2 * since_s / span_s))
        limit_px = max(self.least_px, jitters_px) + _SPREADS * spread
        return Off((disc[1] - x - dx, disc[2] - y - dy), limit_px)
