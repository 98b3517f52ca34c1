"""Whether cloud still hides the sun, or has gone and left a frame without it.

Through a front filter a clear sky without the sun and a heavy cloud are both dark. But cloud is lit, and
never the same for long: what it scatters into the frame wavers from minute to minute. A clear sky's frame is
even, and darker than cloud was. Where the files' darkest steps are too coarse to show that, nothing is said:
black after cloud wakes nobody.
"""

from typing import NamedTuple

from sentinel.chain.track.observation import Observation
from sentinel.core.settings import Thresholds

EVEN_SHARE = 0.03
"""Levels within this of each other are even."""
STILL_SHARE = 0.001
"""And within this the same: even the heaviest cloud seldom is, for a quarter of an hour."""
DARKER = 0.87
"""Of the level under cloud: above this it may be cloud as well."""
CLOUD_FRAMES = 5
_STEP_OF_8_BIT = 1 / 255 / 12.92
"""Of the darkest values of a file in the usual encoding, linear."""
_COARSE_STEPS = 3


class Overcast(NamedTuple):
    """What frames without a disc have shown; bounded."""

    clouds: int = 0
    """Frames that cloud lit, up to as many as are needed."""
    cloud_level: float = 0.0
    """How bright they were of late."""
    since_s: float | None = None
    """Since when all has been even."""
    low: float = 0.0
    high: float = 0.0

    def paused(self) -> "Overcast":
        """Return the same when the sun is seen, or is not expected: evenness is counted anew."""
        return self._replace(since_s=None) if self.since_s is not None else self


def looked(state: Overcast, sight: Observation, limits: Thresholds) -> Overcast:
    """Take a frame that shows no disc with the sun up; low in the haze the sun goes out by itself."""
    if sight.sun.altitude_deg < limits.faint_below_deg or sight.found:
        return state.paused()
    level = sight.brightness
    low, high = min(state.low, level), max(state.high, level)
    if state.since_s is None:
        return state._replace(since_s=sight.time_s, low=level, high=level)
    if high - low <= EVEN_SHARE * high and level < limits.cloud_glow_level:
        return state._replace(low=low, high=high)
    # It wavers, or is lit: cloud.
    known = state.clouds > 0
    usual = state.cloud_level + 0.2 * (level - state.cloud_level) if known else level
    return Overcast(min(state.clouds + 1, CLOUD_FRAMES), usual, sight.time_s, level, level)


class Cleared(NamedTuple):
    """A sky that looks clear, and no disc in it."""

    since_s: float
    still: bool
    """So even that it is known soon; else only when cloud would long have wavered."""


def cleared(state: Overcast) -> Cleared | None:
    """Return since when the sky has looked clear; None: it may as well be cloud."""
    if state.since_s is None or state.clouds < CLOUD_FRAMES or is_coarse(state.high):
        return None
    if not 0 < state.high < DARKER * state.cloud_level:
        return None
    return Cleared(state.since_s, state.high - state.low <= STILL_SHARE * state.high)


def is_coarse(level: float) -> bool:
    """Whether a level is one of the darkest steps of an 8-bit file: cloud and sky fall on the same one."""
    steps = level / _STEP_OF_8_BIT
    return steps < _COARSE_STEPS + 0.5 and abs(steps - round(steps)) < 0.005
