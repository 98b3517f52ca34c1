"""The discs that the fit stands on: those of the present part of the track, and how restless.

Which disc belongs to which part is for `chain.track` to say. One that does not waits: it may turn out to be
the first of a new part.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np

from sentinel.chain.forecast.bins import Arc, Bins
from sentinel.chain.forecast.level import up_in_picture
from sentinel.chain.forecast.light import DOWN_DEG
from sentinel.chain.forecast.periodic_error import PeriodicError, find_periodic_error
from sentinel.chain.forecast.zenith import oval_of
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

WAITING = 90
RECENT_DISCS = 360
LATE_NEAR_S = 1200.0
LATE_NEAR_ARCSEC = 60.0
"""A late disc is believed where those about it, in time, are as near as this."""
UNSAID_SIGMA_PX = 0.5
"""Uncertainty of a centre for which none is given."""
LEAST_SIGMA_PX, MOST_SIGMA_SHARE = 0.02, 0.15
"""No centre is known better than this, and one known worse than this share of the radius tells nothing."""
LEAST_COVERAGE = 0.08
WORM_SPAN_S = 3 * 3600.0
PRIOR_FREEDOM = 4.0
PRIOR_JITTER_ARCSEC = 8.0
ALIKE, ALIKE_WITH_WORM = 1.5, 2.5
"""Neighbouring discs err together: so many count as one, and so many while an unknown worm may be at work."""


@dataclass(frozen=True, slots=True)
class TrackedDisc:
    """One disc worth looking at."""

    utc_s: float
    x_px: float
    y_px: float
    radius_px: float
    sigma_px: float
    oval: complex = 0j
    """How far it is from round: half the difference of its half-axes over the radius; twice the direction of
    the longer, from +x to +y, is its argument."""
    oval_sigma: float = np.inf
    """Of either part."""
    up: complex = 0j
    """Which way was up in its picture, as `level.up_in_picture` has it."""

    @property
    def xy(self) -> Array:
        """Centre, (2,)."""
        return np.array([self.x_px, self.y_px])


@dataclass(frozen=True, slots=True)
class Unrest:
    """What moves the disc from one frame to the next."""

    jitter_arcsec: float = PRIOR_JITTER_ARCSEC
    """Wind and seeing, and the worm where it is not known: 1-sigma in one coordinate."""
    periodic_error: PeriodicError | None = None

    @property
    def variance(self) -> float:
        """What one of many discs counts for, the worm taken out, arcsec^2."""
        return ALIKE * self.jitter_arcsec**2


def tracked_disc(frame: MeasuredFrame, sun: Sun, slack_px: float) -> TrackedDisc | None:
    """Return the disc of a frame, None where it shows none that tells of the track.

    `slack_px`: while the gears take up their slack: the disc is about there, but its drift means nothing.
    """
    disc, at = frame.disc, utc_s(frame.time_utc)
    numbers = (disc.x_px, disc.y_px, disc.radius_px)
    # A table made elsewhere may say no uncertainty: then the disc counts, for as much as a careful eye's.
    own_sigma = disc.centre_sigma_px if np.isfinite(disc.centre_sigma_px) else UNSAID_SIGMA_PX
    if frame.error is not None or not disc.found or not np.isfinite(numbers).all() or disc.radius_px <= 0:
        return None
    sun_is_down = float(sun.altaz_deg(at)[0]) < DOWN_DEG
    if sun_is_down or disc.limb_coverage < LEAST_COVERAGE or own_sigma > MOST_SIGMA_SHARE * disc.radius_px:
        return None
    # A limb seen in part leaves the centre open along one direction, and more than its sigma may say.
    doubt = 1.0 + 2.0 * max(0.0, 0.5 - disc.limb_coverage)
    sigma = float(np.hypot(max(own_sigma, LEAST_SIGMA_PX) * doubt, slack_px))
    return TrackedDisc(at, *numbers, sigma, *oval_of(disc), up_in_picture(frame.orientation))


class Discs:
    """The discs of the present part, binned; those that wait; and the last ones of all parts."""

    def __init__(self) -> None:
        self.bins = Bins()
        self.part = 0
        self.parts = 1
        self.first_utc_s = np.inf
        """Of the whole session."""
        self.last: TrackedDisc | None = None
        self.waiting: deque[TrackedDisc] = deque(maxlen=WAITING)
        """Seen since the last one, and not on the track."""
        self.unrest = Unrest()
        self._recent: deque[tuple[TrackedDisc, int]] = deque(maxlen=RECENT_DISCS)
        self._since_put = np.inf
        """How many discs the part has, where somebody put the disc there."""

    def take(self, disc: TrackedDisc) -> None:
        """Take a disc of the present part; what waited was none."""
        self.waiting.clear()
        self._add(disc)

    def begin_part(self, number: int, began_s: float) -> None:
        """Begin a new part: of those that waited, what came since belongs to it."""
        self.part = number
        self.parts += 1
        self.bins.forget(began_s)
        waited = [disc for disc in self.waiting if disc.utc_s >= began_s]
        self.waiting.clear()
        self._since_put = 0
        for disc in waited:
            self._add(disc)

    def take_late(self, disc: TrackedDisc, scale_arcsec_px: float) -> None:
        """Put a late disc into its bin where the discs about it agree with it; else leave it."""
        near = self.bins.near(disc.utc_s, LATE_NEAR_S)
        if near is not None and float(np.hypot(*(near - disc.xy))) * scale_arcsec_px <= LATE_NEAR_ARCSEC:
            self._into_bin(disc)

    def _add(self, disc: TrackedDisc) -> None:
        if self._since_put == 1:
            # At the first the gears may still have been taking up their slack: it counts only while alone.
            self.bins.forget(disc.utc_s)
            self._recent.pop()
        self._since_put += 1
        self._into_bin(disc)
        self.first_utc_s = min(self.first_utc_s, disc.utc_s)
        self.last = disc
        self._recent.append((disc, self.part))

    def _into_bin(self, disc: TrackedDisc) -> None:
        self.bins.add(disc.utc_s, disc.x_px, disc.y_px, disc.sigma_px, disc.oval, disc.oval_sigma, disc.up)

    def renew_unrest(self, scale_arcsec_px: float) -> None:
        """Work out worm and jitter anew from the last discs: too dear to do for every one."""
        rows = [
            (disc.utc_s, disc.x_px, disc.y_px, part)
            for disc, part in self._recent
            if disc.utc_s > self._recent[-1][0].utc_s - WORM_SPAN_S
        ]
        table = np.array(rows).reshape(-1, 4)
        discs = table[:, 0], table[:, 1:3] * scale_arcsec_px, table[:, 3]
        found = find_periodic_error(*discs, self.unrest.periodic_error)
        if found[0] is None and self.unrest.periodic_error is not None:
            found = find_periodic_error(*discs)
        worm, squares, freedom = found
        squares = squares / 2 + PRIOR_JITTER_ARCSEC**2 * PRIOR_FREEDOM
        self.unrest = Unrest(float(np.sqrt(squares / (freedom + PRIOR_FREEDOM))), worm)

    def unrest_of(self, arc: Arc, interval_s: float) -> tuple[Array, Array]:
        """Return what the worm does to the bins, (n, 2) arcsec, and the covariance (n, n) of unrest."""
        jitter, worm = self.unrest.jitter_arcsec, self.unrest.periodic_error
        if worm is None:
            # A worm may well be there: what neighbouring discs err, they err together.
            return np.zeros((len(arc), 2)), np.diag(jitter**2 / np.maximum(arc.count / ALIKE_WITH_WORM, 1.0))
        moved, left = worm.taken_out(arc.utc_s, arc.count, interval_s, self.unrest.variance)
        return moved, left + np.diag(jitter**2 / np.maximum(arc.count / ALIKE, 1.0))
