"""How the camera sat, told by the spots as well as by the track. Pure.

Spots go along the parallels of a sun whose axis is known, so their tracks over a day show how the picture is
turned; and whatever turns all of them about the disc's middle from one picture to another is the camera, or
its mount. What the track tells is one more measurement, with its own sigma.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from sentinel.chain.measure.order import spread
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import DAY_S, utc_s
from sentinel.jobs.spots.follow import FollowedBlob, Look
from sentinel.jobs.steady import Attitude, responses
from sentinel.sky import DiscView, Sun, from_central_meridian_deg, spot_rotation_deg_day
from sentinel.sky.arrays import Array, floats

FEWEST = 8
"""Sightings of a spot that is asked."""
MOST_SPOTS = 12
OWN_DEG_DAY = 0.05, 0.2
"""Of single spots, 1-sigma: how they wander in latitude, and in longitude beside the published rotation. They
are what the roll itself is told to at best. Common practice; no source."""
NOISE_PX = 0.5
"""Of a sighting, until the fit has told it."""
LEAST_NOISE_PX = 0.05
STRAY_SIGMAS = 4.0
"""A sighting farther off is left out: another blob, or one whose shape has changed."""
PLACE_DOUBT_DEG = 20.0
"""Nothing is known of a spot's place before it is seen."""
LEAST_SIGMA_DEG = 0.03
"""However many agree: the disc's middle and its squeeze are not better known. A judgement."""
PER_SPOT, PER_ATTITUDE = 4, 3

Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Sightings:
    """All sightings of all spots, one after another."""

    view: DiscView
    """With arrays for fields."""
    spot: Places
    attitude: Places
    """Numbers of the spot and of the attitude that each belongs to."""
    days: Array
    xy_px: Array
    """(n, 2)."""
    response: Array
    """(n, 3), as `steady.responses` has it."""


def attitudes_by_spots(
    frames: Sequence[MeasuredFrame],
    sitting: Sequence[Attitude],
    looks: Sequence[Look],
    blobs: Sequence[FollowedBlob],
    *,
    settings: Settings,
    sun: Sun,
) -> tuple[list[Attitude], int]:
    """Return how camera and axis stood at each frame, and how many spots had a say.

    `frames`, `sitting`: the session's, and how the track has the camera sit at each.
    `looks`, `blobs`: as `looks_at` and `followed` have them; the looks' north as the track tells it.
    """
    spots = [one for one in blobs if one.kind == "sun" and one.sightings >= FEWEST][:MOST_SPOTS]
    known = list(dict.fromkeys(one for one in sitting if one.placed))
    if not spots or not known:
        return list(sitting), 0
    seen = _sightings(frames, sitting, looks, spots, known, settings=settings, sun=sun)
    if len(seen.days) < FEWEST:
        return list(sitting), 0
    prior = [one.errors_deg2(settings.site.latitude_deg) for one in known]
    changes, covariance = _fitted(seen, prior, len(spots))
    found = {}
    for k, (one, change) in enumerate(zip(known, changes, strict=True)):
        own = slice(PER_ATTITUDE * k, PER_ATTITUDE * (k + 1))
        errors = covariance[own, own]
        errors[0, 0] += LEAST_SIGMA_DEG**2
        found[one] = replace(
            one,
            roll_deg=one.roll_deg + change[0],
            azimuth_error_deg=one.azimuth_error_deg + change[1],
            altitude_error_deg=one.altitude_error_deg + change[2],
            fitted_errors_deg2=tuple(tuple(row) for row in errors.tolist()),
        )
    return [found.get(one, one) for one in sitting], len(set(seen.spot.tolist()))


def _sightings(
    frames: Sequence[MeasuredFrame],
    sitting: Sequence[Attitude],
    looks: Sequence[Look],
    spots: Sequence[FollowedBlob],
    known: Sequence[Attitude],
    *,
    settings: Settings,
    sun: Sun,
) -> _Sightings:
    """Return the sightings in pictures whose attitude is known."""
    number = {utc_s(frame.time_utc): k for k, frame in enumerate(frames)}
    at = {look.utc_s: look for look in looks if sitting[number[look.utc_s]].placed}
    rows = [
        (at[time_s], which, known.index(sitting[number[time_s]]), x, y)
        for which, spot in enumerate(spots)
        for time_s, x, y in zip(spot.utc_s.tolist(), spot.x_px.tolist(), spot.y_px.tolist(), strict=True)
        if time_s in at
    ]
    own = [number[row[0].utc_s] for row in rows]
    response = np.zeros((len(rows), PER_ATTITUDE))
    for k, attitude in enumerate(known):
        mine = [n for n, row in enumerate(rows) if row[2] == k]
        if mine:
            response[mine] = responses([frames[own[n]] for n in mine], attitude, settings, sun)
    return _Sightings(
        view=DiscView(
            **{
                name: np.array([float(floats(getattr(row[0].view, name))) for row in rows])
                for name in DiscView.__slots__
            }
        ),
        spot=np.array([row[1] for row in rows], dtype=np.intp),
        attitude=np.array([row[2] for row in rows], dtype=np.intp),
        days=np.array([row[0].utc_s for row in rows]) / DAY_S,
        xy_px=np.array([row[3:] for row in rows]).reshape(-1, 2),
        response=response,
    )


def _fitted(seen: _Sightings, prior: Sequence[Array], spots: int) -> tuple[Array, Array]:
    """Return what each attitude changes by (k, 3), and the covariance of all of it, squared degrees."""
    count = PER_ATTITUDE * len(prior)
    before = [np.linalg.inv(np.linalg.cholesky(one)) for one in prior]
    whole, days, places = seen.view, seen.days - seen.days.min(), _first_places(seen, spots)

    def off_px(values: Array, which: Places) -> Array:
        """How far the chosen sightings are from where the spots should stand, (n, 2)."""
        own = values[count:].reshape(spots, PER_SPOT)[seen.spot[which]]
        changes = values[:count].reshape(-1, PER_ATTITUDE)[seen.attitude[which]]
        turn = (seen.response[which] * changes).sum(axis=1)
        fields = {name: floats(getattr(whole, name))[which] for name in DiscView.__slots__}
        fields["north_deg"], fields["zenith_deg"] = fields["north_deg"] + turn, fields["zenith_deg"] + turn
        latitude = own[:, 0] + own[:, 2] * days[which]
        longitude = own[:, 1] + (spot_rotation_deg_day(own[:, 0]) + own[:, 3]) * days[which]
        x, y, _ = DiscView(**fields).place_px(latitude, longitude)
        return np.asarray(np.stack([x, y], axis=1) - seen.xy_px[which])

    def misfit(values: Array, which: Places, noise_px: float) -> Array:
        own = values[count:].reshape(spots, PER_SPOT)
        parts = [root @ change for root, change in zip(before, values[:count].reshape(-1, 3), strict=True)]
        parts += [
            (off_px(values, which) / noise_px).ravel(),
            ((own[:, :2] - places) / PLACE_DOUBT_DEG).ravel(),
            (own[:, 2:] / OWN_DEG_DAY).ravel(),
        ]
        return np.concatenate(parts)

    values = np.concatenate([np.zeros(count), np.hstack([places, np.zeros_like(places)]).ravel()])
    every = np.arange(len(seen.days), dtype=np.intp)
    which, noise_px = every, NOISE_PX
    for _ in range(3):
        found = least_squares(misfit, values, args=(which, noise_px), x_scale="jac")
        values, off = found.x, off_px(found.x, every)
        noise_px = max(spread(off), LEAST_NOISE_PX)
        near = np.flatnonzero((np.abs(off) < STRAY_SIGMAS * noise_px).all(axis=1))
        # Where most are strays, none is: the spots do not go as they should, and the noise says so.
        which = near if 2 * near.size > every.size else every
    # Errors that last from one picture to the next tell less than so many sightings would by themselves.
    noise_px *= _lasting(off_px(values, which), seen.spot[which])
    found = least_squares(misfit, values, args=(which, noise_px), x_scale="jac")
    errors = np.linalg.inv(found.jac.T @ found.jac)
    return found.x[:count].reshape(-1, PER_ATTITUDE), errors[:count, :count]


def _first_places(seen: _Sightings, spots: int) -> Array:
    """Return latitudes and, at the first sighting of all, longitudes of the spots, (n, 2)."""
    latitude, longitude = seen.view.heliographic_deg(seen.xy_px[:, 0], seen.xy_px[:, 1])
    longitude = longitude - spot_rotation_deg_day(latitude) * (seen.days - seen.days.min())
    places = np.zeros((spots, 2))
    for k in range(spots):
        own = np.flatnonzero((seen.spot == k) & np.isfinite(latitude))
        if own.size:
            first = longitude[own[0]]
            ahead = np.median(from_central_meridian_deg(longitude[own], first))
            places[k] = np.median(latitude[own]), first + ahead
    return places


def _lasting(off_px: Array, spot: Places) -> float:
    """Return by what factor errors count for more because each resembles the one before it; at least 1."""
    alike = spot[1:] == spot[:-1]
    if not alike.any():
        return 1.0
    power = float(np.square(off_px).mean())
    likeness = float((off_px[1:] * off_px[:-1])[alike].mean()) / power if power > 0 else 0.0
    likeness = min(max(likeness, 0.0), 0.98)
    return float(np.sqrt((1 + likeness) / (1 - likeness)))
