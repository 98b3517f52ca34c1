"""Which way the disc goes in the picture when the mount stops: told by the forecasts' roll."""

from collections.abc import Sequence
from typing import NamedTuple

from sentinel.chain.track.path import Vector, west_from_roll
from sentinel.core.angles import half_turn_deg
from sentinel.core.records import Forecast

FORECASTS = 3
"""So many in a row must agree before their roll is believed."""
WEST_AGREES_DEG, LINE_AGREES_DEG = 4.0, 6.0
ROLL_KNOWN_SHARE = 0.985
"""Of all rolls that explain the track: hardly any other is possible then."""
_ROLL_DOUBTS = frozenset({"too-little-arc", "roll-open", "departed"})
_LINE_DOUBTS = frozenset({"too-little-arc", "departed"})


class DriveLine(NamedTuple):
    """The drive's way in the picture, as far as it is known.

    A camera turned by half a turn on a mirrored axis draws nearly the same track for hours: the line is known
    long before its sign.
    """

    rolls: tuple[float, ...] = ()
    lines: tuple[float, ...] = ()
    """The last rolls, open or not."""
    west: Vector | None = None
    """Which way the disc goes when the mount stops, where the forecasts agree on it."""
    sure: bool = False
    """Whether hardly any other way is possible."""
    line: Vector | None = None
    """The way of the drive, forward or backward."""

    @property
    def known(self) -> Vector | None:
        """The way where it is known, else the line with an arbitrary sign; None: neither is known."""
        return self.west or self.line

    def after(self, forecast: Forecast, *, southern: bool) -> "DriveLine":
        """Return what is known once a forecast has come."""
        mount, doubts = forecast.mount, set(forecast.flags)
        roll = mount.roll_deg if mount is not None else None
        here = self
        if roll is not None and not _LINE_DOUBTS & doubts:
            # A line comes round after half a turn: twice its angle after a whole one.
            lines = (*here.lines[-(FORECASTS - 1) :], roll)
            agreed = _agree([2 * roll_deg for roll_deg in lines], 2 * LINE_AGREES_DEG)
            line = west_from_roll(roll, southern=southern) if agreed else here.line
            here = here._replace(lines=lines, line=line)
        if mount is None or _ROLL_DOUBTS & doubts:
            return here._replace(sure=False)
        rolls = (*here.rolls[-(FORECASTS - 1) :], mount.roll_deg)
        agreed = _agree(rolls, WEST_AGREES_DEG)
        west = west_from_roll(mount.roll_deg, southern=southern) if agreed else None
        sure = west is not None and mount.roll_share >= ROLL_KNOWN_SHARE
        return here._replace(rolls=rolls, west=west, sure=sure)


def _agree(angles_deg: Sequence[float], within_deg: float) -> bool:
    spread = max(abs(half_turn_deg(one - angles_deg[-1])) for one in angles_deg)
    return len(angles_deg) == FORECASTS and spread < within_deg
