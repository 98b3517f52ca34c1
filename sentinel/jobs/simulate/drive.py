"""The drive of a scenario's mount: how far it has turned, at any time, exactly."""

from dataclasses import dataclass, replace

import numpy as np

from sentinel.jobs.simulate.events import DriveStop, Rate, Recentre, Resume, Reverse, Snag
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.sky import rate_arcsec_s
from sentinel.sky.arrays import Array

_FOREVER_S = 1e12


@dataclass(frozen=True, slots=True)
class _Change:
    """What happens to the drive at one moment; None: that stays as it is."""

    at_s: float
    speed: float | None = None
    """New speed in units of the drive's rate."""
    slope: float = 0.0
    """With a new speed: its change a second from then on."""
    rate_arcsec_s: float | None = None
    unwound: bool = False


@dataclass(frozen=True, slots=True)
class _Motion:
    """The drive from `begin_s` on, until something else happens."""

    begin_s: float
    turn_arcsec: float
    rate_arcsec_s: float
    """Of the drive when it runs as it should."""
    speed: float
    """In units of that."""
    slope: float
    """Change of speed a second."""

    def at(self, time_s: float) -> "_Motion":
        """Return the same motion as seen from a later moment."""
        since = time_s - self.begin_s
        turned = self.rate_arcsec_s * (self.speed + 0.5 * self.slope * since) * since
        return _Motion(
            time_s,
            self.turn_arcsec + turned,
            self.rate_arcsec_s,
            self.speed + self.slope * since,
            self.slope,
        )

    def first_reaches_s(self, room_arcsec: float) -> float:
        """Return how long it takes to turn `room_arcsec` forward; infinity if it never does."""
        rate, slope = self.rate_arcsec_s * self.speed, self.rate_arcsec_s * self.slope
        under = rate**2 + 2 * slope * room_arcsec if np.isfinite(room_arcsec) else -1.0
        if rate <= 0 or under < 0:
            return np.inf
        return max(0.0, float(2 * room_arcsec / (rate + np.sqrt(under))))


class Drive:
    """Turn of the axis since the start: pieces of constant or evenly changing rate.

    `start_hour_angle_deg`: the axis's hour angle at the start, for a limit that is given as one.
    """

    def __init__(self, scenario: Scenario, start_hour_angle_deg: float) -> None:
        mount = scenario.mount
        self._limit_deg = _limit_deg(scenario, start_hour_angle_deg)
        self._start_deg = mount.axis_start_deg
        self._at_limit_speed = {"stop": 0.0, "reverse": -1.0, "ignore": 1.0}[mount.at_limit]
        self._pieces: list[_Motion] = []
        self._unwound: list[tuple[float, float, float]] = [(scenario.start_s, 0.0, self._start_deg)]
        self.limit_reached_s: float | None = None
        self._build(scenario)
        self._table = np.array(
            [
                (m.begin_s, m.turn_arcsec, m.rate_arcsec_s * m.speed, m.rate_arcsec_s * m.slope)
                for m in self._pieces
            ]
        ).T

    def turn_arcsec(self, utc_s: Array) -> Array:
        """Return the turn since the start, positive the way of the sky, shape as `utc_s`."""
        begins, turn, rate, slope = self._table
        index = np.maximum(np.searchsorted(begins, utc_s, side="right") - 1, 0)
        since = utc_s - begins[index]
        return np.asarray(turn[index] + (rate[index] + 0.5 * slope[index] * since) * since)

    def _build(self, scenario: Scenario) -> None:
        own = 1 + scenario.mount.rate_error
        changes = _changes(scenario)
        ends = [*(change.at_s for change in changes[1:]), _FOREVER_S]
        motion = _Motion(scenario.start_s, 0.0, rate_arcsec_s(scenario.mount.tracking) * own, 1.0, 0.0)
        for change, end_s in zip(changes, ends, strict=True):
            if change.unwound:
                self._unwound.append((change.at_s, motion.turn_arcsec, self._left_deg(change.at_s)))
                motion = motion if self.limit_reached_s is None else replace(motion, speed=1.0)
                self.limit_reached_s = None
            if change.rate_arcsec_s is not None:
                motion = replace(motion, rate_arcsec_s=change.rate_arcsec_s * own)
            if change.speed is not None and self.limit_reached_s is None:
                motion = replace(motion, speed=change.speed, slope=change.slope)
            motion = self._run(motion, end_s)

    def _run(self, motion: _Motion, end_s: float) -> _Motion:
        """Add the piece up to `end_s`, cut where the limit is reached; return the motion at `end_s`."""
        self._pieces.append(motion)
        room = self._room_arcsec(motion.turn_arcsec)
        reached_s = motion.begin_s + motion.first_reaches_s(room)
        if self.limit_reached_s is None and reached_s < end_s:
            self.limit_reached_s = reached_s
            motion = replace(motion.at(reached_s), speed=self._at_limit_speed, slope=0.0)
            self._pieces.append(motion)
        return motion.at(end_s)

    def _room_arcsec(self, turn: float) -> float:
        """Return how much further than `turn` the axis may turn."""
        if self._limit_deg is None:
            return np.inf
        _, turned, began_deg = self._unwound[-1]
        return turned + (self._limit_deg - began_deg) * 3600 - turn

    def _left_deg(self, at_s: float) -> float:
        """Return where an axis stands that is turned back by whole turns and points at the sun again."""
        since_s, _, began_deg = self._unwound[-1]
        at_sun_deg = began_deg + (at_s - since_s) * rate_arcsec_s("solar") / 3600
        turns = at_sun_deg // 360
        return at_sun_deg - 360 * turns if turns >= 1 else 0.0


def _limit_deg(scenario: Scenario, start_hour_angle_deg: float) -> float | None:
    mount = scenario.mount
    if mount.at_limit == "ignore":
        return None
    limits = [] if mount.axis_limit_deg is None else [mount.axis_limit_deg]
    if mount.hour_angle_limit_deg is not None:
        to_go = (mount.hour_angle_limit_deg[1] - start_hour_angle_deg) % 360
        limits.append(to_go + mount.axis_start_deg)
    return min(limits, default=None)


def _changes(scenario: Scenario) -> list[_Change]:
    changes = [_Change(scenario.start_s)]
    for event in scenario.events:
        at_s = scenario.seconds(event.at)
        if isinstance(event, DriveStop | Reverse):
            changes.append(_Change(at_s, speed=0.0 if isinstance(event, DriveStop) else -event.speed))
            if event.until is not None:
                changes.append(_Change(scenario.seconds(event.until), speed=1.0))
        elif isinstance(event, Snag):
            until_s = scenario.seconds(event.until)
            changes.append(_Change(at_s, speed=1.0, slope=(event.to - 1.0) / (until_s - at_s)))
            changes.append(_Change(until_s, speed=event.to))
        elif isinstance(event, Resume):
            changes.append(_Change(at_s, speed=1.0))
        elif isinstance(event, Rate):
            changes.append(_Change(at_s, rate_arcsec_s=rate_arcsec_s(event.tracking)))
        elif isinstance(event, Recentre) and event.unwound:
            changes.append(_Change(at_s, unwound=True))
    return sorted(changes, key=lambda change: change.at_s)
