"""How the camera sits on the mount, told by somebody or by a pause of the drive."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.fit import RollPrior
from sentinel.chain.forecast.pointing import STOP_S, LikeliestMount, stopped_px
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

PictureTop = Literal["pole", "away", "west", "east"]
WHOLE_PACE = 0.12
"""A mount that stands lets the disc go at the sky's own rate, to within this share of it."""
PART_PACE = 0.1
"""A step of less than this share is none of a pause."""


@dataclass(frozen=True, slots=True)
class RollSpread:
    """How well a roll is told: in this share of cases it is true, to so many degrees."""

    share: float
    sigma_deg: float

    def about(self, roll_rad: float) -> RollPrior:
        """Return what is known of the roll then."""
        sharpness = np.radians(self.sigma_deg) ** -2
        return RollPrior(np.array([[self.share]]), np.array([[roll_rad]]), np.array([[sharpness]]))


TOLD_ROLL = RollSpread(0.99, 12.0)
"""How well somebody tells how the camera sits."""
PAUSED_ROLL = RollSpread(0.995, 1.2)
"""How well a pause of the drive shows it."""


def roll_of_top(top: PictureTop, *, southern: bool) -> float:
    """Return the roll (rad) of a camera whose picture's top points so with the lens at the sun.

    As `sky.mount.Pose`: seen from behind the camera west is on the right of the pole in the north, on its
    left in the south.
    """
    turn = {"pole": 0.0, "away": np.pi, "west": np.pi / 2, "east": -np.pi / 2}[top]
    return -turn if southern else turn


def rolled_by(
    sun: Sun, lead: LikeliestMount, discs: Sequence[TrackedDisc], scale_arcsec_px: float, *, told: bool
) -> float | None:
    """Return the roll (rad) that a pause of the drive shows, None where it shows none.

    Parameters
    ----------
    discs
        The last one before the pause, those in it, and the first after it.
    told
        Somebody says that the drive stood: then parts of a step tell the way as well as a whole one does.
    """
    ways: list[complex] = []
    whole = told
    for one, other in pairwise(discs):
        expected = _standing_px(sun, lead, one.utc_s, other.utc_s, scale_arcsec_px)
        seen = complex(other.x_px - one.x_px, other.y_px - one.y_px)
        pace = abs(seen) / max(abs(expected), 1e-9)
        if not PART_PACE < pace < 1 + WHOLE_PACE:
            continue
        ways.append(seen * expected.conjugate())
        whole = whole or pace > 1 - WHOLE_PACE
    if not (ways and whole):
        return None
    total = sum(ways)
    if abs(total) < 0.98 * sum(abs(way) for way in ways):
        # Not on one line: somebody pushed the camera about.
        return None
    # Picture coordinates turn by minus the roll.
    return lead.roll_rad - float(np.angle(total))


def _standing_px(
    sun: Sun, lead: LikeliestMount, from_s: float, until_s: float, scale_arcsec_px: float
) -> complex:
    """Return how far the disc goes on a mount that stands, x + i y, pixels of the lead's roll."""
    way: Array = stopped_px(sun, lead, from_s, scale_arcsec_px)
    x, y = (float(np.interp(until_s - from_s, STOP_S, side)) for side in way)
    return complex(x, y)
