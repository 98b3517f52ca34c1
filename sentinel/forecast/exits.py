"""When a drawn track first brings the limb to the frame's edge, and what many draws say about that time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.records import Edge
from sentinel.sky.arrays import Array, Bools

HORIZON_H = 48.0
"""How far ahead a forecast looks."""
EDGES: tuple[Edge, ...] = ("left", "right", "top", "bottom")

_FINE_S = np.arange(0, 1200, 60.0)
_MIDDLE_S = np.arange(1200, 7200, 300.0)
_COARSE_S = np.arange(7200, 12 * 3600, 1200.0)
_FAR_S = np.arange(12 * 3600, HORIZON_H * 3600 + 1, 1800.0)
OFFSETS_S: Array = np.concatenate([_FINE_S, _MIDDLE_S, _COARSE_S, _FAR_S])
"""Times after now at which tracks are evaluated: dense at first, where a stopped mount loses the sun."""


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
        return np.stack(
            [
                x_px + 0.5 - keep,
                self.width_px - 0.5 - x_px - keep,
                y_px + 0.5 - keep,
                self.height_px - 0.5 - y_px - keep,
            ]
        )


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


def first_exits(offsets_s: Array, room_px: Array, above_deg: Array) -> Exits:
    """Find where each draw's room along an edge first runs out while the sun is up.

    Parameters
    ----------
    offsets_s
        Times after now, shape (n,).
    room_px
        Gaps to the four edges, shape (4, n, draws).
    above_deg
        Height of the sun above the horizon line, shape (n,). What is outside at sunrise has left at sunrise.
    """
    offsets_s, room_px, up = _with_crossings(offsets_s, room_px, above_deg)
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
    return Exits(np.where(leaves, when, np.inf), edge)


def _with_crossings(offsets_s: Array, room_px: Array, above_deg: Array) -> tuple[Array, Array, Bools]:
    """Put the moments of rising and setting into the grid: the sun counts as up at each of them."""
    up = above_deg > 0
    turns = np.flatnonzero(up[1:] != up[:-1])
    if not len(turns):
        return offsets_s, room_px, up
    share = above_deg[turns] / (above_deg[turns] - above_deg[turns + 1])
    when = offsets_s[turns] + share * (offsets_s[turns + 1] - offsets_s[turns])
    between = room_px[:, turns] + share[:, None] * (room_px[:, turns + 1] - room_px[:, turns])
    return (
        np.insert(offsets_s, turns + 1, when),
        np.insert(room_px, turns + 1, between, axis=1),
        np.insert(up, turns + 1, True),
    )
