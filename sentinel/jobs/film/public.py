"""What a film may show that is not to tell where it was: which frames, and how. Pure.

A disc low over the horizon is as flat, as red and as dim as the air makes it, a ridge is known from maps, and
what lies beside the disc shows where the frame ends. So only clear, whole discs well above the horizon are
shown: grey, round, evenly bright, and nothing beside them. What must be computed for a place is computed for
the rounded one.
"""

from collections.abc import Sequence

import numpy as np

from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings, Site
from sentinel.core.times import utc_s
from sentinel.jobs.film.rendering import BLACK, NEUTRAL, Planes
from sentinel.jobs.steady import rounded
from sentinel.sky import Sun
from sentinel.sky.arrays import Bools

LEAST_ALTITUDE_DEG = 5.0
"""Below it the air changes too much for its doings to be undone. A judgement."""
ABOVE_HORIZON_DEG = 1.0
"""Over the highest of the horizon line at least: else the frames shown would draw the line."""
CLEAR = 0.97
"""Of the limb, seen as a clean edge."""
RIM = 1.04
"""Radii of the disc, within which anything is shown."""


def untelling(frames: Sequence[MeasuredFrame], settings: Settings, rounded_site: Site) -> Bools:
    """Return which frames may be shown, by the session's settings and the site that may be told."""
    times = np.array([utc_s(frame.time_utc) for frame in frames])
    line_deg = max((altitude for _, altitude in settings.site.horizon), default=0.0)
    least_deg = max(LEAST_ALTITUDE_DEG, line_deg + ABOVE_HORIZON_DEG)
    high = np.atleast_1d(Sun(rounded_site).altaz_deg(times)[0]) > least_deg
    clear = [frame.disc.whole and frame.disc.limb_coverage >= CLEAR for frame in frames]
    return np.asarray(high & np.array(clear, dtype=bool))


def made_untelling(planes: Planes, radius_px: float, squeeze: float, zenith_deg: float) -> Planes:
    """Return a picture of a disc in its middle made round and grey, with nothing beside it."""
    bright = rounded(planes.bright, squeeze, zenith_deg)
    middle = (bright.shape[0] - 1) / 2
    y, x = np.ogrid[: bright.shape[0], : bright.shape[1]]
    bright[np.hypot(x - middle, y - middle) > RIM * radius_px] = BLACK
    planes.blue[...] = planes.red[...] = NEUTRAL
    return Planes(bright, planes.blue, planes.red)
