"""The session's own values by the sun's altitude, learned from earlier passes through it.

The air spoils everything near the horizon, so a value is only compared with what was measured at the same
altitude before. A band of air mass first collects what is measured while the sun stays in it; when the sun
has left, the collected value settles and may be compared with. All values are log2, greater ones the better.

A band that the sun enters for the first time is compared with the nearest one that is known, less what the
air may do in between. It then settles no worse than that but for a small slack, which is counted along the
chain of bands: else a slow worsening would, band by band, become the measure of itself.
"""

from collections.abc import Callable
from math import log, sqrt
from typing import NamedTuple

import numpy as np

from sentinel.sky.refraction import EXTINCTION_SIGMA_STOPS, EXTINCTION_STOPS

BANDS_PER_E = 8.0
BANDS = 30
# At its highest and lowest the sun lingers in one band: after so long what was collected settles anyhow.
LINGER_S = 3600.0
FEWEST = 5
THICKEST_AIR = 6.0
"""Above it (10 degrees) the air takes what the session's own bands and clear skies tell; nearer to the
horizon haze may be thicker than anything they have shown."""
LEVEL_SIGMA = 0.05
"""Stops by which a band's level is off at least."""
CLEAN_SLACK = 0.03
"""A band of more was spoilt by something else than air, perhaps: it tells nothing of the air."""
LEAST_FRESH_SHARE = 0.05
"""What is collected is an average of the last twenty values or so: it follows the sun through the band."""
BETTER_SHARE, WORSE_SHARE = 0.5, 0.15
"""So much of a settled value gives way to a new one. Worse ones are let in slowly, so that a slow worsening
does not become the measure of itself."""
HAZE_SHARE = 0.3
"""By so much what the air takes may change within a day."""


class Band(NamedTuple):
    """One band of air mass, once something has settled in it."""

    value: float
    air_mass: float
    """Where in the band it was measured, on average."""
    slack: float
    """How much worse than the air explains was believed on the way here, in stops."""


class Fresh(NamedTuple):
    """What the present stay in a band has brought."""

    band: int = -1
    since_s: float = 0.0
    values: int = 0
    mean: float = 0.0
    air_mass: float = 0.0


class Usual(NamedTuple):
    """What is to be expected, and from how many bands away that is known."""

    value: float
    away: int
    slack: float
    air_mass: float
    """Where the value comes from."""


class Baseline(NamedTuple):
    """Values by altitude; bounded."""

    bands: tuple[Band | None, ...] = (None,) * BANDS
    fresh: Fresh = Fresh()


Carry = Callable[[float, float, float], float]
"""Takes a value, its air mass and another one; gives the worst that the air makes of it there."""


class Extinction(NamedTuple):
    """What the air takes of the light, in stops for each air mass: between these."""

    low: float
    high: float
    near_horizon: float
    """The most in air thicker than `THICKEST_AIR`."""

    def carry(self, value: float, from_air: float, to_air: float) -> float:
        """Return the least light that the air explains at another air mass."""
        more = to_air - from_air
        if more <= 0:
            return value - self.low * more
        thick = min(max(to_air - THICKEST_AIR, 0.0), more)
        return value - self.high * (more - thick) - self.near_horizon * thick


def extinction(reference: Baseline, most: Extinction) -> Extinction:
    """Return what clear skies and the session's own bands tell of the air, within `most`."""
    stops, weight = EXTINCTION_STOPS, EXTINCTION_SIGMA_STOPS**-2
    known = [band for band in reference.bands if band is not None and band.slack < CLEAN_SLACK]
    known = [band for band in known if band.air_mass < THICKEST_AIR]
    if len(known) > 1:
        air, value = (np.array([getattr(band, name) for band in known]) for name in ("air_mass", "value"))
        off = air - air.mean()
        apart = float(off @ off)
        slope = float(off @ value) / apart
        left = float((value - value.mean() - slope * off).std())
        told = apart / max(left, LEVEL_SIGMA) ** 2
        stops, weight = (stops * weight - slope * told) / (weight + told), weight + told
    doubt = 2 / sqrt(weight)
    low, high = (1 - HAZE_SHARE) * stops - doubt, (1 + HAZE_SHARE) * stops + doubt
    return most._replace(low=max(low, most.low), high=min(high, most.high))


def band_of(air_mass: float) -> int:
    """Return the band of an air mass."""
    return min(int(log(air_mass) * BANDS_PER_E), BANDS - 1) if air_mass > 1.0 else 0


def usual(reference: Baseline, air_mass: float, carry: Carry, *, within: int) -> Usual | None:
    """Return what is to be expected at an air mass, from the nearest band known; None: none is near."""
    here, bands = band_of(air_mass), reference.bands
    nearest = bands[here]
    if nearest is not None:
        return Usual(carry(nearest.value, nearest.air_mass, air_mass), 0, nearest.slack, nearest.air_mass)
    for away in range(1, within + 1):
        for place in (here - away, here + away):
            band = bands[place] if 0 <= place < BANDS else None
            if band is not None:
                return Usual(carry(band.value, band.air_mass, air_mass), away, band.slack, band.air_mass)
    return None


def present(reference: Baseline, air_mass: float, carry: Carry, *, within: int) -> Usual | None:
    """Return what is to be expected by the present stay in a band, settled or not; None: too little of it."""
    fresh = reference.fresh
    away = abs(fresh.band - band_of(air_mass))
    if fresh.values < FEWEST or away > within:
        return None
    return Usual(carry(fresh.mean, fresh.air_mass, air_mass), away, 0.0, fresh.air_mass)


def learned(
    reference: Baseline,
    value: float,
    air_mass: float,
    time_s: float,
    carry: Carry,
    *,
    keep: bool,
    within: int,
    most_slack: float,
) -> Baseline:
    """Return the reference with one more value.

    `keep`: False: the value is doubtful; it is not learned, but the passing of time is noted. `most_slack`:
    so much worse than the air explains is believed in a band that is new, and no more.
    """
    band, fresh = band_of(air_mass), reference.fresh
    if fresh.band != band or time_s - fresh.since_s > LINGER_S:
        reference = Baseline(_settled(reference, carry, within, most_slack), Fresh(band, time_s))
        fresh = reference.fresh
    if not keep:
        return reference
    values = fresh.values + 1
    share = max(1.0 / values, LEAST_FRESH_SHARE)
    mean = fresh.mean + share * (value - fresh.mean)
    air = fresh.air_mass + share * (air_mass - fresh.air_mass)
    return Baseline(reference.bands, Fresh(band, fresh.since_s, values, mean, air))


def _settled(reference: Baseline, carry: Carry, within: int, most_slack: float) -> tuple[Band | None, ...]:
    fresh, bands = reference.fresh, reference.bands
    if fresh.values < FEWEST:
        return bands
    old = bands[fresh.band]
    if old is None:
        new = _first(reference, fresh, carry, within, most_slack)
    else:
        share = BETTER_SHARE if fresh.mean > old.value else WORSE_SHARE
        air = old.air_mass + share * (fresh.air_mass - old.air_mass)
        new = Band(old.value + share * (fresh.mean - old.value), air, old.slack)
    return (*bands[: fresh.band], new, *bands[fresh.band + 1 :])


def _first(reference: Baseline, fresh: Fresh, carry: Carry, within: int, most_slack: float) -> Band:
    known = usual(reference, fresh.air_mass, carry, within=within)
    if known is None:
        return Band(fresh.mean, fresh.air_mass, 0.0)
    worse = known.value - fresh.mean
    slack = min(max(known.slack + worse, 0.0), most_slack)
    return Band(known.value - (slack - known.slack) if worse > 0 else fresh.mean, fresh.air_mass, slack)
