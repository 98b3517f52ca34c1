"""How a disc goes that has left its mount's track."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.ensemble import Ensemble
from sentinel.chain.forecast.line import Line, fit_line
from sentinel.chain.forecast.pointing import STOP_S, likeliest_mount, stopped_px
from sentinel.sky.sun import Sun

LATELY_S, LATELY_DISCS = 1200.0, 12
SLOW_ARCSEC_S = 30.0
STOPPED_PACE = 0.15
"""A mount that stands lets the disc go at the sky's pace, to within this share."""


@dataclass(frozen=True, slots=True)
class Departure:
    """The disc has left the mount's track: how it has moved since."""

    since_s: float
    line: Line
    stopped: bool
    last: TrackedDisc


def departure_of(  # noqa: PLR0917 - what was seen, and of what mount
    sun: Sun,
    draws: Ensemble,
    suspects: Sequence[TrackedDisc],
    since_s: float | None,
    jitter_arcsec: float,
    scale_arcsec_px: float,
) -> Departure | None:
    """Return how the disc has moved since it left its track, None where it has not.

    `suspects`: the discs since then.
    `since_s`: when it left; None: it has not.
    """
    if since_s is None or not suspects:
        return None
    last = [one for one in suspects if one.utc_s > suspects[-1].utc_s - LATELY_S][-LATELY_DISCS:]
    rows = np.array([(one.utc_s, one.x_px, one.y_px, one.sigma_px) for one in last])
    sigma = np.hypot(rows[:, 3], 0.5 * jitter_arcsec / scale_arcsec_px)
    line = fit_line(rows[:, 0], rows[:, 1:3], sigma, slow_px_s=SLOW_ARCSEC_S / scale_arcsec_px)
    still = stopped_px(sun, likeliest_mount(draws), line.at_utc_s, scale_arcsec_px)
    sky = np.hypot(*still[:, 1]) / STOP_S[1]
    stopped = abs(float(np.hypot(*line.velocity_px_s)) / sky - 1) < STOPPED_PACE
    return Departure(since_s, line, stopped, suspects[-1])
