"""When the sun is down, and where the disc will stand when it is up again. Pure."""

from datetime import datetime
from functools import lru_cache
from math import isfinite
from typing import NamedTuple

import numpy as np

from sentinel.chain.forecast.dwell import Mounting, tracks_px
from sentinel.chain.forecast.exits import EDGES, Frame
from sentinel.chain.judge.agenda import Rise
from sentinel.core.records import Forecast
from sentinel.core.settings import Settings, Site
from sentinel.core.times import DAY_S, from_utc_s, utc_s
from sentinel.sky import Sun
from sentinel.sky.horizon import daylight
from sentinel.sky.mount import Optics

AHEAD_DAYS = 3
"""So far ahead nights are looked for: as far as forecasts look, and a day."""


class Night(NamedTuple):
    """A stretch in which the disc is not wholly over the horizon line: nobody can put it anywhere."""

    sets_s: float
    """Or longer ago, where it has been down for a day and more."""
    rises_s: float
    """inf: it stays down as far as was looked ahead."""

    @property
    def rises_utc(self) -> datetime | None:
        """The same to the second; None: it stays down."""
        return from_utc_s(round(self.rises_s)) if isfinite(self.rises_s) else None

    @property
    def sets_utc(self) -> datetime | None:
        """To the second; None: it has been down for longer than was looked back."""
        return from_utc_s(round(self.sets_s)) if isfinite(self.sets_s) else None


@lru_cache(maxsize=4)
def sun_of(site: Site) -> Sun:
    """Return the sun of a site: its tables are made once."""
    return Sun(site)


@lru_cache(maxsize=64)
def _nights(site: Site, day: int) -> tuple[Night, ...]:
    start_s, end_s = (day - 1) * DAY_S, (day + AHEAD_DAYS) * DAY_S
    spans = daylight(sun_of(site), start_s, end_s, "lower").spans
    if not spans:
        return (Night(start_s, np.inf),)
    sets = [start_s, *(end for _, end in spans)]
    rises = [*(begin for begin, _ in spans), np.inf]
    # Up at the very beginning or end: there is no night before or after.
    first, last = int(spans[0][0] <= start_s), len(sets) - int(spans[-1][1] >= end_s)
    return tuple(map(Night, sets[first:last], rises[first:last]))


def night_of(site: Site, at_s: float) -> Night | None:
    """Return the night that is on at a moment, or else the next; None: the sun stays up for days."""
    return next((one for one in _nights(site, int(at_s // DAY_S)) if one.rises_s > at_s), None)


def night_on(site: Site, at_s: float) -> Night | None:
    """Return the night that is on at a moment; None: it is day."""
    night = night_of(site, at_s)
    return night if night is not None and night.sets_s <= at_s else None


def night_before(site: Site, at_s: float, *, within_s: float) -> Night | None:
    """Return the night that is on at a moment or ended less than `within_s` before it; None: none did."""
    night = night_of(site, at_s - within_s)
    return night if night is not None and night.sets_s < at_s else None


def rise_of(forecast: Forecast, settings: Settings, when_s: float, size_px: tuple[int, int]) -> Rise | None:
    """Return where the disc will stand at a time by the mount as a forecast has it; None: not known.

    Of the likeliest mount, without worm and flexure.
    """
    mount, pointing = forecast.mount, forecast.pointing
    if mount is None or pointing is None or size_px[0] <= 0 or mount.departed_utc is not None:
        return None
    at, scale, axis = pointing.expected_px, mount.scale_arcsec_px, mount.axis
    if not np.isfinite(at).all():
        return None
    azimuth_deg = axis.azimuth_error_deg if axis is not None else 0.0
    altitude_deg = axis.altitude_error_deg if axis is not None else 0.0
    mounting = Mounting(azimuth_deg, altitude_deg, 15 * mount.rate_ratio, mount.roll_deg)
    optics = Optics.of_scale(scale, settings.camera.pixel_pitch_um, *size_px)
    sun = sun_of(settings.site)
    times = np.array([utc_s(forecast.time_utc), when_s])
    x, y = (track[0, 1] for track in tracks_px(settings, sun, mounting, times, optics, at_px=at))
    if not np.isfinite([x, y]).all():
        return None
    radius = float(sun.angular_radius_arcsec(when_s)) / scale
    frame = Frame(*size_px, settings.frames.margin_px)
    room = frame.room_px(x, y, radius)
    middle = frame.middle_px
    return Rise(
        right_widths=float(x - middle[0]) / (2 * radius),
        up_widths=float(middle[1] - y) / (2 * radius),
        out_widths=-float(room.min()) / (2 * radius),
        edge=EDGES[int(room.argmin())],
    )
