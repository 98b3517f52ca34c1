"""How the camera sits on the mount, told by somebody or by a pause of the drive."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.fit import GaussianPrior
from sentinel.chain.forecast.geometry import ONE_PART, Geometry, Points
from sentinel.chain.forecast.pointing import LikeliestMount, standing_px
from sentinel.chain.forecast.roll_prior import RollPrior
from sentinel.sky.arrays import Array
from sentinel.sky.sun import Sun

PictureTop = Literal["pole", "away", "west", "east"]
WHOLE_PACE = 0.12
"""A mount that stands lets the disc go at the sky's own rate, to within this share of it."""
PART_PACE = 0.1
"""A step of less than this share is none of a pause."""
SHORT_S = 1800.0
DRIFT_ARCSEC_S = 0.2
"""On an axis set by day the disc drifts so fast while the drive turns."""
LINE_RAD = np.radians(0.2)
"""Lens and sensor draw a line no straighter."""
_LENGTH_SHARE = 0.2
_STEP_DEG = 1e-3


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


def roll_of_top(top: PictureTop, *, southern: bool) -> float:
    """Return the roll (rad) of a camera whose picture's top points so with the lens at the sun.

    As `sky.mount.Pose`: seen from behind the camera west is on the right of the pole in the north, on its
    left in the south.
    """
    turn = {"pole": 0.0, "away": np.pi, "west": np.pi / 2, "east": -np.pi / 2}[top]
    return -turn if southern else turn


@dataclass(frozen=True, slots=True)
class Pause:
    """What the disc did while the drive stood: it went due west. That ties the roll to the axis.

    How far the mount's own west is from the sky's depends on the axis: what is measured is of both.
    """

    geometry: Geometry
    begin_s: float
    """When the drive stopped, about,"""
    end_s: float
    """and when it went on."""
    begin: Array
    """(k, 3) where the sun was at the start of each step,"""
    end: Array
    """and at its end."""
    paces: Array
    """(k,) by what share of the sky's pace the disc went"""
    way_arcsec: Array
    """(2,) all steps together, in the picture"""
    sigma_arcsec: float
    """How far off its line that may be."""

    @property
    def is_short(self) -> bool:
        """Whether it is a pause: a drive that stood for longer had stopped, and somebody came."""
        return self.end_s - self.begin_s <= SHORT_S

    def added_to(self, prior: GaussianPrior, points: Points) -> GaussianPrior:
        """Return what is known of some points once the pause is known too."""
        here = self._line(points)
        answers = np.zeros(prior.precision.shape[:2])
        length = np.hypot(*here.T)
        along = here / length[:, None]
        across = np.stack([-along[:, 1], along[:, 0]], axis=1)
        for k, step in enumerate(("azimuth_deg", "altitude_deg")):
            aside = self._line(replace(points, **{step: getattr(points, step) + _STEP_DEG})) - here
            answers[:, k] = (across * aside).sum(axis=1) / _STEP_DEG
        x, y = self.way_arcsec
        # Unrolled it is (cos x - sin y, sin x + cos y).
        turned = np.array([[x, -y], [y, x]])
        none = np.zeros((len(points), 1))
        off_line = np.concatenate([across @ turned, none], axis=1)
        # West and not east: that is all that its length is to say.
        short = np.concatenate([along @ turned, none - np.hypot(x, y)], axis=1)
        lined = prior.knowing(off_line, answers, self.sigma_arcsec)
        return lined.knowing(short, 0 * answers, _LENGTH_SHARE * float(np.hypot(x, y)))

    def _line(self, points: Points) -> Array:
        """Return the way of the disc on mounts that stand, (m, 2), before the camera's roll."""
        held = np.full(len(self.paces), self.begin_s)
        part = ONE_PART
        begin, end = (self.geometry.tangent(at, held, part, points) for at in (self.begin, self.end))
        return np.asarray(((end - begin) * self.paces[:, None]).sum(axis=1))


def pause_in(
    sun: Sun,
    lead: LikeliestMount,
    discs: Sequence[TrackedDisc],
    scale_arcsec_px: float,
    *,
    jitter_arcsec: float,
    told: bool,
) -> Pause | None:
    """Return the pause of the drive that some discs show, None where they show none.

    `discs`: those in the pause; untold the last one before it, and the first after it, too.
    `jitter_arcsec`: what wind and seeing do to a disc.
    `told`: somebody says that the drive stood: then parts of a step tell the way as well as a whole one does.
    """
    steps: list[tuple[TrackedDisc, TrackedDisc]] = []
    ways: list[complex] = []
    paces: list[float] = []
    for one, other in pairwise(discs):
        expected = standing_px(sun, lead, one.utc_s, other.utc_s, scale_arcsec_px)
        seen = complex(other.x_px - one.x_px, other.y_px - one.y_px)
        pace = abs(seen) / max(abs(expected), 1e-9)
        if PART_PACE < pace < 1 + WHOLE_PACE:
            steps.append((one, other))
            ways.append(seen * expected.conjugate())
            paces.append(pace)
    if not ways or not (told or max(paces) > 1 - WHOLE_PACE):
        return None
    if abs(sum(ways)) < 0.98 * sum(abs(way) for way in ways):
        # Not on one line: somebody pushed the camera about.
        return None
    return _pause(sun, lead.geometry, steps, np.array(paces), scale_arcsec_px, jitter_arcsec)


def _pause(  # noqa: PLR0917 - what was seen, and through which lens
    sun: Sun,
    geometry: Geometry,
    steps: Sequence[tuple[TrackedDisc, TrackedDisc]],
    paces: Array,
    scale_arcsec_px: float,
    jitter_arcsec: float,
) -> Pause:
    begin, end = (np.array([step[side].utc_s for step in steps]) for side in (0, 1))
    way: Array = scale_arcsec_px * np.sum([other.xy - one.xy for one, other in steps], axis=0)
    # While it still tracked, or again, the disc went its other way.
    tracked_s = float(((end - begin) * np.clip(1 - paces, 0, None)).sum())
    off = np.array(
        [jitter_arcsec * np.sqrt(2), DRIFT_ARCSEC_S * tracked_s, LINE_RAD * float(np.hypot(*way.tolist()))]
    )
    return Pause(
        geometry=geometry,
        begin_s=float(begin[0]),
        end_s=float(end[-1]),
        begin=sun.middle_direction(begin),
        end=sun.middle_direction(end),
        paces=paces,
        way_arcsec=way,
        sigma_arcsec=float(np.sqrt((off**2).sum())),
    )
