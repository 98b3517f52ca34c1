"""Where to put the disc: the place from which it stays longest, even put there roughly, even by bad luck."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.forecast.exits import EDGES, Frame
from sentinel.core.foreseen import Place, Turn
from sentinel.core.times import from_utc_s
from sentinel.core.words import LEAST_WIDTHS
from sentinel.sky.arrays import Array, Bools

TOLERANCE_WIDTHS = 0.25
_BETWEEN = (0.2, 0.4, 0.6, 0.8, 1.0)
LEVELS = (0.005, 0.025, 0.1, 0.25, 0.45)
"""Shares of draws left out on each side at each time. The first is the safe one: over both sides, and first
passages, about 1 %; the others tell how a place does when luck is not at its worst."""
_SAFE_SHARE = 0.95
"""A place that holds nearly as long at worst, and longer otherwise, is the better advice."""
_NO_REGRET = 0.98
"""No advice is to hold shorter than this share of what the middle of the frame would,"""
_REGRETS = 0.025
"""in more than this share of the draws."""
_REGRETS_ALIKE = 0.04
"""Places that are regretted hardly more often than the best of them count as good as it."""
_SHARED = 8
"""Each so-many-th draw tells where the disc goes in the mean."""
_COMPARED = 80
"""Ensemble compared one by one."""
_GOLDEN_TURN = 2.399_963
"""Multiples of it lie evenly around a circle."""


@dataclass(frozen=True, slots=True)
class TracksAhead:
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
    """How far the disc strays from its place up to each time, at each of the `LEVELS`."""

    offsets_s: Array
    low: Array
    """(levels, 2, n), least x and y, falling"""
    high: Array
    """(levels, 2, n), greatest, rising"""
    half_px: Array
    """(2,) half of the room for the centre, with the tolerance taken off; may be negative."""
    tolerance_px: float
    """The tolerance."""

    def holds(self, centres: Array) -> NDArray[np.intp]:
        """Return how many times of the grid places (q, 2) relative to the middle hold, (levels, q)."""
        room = self.half_px[:, None]
        at = centres[None, :, :, None]
        fits = (at + self.high[:, None] <= room) & (at + self.low[:, None] >= -room)
        both = np.all(fits, axis=2)
        return np.where(np.all(both, axis=2), len(self.offsets_s), np.argmin(both, axis=2))


def reach(ahead: TracksAhead, begin: int, every: int = 1) -> Reach:
    """Return how far the disc strays from where it is put at time index `begin`; each so-many-th draw."""
    up = ahead.up[begin:, None]
    low, high = [], []
    for track in (ahead.x_px, ahead.y_px):
        moved = track[begin:, ::every] - track[begin, ::every]
        last = moved.shape[1] - 1
        skips = [int(level * moved.shape[1]) for level in LEVELS]
        moved.sort(axis=1)
        moved = np.where(up, moved, 0.0)
        low.append(np.minimum.accumulate(moved[:, skips], axis=0).T)
        high.append(np.maximum.accumulate(moved[:, [last - skip for skip in skips]], axis=0).T)
    radius = float(ahead.radius_px[begin])
    slip = 2 * radius * TOLERANCE_WIDTHS
    keep = radius + ahead.frame.margin_px + slip
    half = np.array([ahead.frame.width_px, ahead.frame.height_px]) / 2 - keep
    return Reach(ahead.offsets_s[begin:], np.stack(low, axis=1), np.stack(high, axis=1), half, slip)


def best_centre(ahead: TracksAhead, begin: int, strays: Reach) -> Array:
    """Return the place (2,), relative to the middle, that holds longest.

    The best for each level is known in closed form. These and what lies between them are compared, draw by
    draw, met and missed by as much as the operator may, with the middle exactly met: a place that is often
    worse is not taken; of the rest, those that hold longest at the safe level.
    """
    bests = np.array([_best_at(strays, level) for level in range(len(LEVELS))])
    shares = np.array(_BETWEEN)[:, None, None]
    places = np.concatenate([np.zeros((1, 2)), *(bests * shares), *((bests[0] + bests[1:]) / 2)[None]])
    regretted = regrets(ahead, begin, strays, places)
    # Where the middle is about the best there is, every miss costs.
    allowed = regretted <= max(_REGRETS, regretted.min() + _REGRETS_ALIKE)
    return _choose(places, _held_s(strays, places), allowed)


def regrets(ahead: TracksAhead, begin: int, strays: Reach, places: Array) -> Array:
    """Return how often each place (q, 2) holds shorter than the middle met, itself met and missed, (q,).

    Of some of the draws, each missing by the whole tolerance in a direction of its own; the mean of the two
    shares.
    """
    every = max(ahead.x_px.shape[1] // _COMPARED, 1)
    times = _weighed_times(ahead.up, begin)
    turn = np.arange(len(ahead.x_px[0, ::every])) * _GOLDEN_TURN
    slips = strays.tolerance_px * np.stack([np.zeros((2, len(turn))), [np.cos(turn), np.sin(turn)]])
    half = np.maximum(strays.half_px + strays.tolerance_px, 0.0)
    # The room left to the four sides, met and missed, by draw; past the last time there is none.
    spare = np.full((4, 2, len(turn), len(times) + 1), -np.inf, dtype=np.float32)
    for axis, track in enumerate((ahead.x_px, ahead.y_px)):
        moved = (track[times, ::every] - track[begin, ::every]).T
        slip = slips[:, axis, :, None]
        # How far it has strayed so far only grows: what once was too far stays so.
        spare[2 * axis, ..., :-1] = half[axis] - slip - np.maximum.accumulate(moved, axis=1)
        spare[2 * axis + 1, ..., :-1] = half[axis] + slip + np.minimum.accumulate(moved, axis=1)
    after = np.append(ahead.offsets_s[times], ahead.offsets_s[times[-1]]) - ahead.offsets_s[begin]

    def held_s(at: Array) -> Array:
        x, y = at.astype(np.float32)
        fits = (spare[0] >= x) & (spare[1] >= -x) & (spare[2] >= y) & (spare[3] >= -y)
        return np.asarray(after[fits.argmin(axis=2)])

    least = _NO_REGRET * held_s(np.zeros(2))[0]
    held = np.array([held_s(place) for place in places])
    return np.asarray((held < least).mean(axis=(1, 2)))


def _weighed_times(up: Bools, begin: int) -> NDArray[np.intp]:
    """Return every other time from `begin` on at which the sun is up, each rising and setting among them."""
    edge = np.ones(len(up), dtype=bool)
    edge[1:-1] = ~up[:-2] | ~up[2:]
    keep = up & (edge | (np.arange(len(up)) % 2 == begin % 2))
    keep[begin] = True
    keep[:begin] = False
    return np.flatnonzero(keep)


def best_along(strays: Reach, at_px: Array, direction: Array) -> Array:
    """Return the best place (2,) relative to the middle on a line: what one axis alone can reach."""
    length = float(np.hypot(*strays.half_px)) + float(np.hypot(*at_px))
    # Within a tenth of a sun-width of each other in a usual frame: finer than anyone centres.
    places = at_px + np.linspace(-length, length, 81)[:, None] * direction
    held = _held_s(strays, places)
    return _choose(places, held, np.ones(len(places), dtype=bool))


def _best_at(strays: Reach, level: int) -> Array:
    """Return the place that holds longest at one level.

    A place holds up to a time if the whole reach until then fits into the room: the reach is followed until
    one coordinate fills its room and is placed, then until the other does.
    """
    centre = np.zeros(2)
    room = np.maximum(strays.half_px, 0.0)
    for axis in (0, 1):
        low, high = strays.low[level, axis], strays.high[level, axis]
        last = int(np.flatnonzero(high - low <= 2 * room[axis])[-1:].sum())
        centre[axis] = -(high[last] + low[last]) / 2
    return np.clip(centre, -room, room)


def _held_s(strays: Reach, places: Array) -> Array:
    """Return for how long places hold, (levels, q)."""
    times = np.append(strays.offsets_s - strays.offsets_s[0], strays.offsets_s[-1])
    return np.asarray(times[strays.holds(places)])


def _choose(places: Array, held_s: Array, allowed: Bools) -> Array:
    """Return the allowed place that holds about longest at the safe level, and longest over all of them."""
    safe = np.where(allowed, held_s[0], -1.0)
    score = np.where(safe >= _SAFE_SHARE * safe.max(), np.log(held_s + 300.0).sum(axis=0), -np.inf)
    good = np.flatnonzero(score >= score.max() - 1e-9)
    # Of equals the one nearest to the middle: it forgives most.
    return np.asarray(places[good[np.hypot(*places[good].T).argmin()]])


def place(ahead: TracksAhead, begin: int, centre: Array, strays: Reach) -> Place:
    """Say a place as an operator sees it."""
    frame = ahead.frame
    width = 2 * float(ahead.radius_px[begin])
    middle = np.array(frame.middle_px)
    x, y = centre + middle
    gaps = frame.room_px(np.array(x), np.array(y), width / 2) + frame.margin_px
    nearest = int(gaps.argmin())
    held = int(strays.holds(centre[None])[0, 0])
    until = None
    if held < len(strays.offsets_s):
        until = from_utc_s(ahead.now_s + float(strays.offsets_s[max(held - 1, 0)]))
    return Place(
        at_utc=from_utc_s(ahead.now_s + float(ahead.offsets_s[begin])),
        to_px=(round(float(x), 1), round(float(y), 1)),
        right_widths=float(centre[0] / width),
        up_widths=float(-centre[1] / width),
        gap_edge=EDGES[nearest],
        gap_widths=float(gaps[nearest] / width),
        tolerance_widths=TOLERANCE_WIDTHS,
        holds_until_utc=until,
        turn=_turn(ahead, begin, centre, gaps, begin + held),
    )


def _turn(ahead: TracksAhead, begin: int, centre: Array, gaps_px: Array, end: int) -> Turn | None:
    """Return where the disc turns back, if it is put on the side to which it goes at first; else None.

    By the mean of some of the draws, and by no less than a hand can tell.
    """
    width_px = 2 * float(ahead.radius_px[begin])
    tolerance_px = TOLERANCE_WIDTHS * width_px
    times = begin + np.flatnonzero(ahead.up[begin:end])
    found = []
    for axis, track in enumerate((ahead.x_px, ahead.y_px)):
        if abs(centre[axis]) < LEAST_WIDTHS * width_px or not len(times):
            continue
        sense = float(np.sign(centre[axis]))
        moved = sense * (track[times, ::_SHARED].mean(axis=1) - track[begin, ::_SHARED].mean())
        far = int(moved.argmax())
        there, away, back = moved[far], -moved[: far + 1].min(), moved[far] - moved[far:].min()
        if there < tolerance_px or away > tolerance_px or back < tolerance_px:
            continue
        edge = 2 * axis + int(sense > 0)
        found.append(
            Turn(
                at_utc=from_utc_s(ahead.now_s + float(ahead.offsets_s[times[far]])),
                edge=EDGES[edge],
                widths=float((gaps_px[edge] - there) / width_px),
            )
        )
    return min(found, key=lambda turn: turn.widths, default=None)
