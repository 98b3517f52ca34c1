"""When a drawn track first brings the limb to the frame's edge, and what many draws say about that time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.sun_path import SunUp
from sentinel.core.foreseen import Edge
from sentinel.sky.arrays import Array

EDGES: tuple[Edge, ...] = ("left", "right", "top", "bottom")
"""In the order of `Frame.room_px`."""


@dataclass(frozen=True, slots=True)
class Frame:
    """The frame's size, and the strip along its edge that the limb is to keep out of."""

    width_px: int
    height_px: int
    margin_px: float

    @property
    def middle_px(self) -> tuple[float, float]:
        """Centre of the frame, x and y."""
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    def room_px(self, x_px: Array, y_px: Array, radius_px: Array | float) -> Array:
        """Return the gaps (4, ...) from the limb to the left, right, top and bottom edge less the margin."""
        keep = radius_px + self.margin_px
        room = np.empty((4, *np.broadcast_shapes(np.shape(x_px), np.shape(keep))))
        for axis, (at_px, size_px) in enumerate(((x_px, self.width_px), (y_px, self.height_px))):
            np.add(at_px, 0.5, out=room[2 * axis, ...])
            np.subtract(size_px - 0.5, at_px, out=room[2 * axis + 1, ...])
        room -= keep
        return room


@dataclass(frozen=True, slots=True)
class Exits:
    """First exits of many draws: seconds after now, inf where there is none, and the edge's index."""

    after_s: Array
    edge: NDArray[np.intp]

    def quantile_s(self, share: float) -> float:
        """Return the time by which `share` of the draws have left; inf: fewer ever do."""
        ordered = np.sort(self.after_s)
        return float(ordered[min(int(share * len(ordered)), len(ordered) - 1)])

    def likely_edge(self) -> Edge | None:
        """Return the edge that most of the draws that leave come to; None where none leaves."""
        leaves = np.isfinite(self.after_s)
        if not leaves.any():
            return None
        return EDGES[int(np.bincount(self.edge[leaves], minlength=4).argmax())]


@dataclass(frozen=True, slots=True)
class Swing:
    """To and fro within minutes that the tracks do not have: the drive's periodic error."""

    reach_px: Array
    """(4, draws) how far it takes the limb towards each edge"""
    period_s: float
    phase_rad: Array
    """(draws,) where it stands, which hours ahead nobody knows"""

    def touches_after_s(self, beyond_px: Array, edge: NDArray[np.intp], closing_px_s: Array) -> Array:
        """Return after how many seconds (draws,) the limb touches, its swing's far end so far past it."""
        reach = self.reach_px[edge, np.arange(len(edge))]
        gained = np.maximum(closing_px_s, 0.0) * (_TURN / (2 * np.pi) * self.period_s)[:, None]
        out = reach * np.sin(self.phase_rad + _TURN[:, None]) + gained >= reach - beyond_px
        turn = np.where(out.any(axis=0), _TURN[out.argmax(axis=0)], _TURN[-1])
        return np.asarray(turn / (2 * np.pi) * self.period_s)


_TURN = np.linspace(0, 2 * np.pi, 65)


def first_exits(
    room_px: Array, day: SunUp, lifted_deg: Array | None = None, swing: Swing | None = None
) -> Exits:
    """Find where each draw's room along an edge first runs out while the sun is up.

    `room_px`: gaps to the four edges at the day's times, shape (4, n, draws).
    `day`: when the sun is up. What is outside at sunrise has left at sunrise.
    `lifted_deg`: how much more than the formula says the air lifts a rising sun, (draws,): it rises sooner.
    `swing`: the limb leaves not when the far end of its swing could first reach the edge, but when it is next
        at that end.
    """
    offsets_s, up = day.offsets_s, day.up
    if swing is not None:
        room_px = room_px - swing.reach_px[:, None]
    least = room_px.min(axis=0)
    out = (least <= 0) & up[:, None]
    leaves = out.any(axis=0)
    draws = np.arange(out.shape[1])
    after = out.argmax(axis=0)
    before = np.maximum(after - 1, 0)
    inside, outside = least[before, draws], least[after, draws]
    # Between two evaluations the room runs out linearly; where the sun was down before, it rises just there.
    crosses = (after > 0) & (inside > 0) & up[before]
    share = np.where(crosses, inside / np.where(crosses, inside - outside, 1.0), 1.0)
    when = offsets_s[before] + share * (offsets_s[after] - offsets_s[before])
    edge = room_px[:, after, draws].argmin(axis=0)
    if swing is not None:
        following = np.maximum(after, 1)
        steps = offsets_s[following] - offsets_s[following - 1]
        closing = (room_px[edge, following - 1, draws] - room_px[edge, following, draws]) / steps
        beyond = np.where(crosses, 0.0, -room_px[edge, after, draws])
        waits = swing.touches_after_s(beyond, edge, closing)
        when = when + np.where(crosses | (after == 0), waits, 0.0)
    if lifted_deg is not None:
        rises = leaves & (after > 0) & ~up[before]
        when = np.where(rises, when - lifted_deg / day.climb_deg_s[after], when)
    return Exits(np.where(leaves, np.maximum(when, 0.0), np.inf), edge)
