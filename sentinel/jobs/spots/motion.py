"""How spots move in Carrington longitude, beside the published rotation of the sun. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from sentinel.core.times import DAY_S
from sentinel.jobs.spots.follow import FollowedBlob
from sentinel.jobs.trend import trend_of
from sentinel.sky import from_central_meridian_deg, spot_rotation_deg_day

FEWEST = 8
"""Sightings, for a motion to be told."""
WORTH_TELLING_DEG_DAY = 2.0
"""A motion less well known than this says nothing about a sun that turns by 14 degrees a day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """A spot's motion in Carrington longitude, degrees a day, west positive."""

    latitude_deg: float
    measured: float
    sigma: float
    published: float
    """By the differential rotation of spots at this latitude."""


def motion_of(blob: FollowedBlob) -> Motion | None:
    """Return a spot's motion; None: it was seen too seldom, or too shortly for anything to be told."""
    if blob.kind != "sun" or blob.sightings < FEWEST:
        return None
    days = (blob.utc_s - blob.utc_s[0]) / DAY_S
    ahead = np.asarray(from_central_meridian_deg(blob.longitude_deg, float(blob.longitude_deg[0])))
    trend = trend_of(days, ahead, blob.degree_px**2)
    if not trend.sigma < WORTH_TELLING_DEG_DAY:
        return None
    latitude = float(np.median(blob.latitude_deg))
    return Motion(
        latitude_deg=latitude,
        measured=trend.slope,
        sigma=trend.sigma,
        published=float(spot_rotation_deg_day(latitude)),
    )


def together(motions: Sequence[Motion]) -> tuple[float, float]:
    """Return by how much spots run ahead of the published rotation in the weighted mean, and its sigma."""
    weight = np.array([one.sigma**-2 for one in motions])
    off = np.array([one.measured - one.published for one in motions])
    return float((weight * off).sum() / weight.sum()), 1 / sqrt(float(weight.sum()))
