"""How flat the coming disc will be, and which way: what whole discs of the session and the air let expect.

Ovals here are complex shares of the radius: half the difference of the half-axes, twice the long axis'
direction in the picture their argument.
"""

from collections import deque
from collections.abc import Callable
from math import hypot, isfinite

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.intake.disc_prior import OvalAhead
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import HOUR_S, utc_s
from sentinel.sky import Sun, flattening
from sentinel.sky.arrays import Array

Complex = NDArray[np.complex128]
Air = Callable[[Array], Complex]
"""What the air does at times (utc_s, (n,)) in a picture whose up is celestial north, or, of a camera that
stands, the zenith."""

KEPT, ENOUGH = 15, 5
"""Discs that are remembered, and with fewer of which nothing is foreseen."""
WHOLE = 0.95
"""Coverage of the limb from which a disc's oval is believed: cloud bends what is left of a limb."""
OWN, OWN_PX = 3e-4, 0.05
"""An oval that sits in the picture, of lens and sensor; and of a trail that the eye takes for one."""
UNEVEN_PX = 0.02
"""What a single disc's oval is off however well it is told: seeing, thin cloud."""
CHANGE_SHARE = 0.5
"""Of what the oval is reckoned to change since the discs were seen: layers of air, a place that is wrong."""
TURN_RAD_H = 0.1
"""How much faster than reckoned the picture may turn, doubled as an oval counts it: a drive that stands."""
FAR = 4.0
"""Sigmas that the latest disc is off the others by from which the camera may have been turned."""
AHEAD_H, STEP_H = 6.0, 1.0 / 6.0
"""For how long after the last such disc it is foreseen, and how finely."""


def air_over(settings: Settings) -> Air:
    """Return how the air flattens the sun over a site, in the picture of a camera that is carried as told."""
    site, turns = settings.site, settings.mount.tracking != "none"
    sun = Sun(site)

    def air(time_s: Array) -> Complex:
        altitude_deg, _ = sun.altaz_deg(time_s)
        flat = (1 - flattening(altitude_deg, site.pressure_hpa, site.temperature_c)) / 2
        # The zenith stands the parallactic angle counter-clockwise of north; ours are counted clockwise.
        turn_rad = np.radians(sun.parallactic_angle_deg(time_s)) if turns else np.zeros(np.shape(time_s))
        return np.asarray(flat * np.exp(-2j * turn_rad), complex)

    return air


class SessionOvals:
    """Learns how the air flattens a session's discs, in order, and foretells the next ones.

    How the camera sits need not be known: the discs tell, and the air only how they change.
    """

    def __init__(self, air: Air) -> None:
        self._air = air
        self._discs: deque[tuple[float, complex, float]] = deque(maxlen=KEPT)

    def learn(self, frame: MeasuredFrame) -> None:
        """Take a measured frame into account."""
        disc = frame.disc
        if disc.found and disc.limb_coverage >= WHOLE and isfinite(disc.oval_sigma_px):
            oval_px = complex(disc.oval_cos2_px, disc.oval_sin2_px)
            sigma_px = hypot(disc.oval_sigma_px, UNEVEN_PX)
            self._discs.append((utc_s(frame.time_utc), oval_px / disc.radius_px, sigma_px / disc.radius_px))
            self._own = hypot(OWN, OWN_PX / disc.radius_px)

    def ahead(self) -> OvalAhead | None:
        """Return what is foreseen now; None where too little was seen.

        The picture's oval is `a air + b`: how strong the air is and how the camera sits is in the one, what
        lens and sensor do in the other.
        """
        if len(self._discs) < ENOUGH:
            return None
        time_s, oval, sigma = (np.array(column) for column in zip(*self._discs, strict=True))
        then_s = time_s.max() + np.arange(0.0, AHEAD_H + STEP_H / 2, STEP_H) * HOUR_S
        # A stretch of frames may hold some that were exposed before the last disc that told.
        then_s = np.concatenate([[time_s.min()], then_s])
        seen, then = self._air(time_s), self._air(then_s)
        design = np.stack([seen, np.ones_like(seen)], axis=1)
        heard, held = design.conj().T / sigma**2, np.array([1.0, self._own]) ** -2.0
        covariance = np.linalg.inv(heard @ design + np.diag(held))
        told = covariance @ (heard @ oval)
        off = np.abs(oval - design @ told)
        # What discs and settings do not agree on shows in either.
        left = float((off**2 / sigma**2).sum() + (held * np.abs(told) ** 2).sum()) / (2 * len(oval) - 2)
        turned = off[-1] if off[-1] > FAR * sigma[-1] else 0.0
        answer = np.stack([then, np.ones_like(then)], axis=1)
        foreseen = answer @ told
        variance = np.einsum("ni,ij,nj->n", answer, covariance, answer.conj()).real * max(left, 1.0)
        changes = CHANGE_SHARE * np.abs(told[0] * (then - seen.mean()))
        turns = TURN_RAD_H * np.abs(foreseen) * np.abs(then_s - time_s.mean()) / HOUR_S
        sd = np.sqrt(variance + changes**2 + turns**2 + turned**2)
        return OvalAhead(*(tuple(column.tolist()) for column in (then_s, foreseen.real, foreseen.imag, sd)))
