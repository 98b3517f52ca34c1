"""What the eye may know before it looks: how large the sun is by lens and date, and where it was."""

from collections import deque
from dataclasses import dataclass
from datetime import datetime
from math import isfinite, nan
from statistics import median

from sentinel.chain.measure import ExpectedDisc
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.sky.solar_size import solar_radius_arcsec

LENS_SHARE, SESSION_SHARE = 0.06, 0.02
"""How far the radius may be from what lens and date, and the session's own discs, let expect, relative."""
SESSION_SD = 0.001
"""Standard deviation of the radius that a session's own discs tell: lenses breathe with cold and focus."""
COLOUR_KEPT = 200
"""Discs for which what a session has told of its colours is believed: filters are changed."""
OWN, ENOUGH = 15, 5
"""Discs of the session that are remembered, and that outweigh what the settings say of the lens."""
CLEAR = 0.6
"""Coverage of the limb from which a disc tells the scale, and the place where to look next."""


@dataclass(frozen=True, slots=True)
class DiscPrior:
    """What is known of the coming frame's disc, on the sensor."""

    scale_arcsec_px: float
    share: float
    place_px: tuple[float, float] | None = None
    channel_ratio: float = nan
    sd_share: float | None = None

    def expected(self, time_utc: datetime, step: int = 1) -> ExpectedDisc:
        """Return what is to be expected at a time, in a picture of squares of `step` pixels."""
        place = self.place_px
        return ExpectedDisc(
            radius_px=solar_radius_arcsec(utc_s(time_utc)) / self.scale_arcsec_px / step,
            share=self.share,
            place_px=None
            if place is None
            else ((place[0] + 0.5) / step - 0.5, (place[1] + 0.5) / step - 0.5),
            channel_ratio=self.channel_ratio,
            sd_share=self.sd_share,
        )


class SessionDiscs:
    """Learns from a session's discs, in order, what to expect of the next one.

    `scale_arcsec_px`: by the settings' lens.
    """

    def __init__(self, scale_arcsec_px: float) -> None:
        self._lens = scale_arcsec_px
        self._own: deque[float] = deque(maxlen=OWN)
        self._place_px: tuple[float, float] | None = None
        self._channel_ratios: deque[float] = deque(maxlen=COLOUR_KEPT)

    @property
    def prior(self) -> DiscPrior:
        """What is known now."""
        channel_ratio = max((ratio for ratio in self._channel_ratios if isfinite(ratio)), default=nan)
        if len(self._own) < ENOUGH:
            return DiscPrior(self._lens, LENS_SHARE, self._place_px, channel_ratio)
        return DiscPrior(median(self._own), SESSION_SHARE, self._place_px, channel_ratio, SESSION_SD)

    def learn(self, frame: MeasuredFrame) -> None:
        """Take a measured frame into account."""
        disc = frame.disc
        if disc.found:
            self._channel_ratios.append(disc.channel_ratio)
        if not disc.found or disc.limb_coverage < CLEAR:
            return
        self._own.append(solar_radius_arcsec(utc_s(frame.time_utc)) / disc.radius_px)
        self._place_px = (disc.x_px, disc.y_px)
