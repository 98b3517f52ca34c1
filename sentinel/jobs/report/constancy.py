"""Did the disc keep its size? With the change that would have been seen, and what it says about distance.

Whoever is carried round by the Earth comes nearer to the sun, by up to the Earth's radius, as it climbs. For
the true sun that is 0.004 % of its distance; anything much nearer would grow and shrink. So the size of a
disc that climbs and sinks tells how far away it is at least, whatever the lens.
"""

from dataclasses import dataclass

import numpy as np

from sentinel.core.times import DAY_S
from sentinel.jobs.report.record import Columns
from sentinel.jobs.report.thinning import pieces
from sentinel.jobs.trend import Trend, correlation_of, trend_of
from sentinel.sky.arrays import Array, Bools

EARTH_RADIUS_KM = 6371.0
AU_KM = 149_597_870.7
MOON_KM = 384_400.0
LEAST_CLIMB = 0.05
"""In the sine of the altitude, from the lowest disc to the highest: less tells nothing of distance."""
FEWEST = 12
BINS = 240
"""Means that the lines are drawn through: pictures of one minute share their seeing."""
SURE = 2.0
"""Sigmas of what is called a limit: 95 %."""
CLEAR_COVERAGE = 0.9
"""Of the limb: behind cloud the radius is the cloud's as well."""
LOWEST_DEG = 2.0
"""Below this the real air squeezes the disc's width and height by amounts that no formula knows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Constancy:
    """The radius of whole discs against the computed one, in percent; lines through means over time."""

    hours: float
    discs: int
    scatter: float
    """Root mean square of single pictures about their mean."""
    a_day: Trend
    climb: Trend | None
    """Change for one more in the sine of the altitude; None: the sun stood too nearly at one altitude."""
    lowest_deg: float
    highest_deg: float
    distance_change: float
    """By how much the computed radius itself changed, percent."""
    focus: tuple[float, float]
    """Correlation with the width of the limb's edge, and its sigma."""

    @property
    def span_sine(self) -> float:
        """How much the sine of the altitude changed."""
        return float(np.sin(np.radians(self.highest_deg)) - np.sin(np.radians(self.lowest_deg)))

    @property
    def change(self) -> tuple[float, float]:
        """How much the radius changed over the session beside the computed one, percent, and its sigma."""
        return self.a_day.slope * self.hours / 24, self.a_day.sigma * self.hours / 24

    @property
    def least_change(self) -> float:
        """The smallest change over the session, percent, that would have stood out from nothing."""
        return SURE * self.change[1]

    @property
    def grown(self) -> tuple[float, float] | None:
        """How much the disc grew as it climbed, percent, and its sigma; None: it climbed too little."""
        if self.climb is None:
            return None
        return self.climb.slope * self.span_sine, self.climb.sigma * self.span_sine

    def grown_at(self, distance_km: float) -> float:
        """Return by how much a disc so far away would have grown, percent."""
        return 100 * EARTH_RADIUS_KM / distance_km * self.span_sine

    @property
    def tells_distance(self) -> bool:
        """Whether a distance explains how it grew: a disc that shrinks as it climbs has none."""
        if self.grown is None:
            return False
        grown, sigma = self.grown
        return grown + SURE * sigma > 0 and grown > -3 * sigma

    @property
    def nearest_km(self) -> float | None:
        """How far away the disc must be at least, by its size at its altitudes; None: not told."""
        if self.climb is None:
            return None
        # What is measured is the difference to the true sun, whose own share is taken out by the computation.
        most = max(self.climb.slope, 0.0) + SURE * self.climb.sigma
        return EARTH_RADIUS_KM / (most / 100 + EARTH_RADIUS_KM / AU_KM)


def constancy_of(columns: Columns, percent: Array) -> Constancy | None:
    """Return how well the radius kept, from measured less computed radii (n,), NaN where there is none."""
    good = np.isfinite(percent) & (columns.altitude_deg >= LOWEST_DEG) & (columns.coverage >= CLEAR_COVERAGE)
    if good.sum() < FEWEST or not np.ptp(columns.utc_s[good]) > 0:
        return None
    times, sine, size, edge = _means(columns, percent, good)
    if len(times) < FEWEST:
        return None
    days = (times - times[0]) / DAY_S
    lowest, highest = float(columns.altitude_deg[good].min()), float(columns.altitude_deg[good].max())
    climb = trend_of(sine, size) if np.ptp(sine) >= LEAST_CLIMB else None
    computed = columns.sun_radius_arcsec[good]
    # Both wander slowly with temperature: what they have in common beside a line counts.
    rest = size - np.polyval(np.polyfit(days, size, 1), days)
    edge_rest = edge - np.polyval(np.polyfit(days, edge, 1), days)
    return Constancy(
        hours=float(np.ptp(columns.utc_s[good])) / 3600,
        discs=int(good.sum()),
        scatter=float(percent[good].std()),
        a_day=trend_of(days, size),
        climb=climb,
        lowest_deg=lowest,
        highest_deg=highest,
        distance_change=float(100 * (computed[-1] / computed[0] - 1)),
        focus=correlation_of(rest, edge_rest),
    )


def _means(columns: Columns, percent: Array, good: Bools) -> tuple[Array, Array, Array, Array]:
    """Return time, sine of altitude, size and edge width as medians over equal stretches of time."""
    at = np.flatnonzero(good & np.isfinite(columns.edge_px))
    if not at.size:
        return (np.zeros(0),) * 4
    times = columns.utc_s[at]
    slot = ((times - times[0]) / max(float(np.ptp(times)), 1.0) * BINS).astype(int)
    groups = pieces(at, np.diff(slot) > 0)
    sine = np.sin(np.radians(columns.altitude_deg))
    means = [
        [float(np.median(values[group])) for group in groups]
        for values in (columns.utc_s, sine, percent, columns.edge_px)
    ]
    return tuple(np.array(one) for one in means)  # type: ignore[return-value]
