"""Brackets whose files do not tell the exposure: learned from the levels that come round again and again.

Until they are known nothing can be judged by a level that jumps; afterwards each frame stands with its own
kind, as frames do whose files tell.
"""

from itertools import pairwise
from math import log2
from typing import NamedTuple

from sentinel.chain.track.observation import Observation

WINDOW = 12
FEWEST = 10
"""Frames after which a session without brackets is known as one."""
APART_STOPS = 0.5
"""Kinds are at least so far apart."""
_FOLLOWS = 0.1


class BracketExposure(NamedTuple):
    """One exposure of the bracket."""

    label_stops: float
    """Stands for the exposure; never changes."""
    level_stops: float
    """How bright the disc comes out at it now."""


class Brackets(NamedTuple):
    """The last levels, and the kinds found among them; bounded."""

    levels: tuple[float, ...] = ()
    kinds: tuple[BracketExposure, ...] = ()

    @property
    def learning(self) -> bool:
        """Whether levels come and go, or may, and nobody knows yet which go together."""
        return bool(self.levels) and not self.kinds and (len(self.levels) < FEWEST or _restless(self.levels))


def labelled(state: Brackets, sight: Observation) -> tuple[Brackets, Observation]:
    """Return the state with one more frame, and the frame with what stands for its exposure, if anything."""
    if sight.exposure_stops is not None:
        return (state if not state.levels else Brackets()), sight
    if not sight.found or sight.brightness <= 0:
        return state, sight
    # Full scale hides how bright it is: the share that burns out goes on where the level ends.
    level = log2(sight.brightness) + sight.saturated
    levels = (*state.levels[-(WINDOW - 1) :], level)
    kinds = state.kinds or _found(levels)
    if not kinds:
        return Brackets(levels), sight
    nearest = min(range(len(kinds)), key=lambda k: abs(kinds[k].level_stops - level))
    kind = kinds[nearest]
    off = level - kind.level_stops
    if abs(off) < APART_STOPS:
        kind = kind._replace(level_stops=kind.level_stops + _FOLLOWS * off)
    kinds = (*kinds[:nearest], kind, *kinds[nearest + 1 :])
    if len(levels) == WINDOW and max(levels) - min(levels) < APART_STOPS:
        # They have all been alike for long: there are no brackets any more.
        return Brackets(levels), sight
    return Brackets(levels, kinds), sight._replace(exposure_stops=kind.label_stops)


def _found(levels: tuple[float, ...]) -> tuple[BracketExposure, ...]:
    """Return the kinds among levels that come round; empty: they are no brackets."""
    if len(levels) < FEWEST:
        return ()
    groups: list[list[float]] = []
    for level in sorted(levels):
        if groups and level - groups[-1][-1] < APART_STOPS:
            groups[-1].append(level)
        else:
            groups.append([level])
    tight = all(len(group) > 1 and group[-1] - group[0] < APART_STOPS for group in groups)
    if len(groups) < 2 or not tight or not _restless(levels):
        return ()
    middles = [sum(group) / len(group) for group in groups]
    return tuple(BracketExposure(middle, middle) for middle in middles)


def _restless(levels: tuple[float, ...]) -> bool:
    """Whether frames mostly differ from the last: of three exposures all do, of two and one two of three."""
    changes = sum(abs(later - earlier) >= APART_STOPS for earlier, later in pairwise(levels))
    return changes >= 0.5 * (len(levels) - 1)
