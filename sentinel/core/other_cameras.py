"""What one camera of a site tells the others of the sun, and what is heard of them."""

from dataclasses import dataclass
from datetime import datetime
from math import inf, nan
from typing import Literal

TOLD_S, LEAST_S = 30.0, 2.0
"""1-sigma: with more doubt nothing is said of the clocks. And clocks that are nearer to each other agree."""
SURE_SIGMAS = 4.0
"""Clocks differ for sure by so much: the air is never what was reckoned (errors are 1.1 of their sigmas in
independent worlds), and they are compared many times an evening."""

SunState = Literal["seen", "missing", "unknown"]
"""Missing: it is up and not seen. Unknown: it is not expected, or what happens at that camera explains it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LowSunSeen:
    """What a picture of a low sun tells of its camera's clock, beside those of another camera."""

    time_utc: datetime
    """Of the exposure, by the camera's own clock."""
    altitude_deg: float
    """Apparent, as reckoned for that time and the camera's own place."""
    rising_deg_s: float
    """How fast that grows; negative: the sun sets."""
    oval_up: float
    """Half the difference of the half-axes, in radii, turned so that the zenith is up: what is longer along
    the level is positive, as the air makes it."""
    oval_aside: float
    """The same for what is longer along the half-way from level to upright."""
    oval_sigma: float
    """Of either."""
    zenith_deg: float
    """Where the zenith is in the picture, clockwise from up."""
    corner_cos2: float
    """Of where the disc is in it the square, from the middle and a corner's being 1 in size, times the cosine
    and the sine of twice its direction: as a lens draws what is off its axis long."""
    corner_sin2: float
    late_s: float | None = None
    """How soon after its exposure a picture has arrived, at the best, by a computer that is on network time:
    the camera's clock is not behind by more. None: not known."""


@dataclass(frozen=True, slots=True)
class ClockDifference:
    """By how much the first camera's clock is ahead of the other's, 1-sigma; NaN: not known."""

    ahead_s: float = nan
    sigma_s: float = inf
    pictures: int = 0
    km_s: float = nan
    """For how many seconds a kilometre passes that one of the places is wrong by."""

    @property
    def told(self) -> bool:
        """Whether it is known well enough to be said."""
        return self.sigma_s <= TOLD_S

    @property
    def sure(self) -> bool:
        """Whether the clocks differ for sure, and by more than matters."""
        return self.told and abs(self.ahead_s) > max(LEAST_S, SURE_SIGMAS * self.sigma_s)


@dataclass(frozen=True, slots=True)
class ClocksCompared:
    """What was last found of another camera's clock."""

    camera: str
    until_utc: datetime
    """Exposure of the last picture that it stands on."""
    difference: ClockDifference
    """This camera's clock is ahead by so much."""
    wrong_by_s: float | None = None
    late_s: float | None = None
    """As `ClocksDiffer` has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSeen:
    """Whether a camera sees the sun."""

    state: SunState
    since_utc: datetime
    """Exposure of the first picture since which that has been so without a break."""
    frame_utc: datetime
    """And of the last."""
    low: LowSunSeen | None = None
    """What the last tells of the clock; None: nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherCamera:
    """What was heard of another camera of the site: an event, so that a replay hears the same."""

    time_utc: datetime
    """When it was heard."""
    camera: str
    sun: SunSeen
