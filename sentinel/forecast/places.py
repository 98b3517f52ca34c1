"""Where to put the disc: the place from which it stays longest, even put there roughly, even by bad luck."""

from dataclasses import dataclass

import numpy as np

from sentinel.forecast.exits import Frame
from sentinel.records import Edge, Place
from sentinel.sky.arrays import Array, Bools
from sentinel.times import from_utc_s

TOLERANCE_WIDTHS = 0.25
_UNLUCKY = 0.005
"""Share of draws left out on each side, at each time: over both sides, and first passages, about 1 %."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """Tracks (n, draws) in pixels at times after now, the disc's size, and whether the sun is up (n,)."""

    now_s: float
    offsets_s: Array
    x_px: Array
    y_px: Array
    radius_px: Array
    up: Bools
    frame: Frame


@dataclass(frozen=True, slots=True)
class Reach:
    """How far the disc strays from its place up to each time: least and most of x and y, (n,) each."""

    offsets_s: Array
    low: Array
    """(2, n), falling"""
    high: Array
    """(2, n), rising"""
    half_px: Array
    """(2,) half of the room for the centre, with the tolerance taken off; may be negative."""

    def holds(self, centre: Array) -> int:
        """Return how many times of the grid a place (2,) relative to the middle holds."""
        fits = (centre[:, None] + self.high <= self.half_px[:, None]) & (
            centre[:, None] + self.low >= -self.half_px[:, None]
        )
        both = fits.all(axis=0)
        return len(self.offsets_s) if both.all() else int(both.argmin())


def reach(ahead: Ahead, begin: int) -> Reach:
    """Return how far the disc strays from where it is put at time index `begin`."""
    low, high = [], []
    up = ahead.up[begin:, None]
    for track in (ahead.x_px, ahead.y_px):
        moved = np.sort(track[begin:] - track[begin], axis=1)
        skip = int(_UNLUCKY * moved.shape[1])
        low.append(np.minimum.accumulate(np.where(up[:, 0], moved[:, skip], 0.0)))
        high.append(np.maximum.accumulate(np.where(up[:, 0], moved[:, -1 - skip], 0.0)))
    radius = float(ahead.radius_px[begin])
    keep = radius + ahead.frame.margin_px + 2 * radius * TOLERANCE_WIDTHS
    half = np.array([ahead.frame.width_px, ahead.frame.height_px]) / 2 - keep
    return Reach(ahead.offsets_s[begin:], np.array(low), np.array(high), half)


def best_centre(strays: Reach) -> Array:
    """Return the place (2,), relative to the middle, that holds longest.

    A place holds up to a time if the whole reach until then fits into the room; so the reach is followed
    until one coordinate fills its room and is placed, then until the other does.
    """
    centre = np.zeros(2)
    for axis in (0, 1):
        wide = strays.high[axis] - strays.low[axis]
        fits = np.flatnonzero(wide <= 2 * max(strays.half_px[axis], 0.0))
        last = int(fits[-1]) if len(fits) else 0
        centre[axis] = -(strays.high[axis][last] + strays.low[axis][last]) / 2
    room = np.maximum(strays.half_px, 0.0)
    return np.clip(centre, -room, room)


def best_along(strays: Reach, at_px: Array, direction: Array) -> Array:
    """Return the best place (2,) relative to the middle on a line: what one axis alone can reach."""
    length = float(np.hypot(*strays.half_px)) + 1.0
    shifts = np.linspace(-2 * length, 2 * length, 161)
    places = at_px + shifts[:, None] * direction
    held = np.array([strays.holds(place) for place in places])
    ties = np.flatnonzero(held == held.max())
    middle = ties[np.abs(places[ties]).sum(axis=1).argmin()] if held.max() == len(strays.offsets_s) else None
    return np.asarray(places[ties[len(ties) // 2] if middle is None else middle])


def place(ahead: Ahead, begin: int, centre: Array, strays: Reach) -> Place:
    """Say a place as an operator sees it."""
    frame = ahead.frame
    width = 2 * float(ahead.radius_px[begin])
    middle = np.array(frame.middle_px)
    x, y = centre + middle
    gaps = frame.room_px(np.array(x), np.array(y), width / 2) + frame.margin_px
    nearest = int(gaps.argmin())
    edges: tuple[Edge, ...] = ("left", "right", "top", "bottom")
    held = strays.holds(centre)
    until = None
    if held < len(strays.offsets_s):
        until = from_utc_s(ahead.now_s + float(strays.offsets_s[max(held - 1, 0)]))
    return Place(
        at_utc=from_utc_s(ahead.now_s + float(ahead.offsets_s[begin])),
        to_px=(round(float(x), 1), round(float(y), 1)),
        right_widths=float(centre[0] / width),
        up_widths=float(-centre[1] / width),
        gap_edge=edges[nearest],
        gap_widths=float(gaps[nearest] / width),
        tolerance_widths=TOLERANCE_WIDTHS,
        holds_until_utc=until,
    )
