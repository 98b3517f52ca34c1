"""`clocks-differ`: this camera's clock held against those of the site's other cameras, by the low sun.

Each camera tells what its pictures of a low sun say; who hears of another's compares the two now and then
while the sun is low. A sun that is high, one that only grazes the horizon and cloud tell nothing, and then
nothing is said.
"""

from math import inf
from typing import NamedTuple

import numpy as np

from sentinel.chain.judge.camera_details import ClocksDiffer
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.judge.low_sun import (
    FEWEST,
    LOW_DEG,
    PASS_S,
    clock_difference,
    low_sun_in,
)
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.other_cameras import LEAST_S, SURE_SIGMAS, ClockDifference, ClocksCompared, LowSunSeen
from sentinel.core.records import Forecast, MeasuredFrame, Severity, Surroundings
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.sky import Optics, axis_vector, zenith_in_picture_deg

ROLL_DEG = 3.0
"""1-sigma: with more doubt nobody knows what of an oval is upright. The opposite roll is as good."""
APART_S = 25.0
"""Pictures that follow each other sooner tell the same air's ripples again."""
LONGEST_S = 7200.0
"""Of a pass that is remembered: below 10 degrees a sun that sets in less tells well, another does not."""
EVERY_S = 120.0
"""As long as a pass goes on it is asked again."""
MOST = 8
"""Cameras that are remembered; a site has fewer."""


class TwoClocks(NamedTuple):
    """The present pass of a low sun, and what was found in it and before; bounded."""

    own: tuple[LowSunSeen, ...] = ()
    others: tuple[tuple[str, tuple[LowSunSeen, ...]], ...] = ()
    asked_s: float = -inf
    """When they were last compared."""
    found: tuple[ClocksCompared, ...] = ()
    """The last for each other camera that told anything."""

    synchronised: bool = False
    """This computer's clock has heard the time from elsewhere."""

    def after_surroundings(self, event: Surroundings) -> "TwoClocks":
        """Return the same after what the computer reads of itself."""
        return self._replace(synchronised=event.clock_synchronised is True)

    def after_frame(
        self,
        frame: MeasuredFrame,
        sight: Observation,
        last: Forecast | None,
        soonest_s: float | None,
        context: Context,
    ) -> "TwoClocks":
        """Return the same after a picture of one's own.

        `last`: what is known of the mount.
        `soonest_s`: after its exposure a picture has arrived, at the best; None: not known.
        """
        if sight.sun.altitude_deg >= LOW_DEG:
            return self
        low = _own(frame, sight, last, soonest_s if self.synchronised else None, context)
        return self if low is None else self._replace(own=pass_with(self.own, low))

    def newest(self, frame: MeasuredFrame) -> LowSunSeen | None:
        """Return what a frame that was just taken tells; None: nothing."""
        newest = self.own[-1] if self.own else None
        return newest if newest is not None and newest.time_utc == frame.time_utc else None

    def after_other(self, camera: str, low: LowSunSeen | None, site: Site) -> tuple["TwoClocks", bool]:
        """Return the same after news of another camera, and whether clocks were compared anew."""
        if low is None:
            return self, False
        before = dict(self.others)
        theirs = pass_with(before.pop(camera, ()), low)
        kept = (*list(before.items())[-(MOST - 1) :], (camera, theirs))
        state = self._replace(others=kept)
        time_s = utc_s(low.time_utc)
        if min(len(theirs), len(self.own)) < FEWEST or abs(time_s - self.asked_s) < EVERY_S:
            return state, False
        state = state._replace(asked_s=time_s)
        compared = {one.camera: one for one in self.found}
        for name, pictures in kept:
            new = _compared(name, self.own, pictures, site)
            if new is not None:
                compared.pop(name, None)
                compared[name] = new
        return state._replace(found=tuple(compared.values())[-MOST:]), True

    @property
    def finding(self) -> Finding | None:
        """The two whose clocks differ most surely; None: none do."""
        apart = [one for one in self.found if one.difference.sure]
        if not apart:
            return None
        worst = max(apart, key=lambda one: abs(one.difference.ahead_s) / one.difference.sigma_s)
        d = worst.difference
        return Finding(
            severity=Severity.NOTE,
            onset_s=utc_s(worst.until_utc),
            detail=ClocksDiffer(
                neighbour=worst.camera,
                ahead_s=round(d.ahead_s, 1),
                sigma_s=round(d.sigma_s, 1),
                pictures=d.pictures,
                km_s=round(d.km_s, 1),
                wrong_by_s=worst.wrong_by_s,
                late_s=worst.late_s,
            ),
            story=worst.camera,
        )


def pass_with(pictures: tuple[LowSunSeen, ...], low: LowSunSeen) -> tuple[LowSunSeen, ...]:
    """Return a pass with one more picture; a pause, or a clock that was set back, begins another."""
    time_s = utc_s(low.time_utc)
    since_s = time_s - utc_s(pictures[-1].time_utc) if pictures else inf
    if 0 <= since_s < APART_S:
        return pictures
    if not 0 <= since_s <= PASS_S:
        return (low,)
    begin_s = time_s - LONGEST_S
    return (*(one for one in pictures if utc_s(one.time_utc) >= begin_s), low)


def _compared(
    camera: str, own: tuple[LowSunSeen, ...], theirs: tuple[LowSunSeen, ...], site: Site
) -> ClocksCompared | None:
    found = clock_difference(own, theirs, site)
    if not found.told:
        return None
    until_utc = min(own[-1].time_utc, theirs[-1].time_utc)
    late_s = (theirs if found.ahead_s > 0 else own)[-1].late_s
    return ClocksCompared(camera, until_utc, found, least_wrong_s(found, late_s), late_s)


def least_wrong_s(found: ClockDifference, late_s: float | None) -> float | None:
    """Return by how much at least the clock that is ahead is wrong; None: it may be either.

    A picture arrives after its exposure: a camera whose pictures arrive within `late_s` has no clock that is
    behind by more than that, and the rest of the difference is the other's.
    """
    if late_s is None or not found.sure:
        return None
    least_s = abs(found.ahead_s) - SURE_SIGMAS * found.sigma_s - late_s
    return round(least_s, 1) if least_s > LEAST_S else None


def _own(
    frame: MeasuredFrame, sight: Observation, last: Forecast | None, late_s: float | None, context: Context
) -> LowSunSeen | None:
    mount = last.mount if last is not None else None
    if not sight.trusted or mount is None or mount.roll_sigma_deg is None or mount.roll_sigma_deg > ROLL_DEG:
        return None
    latitude_deg = context.settings.site.latitude_deg
    off_deg = (
        (0.0, 0.0) if mount.axis is None else (mount.axis.azimuth_error_deg, mount.axis.altitude_error_deg)
    )
    zenith_deg = zenith_in_picture_deg(
        np.array(sight.sun.direction),
        (frame.disc.x_px, frame.disc.y_px),
        axis_vector(latitude_deg, *off_deg),
        mount.roll_deg,
        Optics.of_scale(
            mount.scale_arcsec_px, context.settings.camera.pixel_pitch_um, frame.width_px, frame.height_px
        ),
        south=latitude_deg < 0,
    )
    before, after = (context.sun_at(sight.time_s + off_s) for off_s in (-30.0, 30.0))
    rising_deg_s = (after.altitude_deg - before.altitude_deg) / 60
    return low_sun_in(frame, float(zenith_deg), sight.sun.altitude_deg, rising_deg_s, late_s)
