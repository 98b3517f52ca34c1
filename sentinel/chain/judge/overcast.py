"""Whether cloud still hides the sun, or has gone and left a frame without it.

Through a front filter a clear sky without the sun and a heavy cloud are both dark. But cloud is lit, and
never the same for long: what it scatters into the frame wavers from minute to minute. A clear sky's frame is
even, and darker than cloud was. Where the files' darkest steps are too coarse to show that, cloud goes from
one step to another all the same, and a clear sky stays on the darkest: for much longer than cloud ever did.
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
_ON_STEP = 0.005
"""So near a whole step a level is that step: it was rounded on its way here."""
_FOLLOWS = 0.2
"""How bright cloud is changes within some frames."""
COARSE_STAYS = 4.0
"""So many times as long as it ever stayed on one step under cloud: of forty invented sessions of six hours'
overcast, at any darkness, one or two go on that long by chance."""


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
    coarse: int = 0
    """How often cloud left one of the darkest steps of the file, up to as often as is needed."""
    longest_s: float = 0.0
    """For how long it stayed on one at most."""

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
    usual = state.cloud_level + _FOLLOWS * (level - state.cloud_level) if known else level
    coarse, longest_s = state.coarse, state.longest_s
    if is_coarse(state.high):
        coarse = min(coarse + 1, CLOUD_FRAMES)
        longest_s = max(longest_s, sight.time_s - state.since_s)
    clouds = min(state.clouds + 1, CLOUD_FRAMES)
    return Overcast(clouds, usual, sight.time_s, level, level, coarse, longest_s)


class Cleared(NamedTuple):
    """A sky that looks clear, and no disc in it."""

    since_s: float
    still: bool
    """So even that it is known soon; else only when cloud would long have wavered."""


def cleared(state: Overcast, time_s: float) -> Cleared | None:
    """Return since when the sky has looked clear; None: it may as well be cloud."""
    if state.since_s is None or state.clouds < CLOUD_FRAMES or state.high >= DARKER * state.cloud_level:
        return None
    if is_coarse(state.high):
        # How long cloud stays on a step is known only of cloud that dark.
        long = time_s - state.since_s >= COARSE_STAYS * state.longest_s
        return Cleared(state.since_s, still=False) if long and state.coarse >= CLOUD_FRAMES else None
    return Cleared(state.since_s, state.high - state.low <= STILL_SHARE * state.high)


def is_coarse(level: float) -> bool:
    """Whether a level is one of the darkest steps of an 8-bit file: cloud and sky fall on the same one."""
    steps = level / _STEP_OF_8_BIT
    return steps < _COARSE_STEPS + 0.5 and abs(steps - round(steps)) < _ON_STEP
