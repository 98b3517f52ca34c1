"""For how long a disc put in the middle stays: now, and from the worst of the coming hours."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from sentinel.chain.forecast.dwell import Mounting, stays_s
from sentinel.chain.forecast.sun_path import HORIZON_H, sun_path
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S, Settings
from sentinel.core.times import HOUR_S, from_utc_s
from sentinel.jobs.align.bolts import Bolt
from sentinel.jobs.align.fitted import Fit
from sentinel.sky import above_line_deg
from sentinel.sky.arrays import Array

USUAL_SLEEP_H = 8.0
"""Where no sleep is configured."""
_AROUND = np.arange(8) * np.pi / 4
_DOUBTS = np.concatenate(
    [np.zeros((3, 1)), [np.cos(_AROUND), np.sin(_AROUND), 0 * _AROUND], [[0, 0], [0, 0], [1, -1]]], axis=1
)
"""In units of the doubt, (3, k): the likeliest azimuth, altitude and rate; axes around; rates beside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """How long the disc stays; two days at most, for no farther is looked."""

    now_s: float | None
    """Put in the middle now; None: the sun is not up."""
    worst_s: float
    """Put there at the worst full hour of the coming day with the sun up, or now if that is the worst."""
    worst_utc: datetime
    least_s: float
    """The same for the worst axis and rate within two sigma."""


def wanted_s(settings: Settings) -> float:
    """Return for how long a disc has to stay: the operator's sleep, a visit, the ways there and back."""
    night_s, visit_min = settings.sleep.night_s(0.0), settings.thresholds.visit_default_min
    sleep_s = USUAL_SLEEP_H * HOUR_S if night_s is None else night_s[1] - night_s[0]
    return sleep_s + (visit_min + 2 * settings.visit.travel_min) * 60


def holding(fit: Fit, bolts: tuple[Bolt, Bolt]) -> tuple[Holding, Holding]:
    """Return how long it stays on the axis as it is, and once what is off has been turned out."""
    now_s = fit.now_s
    hours_s = (np.floor(now_s / HOUR_S) + np.arange(1, 25)) * HOUR_S
    starts = np.concatenate([[now_s], hours_s])
    starts = starts[above_line_deg(fit.sun, starts) > fit.settings.thresholds.sun_clear_deg]
    if not starts.size:
        starts = np.array([now_s])
    as_it_is = np.array([[bolt.error_deg] for bolt in bolts])
    turned = np.array([[0.0 if bolt.is_off else bolt.error_deg] for bolt in bolts])
    doubt = np.array([[2 * bolt.sigma_deg] for bolt in bolts]) * _DOUBTS[:2]
    errors = np.concatenate([as_it_is + doubt, turned + doubt], axis=1)
    rates = MEAN_SOLAR_RATE_ARCSEC_S * (fit.mount.rate_ratio + 2 * fit.mount.rate_ratio_sigma * _DOUBTS[2])
    stays = np.array([_stays_s(fit, errors, np.tile(rates, 2), start) for start in starts.tolist()])
    one, other = (_worst(starts, part, now_s) for part in np.split(stays, 2, axis=1))
    return one, other


def _stays_s(fit: Fit, errors: Array, rates: Array, start_s: float) -> Array:
    """Return how long it stays, (k,) seconds, from one start on axes off by (2, k) at rates (k,)."""
    mounting = Mounting(errors[0], errors[1], rates, fit.mounting.roll_deg)
    ahead = sun_path(fit.settings, fit.sun, start_s)
    stays = stays_s(fit.settings, fit.sun, fit.frame, mounting, ahead, optics=fit.optics)
    return np.minimum(stays, HORIZON_H * HOUR_S)


def _worst(starts: Array, stays: Array, now_s: float) -> Holding:
    at = int(stays[:, 0].argmin())
    return Holding(
        now_s=float(stays[0, 0]) if starts[0] == now_s else None,
        worst_s=float(stays[at, 0]),
        worst_utc=from_utc_s(float(starts[at])),
        least_s=float(stays.min()),
    )
