"""What the eye may know before it looks: how large and how flat the sun is, and where it was."""

from dataclasses import dataclass
from datetime import datetime
from math import nan

import numpy as np

from sentinel.chain.measure import ExpectedDisc, KnownOval
from sentinel.core.solar_size import solar_radius_arcsec
from sentinel.core.times import utc_s


@dataclass(frozen=True, slots=True)
class OvalAhead:
    """How the air will flatten the disc at some times, in shares of its radius.

    Computed beforehand: a measuring process starts in a tenth of the time that an ephemeris takes to load.
    """

    utc_s: tuple[float, ...]
    """Growing. Nothing is known beyond them."""
    cos2: tuple[float, ...]
    sin2: tuple[float, ...]
    sd: tuple[float, ...]

    def at(self, time_s: float, radius_px: float) -> KnownOval | None:
        """Return the oval of a disc at a time; None where it is not known."""
        if not self.utc_s[0] <= time_s <= self.utc_s[-1]:
            return None
        cos2, sin2, sd = (
            radius_px * float(np.interp(time_s, self.utc_s, term)) for term in (self.cos2, self.sin2, self.sd)
        )
        return KnownOval((cos2, sin2), sd)


@dataclass(frozen=True, slots=True)
class DiscPrior:
    """What is known of the coming frame's disc, on the sensor."""

    scale_arcsec_px: float
    share: float
    place_px: tuple[float, float] | None = None
    channel_ratio: float = nan
    sd_share: float | None = None
    oval: OvalAhead | None = None

    def expected(self, time_utc: datetime, step: int = 1) -> ExpectedDisc:
        """Return what is to be expected at a time, in a picture of squares of `step` pixels."""
        place, time_s = self.place_px, utc_s(time_utc)
        radius_px = solar_radius_arcsec(time_s) / self.scale_arcsec_px / step
        return ExpectedDisc(
            radius_px=radius_px,
            share=self.share,
            place_px=None
            if place is None
            else ((place[0] + 0.5) / step - 0.5, (place[1] + 0.5) / step - 0.5),
            channel_ratio=self.channel_ratio,
            sd_share=self.sd_share,
            oval=None if self.oval is None else self.oval.at(time_s, radius_px),
        )
