"""What a session's discs, in order, let the eye expect of the next one."""

from collections import deque
from math import isfinite, nan
from statistics import median

from sentinel.chain.intake.disc_prior import DiscPrior
from sentinel.chain.intake.session_ovals import Air, SessionOvals, air_over
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.solar_size import solar_radius_arcsec
from sentinel.core.times import utc_s

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


class SessionDiscs:
    """Learns from a session's discs, in order, what to expect of the next one.

    `scale_arcsec_px`: by the settings' lens.
    `air`: how it flattens the disc, as far as the settings tell; None: no oval is foreseen.
    """

    def __init__(self, scale_arcsec_px: float, air: Air | None = None) -> None:
        self._lens = scale_arcsec_px
        self._ovals = SessionOvals(air) if air is not None else None
        self._own: deque[float] = deque(maxlen=OWN)
        self._place_px: tuple[float, float] | None = None
        self._channel_ratios: deque[float] = deque(maxlen=COLOUR_KEPT)

    @classmethod
    def of(cls, settings: Settings) -> "SessionDiscs":
        """Begin with what the settings say of lens, place and drive."""
        return cls(settings.camera.scale_arcsec_px, air_over(settings))

    @property
    def prior(self) -> DiscPrior:
        """What is known now."""
        channel_ratio = max((ratio for ratio in self._channel_ratios if isfinite(ratio)), default=nan)
        if len(self._own) < ENOUGH:
            return DiscPrior(self._lens, LENS_SHARE, self._place_px, channel_ratio)
        oval = self._ovals.ahead() if self._ovals is not None else None
        return DiscPrior(median(self._own), SESSION_SHARE, self._place_px, channel_ratio, SESSION_SD, oval)

    def learn(self, frame: MeasuredFrame) -> None:
        """Take a measured frame into account."""
        disc = frame.disc
        if disc.found:
            self._channel_ratios.append(disc.channel_ratio)
        if self._ovals is not None:
            self._ovals.learn(frame)
        if not disc.found or disc.limb_coverage < CLEAR:
            return
        self._own.append(solar_radius_arcsec(utc_s(frame.time_utc)) / disc.radius_px)
        self._place_px = (disc.x_px, disc.y_px)
