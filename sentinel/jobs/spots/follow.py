"""Blobs followed over a session: what keeps its place on the sensor, and what keeps it on the sun. Pure.

Every blob is tried as both: as dust, which stands still in the frame, and as a spot, which goes with the disc
and turns with the sun. Whichever explains the most sightings has them. Where the disc hardly moved both
explain the same, and nothing is told.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot, inf, isfinite
from typing import Literal

import numpy as np
from scipy.special import bdtrc

from sentinel.core.times import DAY_S
from sentinel.jobs.spots.blobs import DarkBlob
from sentinel.sky import DiscView, from_central_meridian_deg, spot_rotation_deg_day
from sentinel.sky.arrays import Array, floats

Kind = Literal["sun", "sensor", "undecided"]

MOST_BLOBS = 60
"""In one picture; what is left beyond is cloud in patches."""
TOLERANCE_PX, TOLERANCE_RADII = 1.5, 0.006
"""How far a blob may be from where it should stand: its own noise, and a centre in bad seeing."""
FEWEST_SIGHTINGS = 4
LEAST_SHARE = 0.4
"""Of the pictures in which its place lay well on the disc, from its first sighting to its last: less is
chance, or a cloud's edge. Before and after it need not have been there: dust is wiped off, a spot decays."""
MOST_BY_CHANCE = 0.01
"""So many such blobs in a session may come of what is strewn over the disc at random, like cloud."""
WELL_ON_DISC = 0.9
"""Radii from the middle."""
TOLD_RATIO, TOLD_PX = 3.0, 0.7
"""A place is kept on the one if it is kept so many times worse on the other, and by so much at least."""
RARELY = 0.25
"""Of another's sightings: what is seen so seldom, and within it, is a part of it."""
FORGOTTEN = 12
"""Looks after which what was seen only once is not waited for any more."""
LATEST = 9
"""Sightings from which it is said where the next should be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One picture: how the disc stood in it, and what was dark on it."""

    utc_s: float
    view: DiscView
    blobs: tuple[DarkBlob, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FollowedBlob:
    """A blob that was seen again and again."""

    kind: Kind
    utc_s: Array
    """(n,) when it was seen."""
    x_px: Array
    """(n,) where, in stored pixels."""
    y_px: Array
    latitude_deg: Array
    """(n,) heliographic; right only as far as north in the picture is known."""
    longitude_deg: Array
    """(n,) Carrington."""
    degree_px: Array
    """(n,) how many pixels a degree of longitude is there."""
    chances: int
    """Pictures from the first of these to the last in which its place lay well on the disc."""
    sensor_scatter_px: float
    """How well it kept its place on the sensor, root mean square."""
    sun_scatter_px: float
    """The same on the turning sun."""
    moved_px: float
    """The largest distance between two of its places on the sensor."""
    disc_moved_px: float
    """The same of the disc's middle over these pictures."""
    across_px: float
    """Median diameter."""
    contrast: float
    """Median of how much darker than its surroundings its darkest part is."""

    @property
    def sightings(self) -> int:
        """In how many pictures it was seen."""
        return len(self.utc_s)


def followed(looks: Sequence[Look]) -> list[FollowedBlob]:
    """Return the blobs that were followed through pictures in order of time, the most seen first."""
    session = _Session([look for look in looks if len(look.blobs) <= MOST_BLOBS])
    chains = [*session.chains(on_sun=True), *session.chains(on_sun=False)]
    taken: set[Member] = set()
    found: list[FollowedBlob] = []
    while True:
        # What is explained already leaves a chain; the rest of it has to stand on its own.
        chains = [chain.without(taken) for chain in chains]
        chains = [chain for chain in chains if len(chain.members) >= FEWEST_SIGHTINGS]
        if not chains:
            return found
        longest = max(len(chain.members) for chain in chains)
        best = min(
            (chain for chain in chains if len(chain.members) == longest),
            key=lambda chain: session.scatter_px(chain, on_sun=chain.on_sun),
        )
        chains.remove(best)
        taken |= set(best.members)
        told = session.told(best)
        # What is seen of a blob while another passes over it stands beside it, now and then.
        beside = any(_overlap(told, other) for other in found)
        often = told.sightings >= LEAST_SHARE * told.chances
        if often and not beside and session.by_chance(best, told.chances) < MOST_BY_CHANCE:
            found.append(told)


Member = tuple[int, int]
"""Number of the look, and of the blob in it."""


@dataclass(slots=True)
class _Chain:
    """Blobs that one place explains, at most one of a look."""

    on_sun: bool
    members: list[Member] = field(default_factory=list)

    def without(self, taken: set[Member]) -> "_Chain":
        """Return the chain without what another has taken."""
        return _Chain(self.on_sun, [member for member in self.members if member not in taken])


class _Session:
    """The looks, with each blob's place on the sensor and on the sun."""

    def __init__(self, looks: Sequence[Look]) -> None:
        self.looks = looks
        self._epoch_s = looks[0].utc_s if looks else 0.0
        self._on_sensor = [np.array([(b.x_px, b.y_px) for b in look.blobs]).reshape(-1, 2) for look in looks]
        self._on_sun = [self._sun_places(look, xy) for look, xy in zip(looks, self._on_sensor, strict=True)]

    def _sun_places(self, look: Look, xy: Array) -> Array:
        """Return latitudes and, as they were at the first look, longitudes of places (n, 2)."""
        latitude, longitude = look.view.heliographic_deg(xy[:, 0], xy[:, 1])
        return np.stack([latitude, longitude - self._turned_deg(look, latitude)], axis=1)

    def _turned_deg(self, look: Look, latitude_deg: Array) -> Array:
        """Return by how much spots have gone ahead in longitude since the first look."""
        return np.asarray(spot_rotation_deg_day(latitude_deg) * ((look.utc_s - self._epoch_s) / DAY_S))

    def _places(self, members: Sequence[Member], *, on_sun: bool) -> Array:
        """Return the places of blobs, (n, 2); longitudes without a jump."""
        places = np.array([(self._on_sun if on_sun else self._on_sensor)[i][k] for i, k in members])
        if on_sun:
            places[:, 1] = places[0, 1] + from_central_meridian_deg(places[:, 1], places[0, 1])
        return places

    def _in_picture(self, look: Look, places: Array, *, on_sun: bool) -> Array:
        """Return x and y (n, 2) at which places stand in a look; NaN on the far side."""
        if not on_sun:
            return places
        longitude = places[:, 1] + self._turned_deg(look, places[:, 0])
        x, y, facing = look.view.place_px(places[:, 0], longitude)
        return np.where(np.atleast_1d(facing > 0)[:, None], np.stack([x, y], axis=1), np.nan)

    def chains(self, *, on_sun: bool) -> list[_Chain]:
        """Return the chains of blobs that keep their place on the sun, or on the sensor."""
        done: list[_Chain] = []
        chains: list[_Chain] = []
        for number, look in enumerate(self.looks):
            # What was seen once and not again for long was chance, and thousands of these take their time.
            spent = [len(chain.members) == 1 and number - chain.members[0][0] > FORGOTTEN for chain in chains]
            done += [chain for chain, is_spent in zip(chains, spent, strict=True) if is_spent]
            chains = [chain for chain, is_spent in zip(chains, spent, strict=True) if not is_spent]
            free = set(range(len(look.blobs)))
            for which, blob in self._matches(look, number, chains):
                if blob in free and chains[which].members[-1][0] != number:
                    free.remove(blob)
                    chains[which].members.append((number, blob))
            chains += [_Chain(on_sun, [(number, blob)]) for blob in sorted(free)]
        return [*done, *chains]

    def by_chance(self, chain: _Chain, chances: int) -> float:
        """Return how many chains of so many sightings random blobs, as many as there are, would make."""
        first, last = chain.members[0][0], chain.members[-1][0]
        shares = [
            len(look.blobs) * (_reach_px(look) / float(floats(look.view.radius_px))) ** 2
            for look in self.looks[first : last + 1]
        ]
        share = min(float(np.mean(shares)), 1.0)
        # The first sighting is where it is; each other one is a hit within reach of it.
        hits, tries = len(chain.members) - 1, max(chances, len(chain.members)) - 1
        begun = sum(len(look.blobs) for look in self.looks)
        return begun * float(bdtrc(hits - 1, tries, share))

    def _matches(self, look: Look, number: int, chains: Sequence[_Chain]) -> list[tuple[int, int]]:
        """Return which chain each blob of a look may belong to, the nearest pairs first."""
        if not chains or not look.blobs:
            return []
        on_sun = chains[0].on_sun
        expected = np.array(
            [np.median(self._places(chain.members[-LATEST:], on_sun=on_sun), axis=0) for chain in chains]
        )
        apart = self._in_picture(look, expected, on_sun=on_sun)[:, None] - self._on_sensor[number][None]
        off = np.hypot(apart[..., 0], apart[..., 1])
        near = np.argwhere(off <= _reach_px(look))
        return sorted(((int(a), int(b)) for a, b in near), key=lambda pair: off[pair])

    def scatter_px(self, chain: _Chain, *, on_sun: bool) -> float:
        """Return how well one place explains a chain's blobs, root mean square."""
        middle = np.median(self._places(chain.members, on_sun=on_sun), axis=0)[None]
        off = [
            self._in_picture(self.looks[i], middle, on_sun=on_sun)[0] - self._on_sensor[i][k]
            for i, k in chain.members
        ]
        scatter = float(np.sqrt(np.square(off).sum(axis=1).mean()))
        return scatter if isfinite(scatter) else inf

    def _chances(self, chain: _Chain) -> int:
        """Return in how many looks of its time its place lay well on the disc, or it was seen."""
        middle = np.median(self._places(chain.members, on_sun=chain.on_sun), axis=0)[None]
        seen, count = {i for i, _ in chain.members}, 0
        for number in range(min(seen), max(seen) + 1):
            view = self.looks[number].view
            x, y = self._in_picture(self.looks[number], middle, on_sun=chain.on_sun)[0]
            off_px = np.hypot(x - floats(view.x_px), y - floats(view.y_px))
            count += number in seen or bool(off_px < WELL_ON_DISC * floats(view.radius_px))
        return count

    def told(self, chain: _Chain) -> FollowedBlob:
        """Return a chain as what it is, with what that is told by."""
        looks = [self.looks[i] for i, _ in chain.members]
        blobs = [self.looks[i].blobs[k] for i, k in chain.members]
        sensor_px, sun_px = (self.scatter_px(chain, on_sun=on_sun) for on_sun in (False, True))
        at = self._places(chain.members, on_sun=False)
        places = [look.view.heliographic_deg(*xy) for look, xy in zip(looks, at, strict=True)]
        disc = np.array([(floats(look.view.x_px), floats(look.view.y_px)) for look in looks])
        return FollowedBlob(
            kind=_kind(sensor_px, sun_px),
            utc_s=np.array([look.utc_s for look in looks]),
            x_px=at[:, 0],
            y_px=at[:, 1],
            latitude_deg=np.array([place[0] for place in places]),
            longitude_deg=np.array([place[1] for place in places]),
            degree_px=np.array([_degree_px(look, *place) for look, place in zip(looks, places, strict=True)]),
            chances=self._chances(chain),
            sensor_scatter_px=sensor_px,
            sun_scatter_px=sun_px,
            moved_px=_reach(at),
            disc_moved_px=_reach(disc),
            across_px=float(np.median([blob.across_px for blob in blobs])),
            contrast=float(np.median([blob.contrast for blob in blobs])),
        )


def _reach_px(look: Look) -> float:
    """Return how far from where it should stand a blob is still taken for the same."""
    return TOLERANCE_PX + TOLERANCE_RADII * float(floats(look.view.radius_px))


def _kind(sensor_px: float, sun_px: float) -> Kind:
    better, worse = sorted((sensor_px, sun_px))
    if worse < TOLD_RATIO * better or worse - better < TOLD_PX:
        return "undecided"
    return "sensor" if sensor_px < sun_px else "sun"


def _overlap(rare: FollowedBlob, other: FollowedBlob) -> bool:
    """Return whether a blob is another, or stands within one that was seen far more often."""
    west, north = (
        float(from_central_meridian_deg(np.median(rare.longitude_deg), np.median(other.longitude_deg))),
        float(np.median(rare.latitude_deg) - np.median(other.latitude_deg)),
    )
    right, down = (float(np.median(rare.x_px) - np.median(other.x_px)),
                   float(np.median(rare.y_px) - np.median(other.y_px)))  # fmt: skip
    on_sun_px, on_sensor_px = float(np.median(rare.degree_px)) * hypot(west, north), hypot(right, down)
    apart_px = {"sun": on_sun_px, "sensor": on_sensor_px}.get(other.kind, min(on_sun_px, on_sensor_px))
    if rare.kind == other.kind and apart_px < TOLERANCE_PX:
        # One blob, whose sightings another took for a while.
        return True
    seldom = rare.sightings <= RARELY * other.sightings
    return seldom and apart_px < (rare.across_px + other.across_px) / 2


def _degree_px(look: Look, latitude_deg: Array, longitude_deg: Array) -> float:
    """Return how many pixels a degree of longitude is at a place."""
    west, east = (look.view.place_px(latitude_deg, longitude_deg + step) for step in (0.5, -0.5))
    return float(np.hypot(west[0] - east[0], west[1] - east[1]))


def _reach(xy: Array) -> float:
    """Return the largest distance between two of some places (n, 2)."""
    apart = xy[:, None] - xy[None]
    return float(np.hypot(apart[..., 0], apart[..., 1]).max())
