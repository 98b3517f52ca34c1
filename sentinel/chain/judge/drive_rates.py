"""Which of the rates that a drive can be set to a fitted one is. Pure."""

from sentinel.chain.judge.details import RATE_OPEN, RATE_UNUSUAL
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S
from sentinel.sky.mount import LUNAR_DRIVE_ARCSEC_S, Tracking, rate_arcsec_s

_SET_TO: tuple[Tracking, ...] = ("solar", "sidereal", "lunar")
_USUAL = tuple(
    (name, rate / MEAN_SOLAR_RATE_ARCSEC_S)
    for name, rate in (*((name, rate_arcsec_s(name)) for name in _SET_TO), ("lunar", LUNAR_DRIVE_ARCSEC_S))
)
_LIKE_USUAL, _LIKE_SIGMAS, _HALFWAY = 0.0008, 2.0, 0.0014
"""A rate so near a usual one (not a third of what solar and sidereal differ by), or within so many sigmas of
it, is that, as long as those end halfway to the next."""
_UNLIKE_SIGMAS = 3.0
"""Beyond so many it is not."""


def off_by(ratio: float, tracking: str) -> float:
    """Return how far a rate, over the mean solar rate, is from that of a drive set as the settings say."""
    return min((ratio - usual for name, usual in _USUAL if name == tracking), key=abs)


def looks_like(ratio: float, sigma: float, tracking: str) -> str:
    """Return the usual rate that it is, `RATE_UNUSUAL`, or `RATE_OPEN` where neither is known."""
    name, off = min(((name, abs(ratio - usual)) for name, usual in _USUAL), key=lambda one: one[1])
    if off < max(_LIKE_USUAL, min(_LIKE_SIGMAS * sigma, _HALFWAY)):
        return name
    if off >= _UNLIKE_SIGMAS * sigma:
        return RATE_UNUSUAL
    # Neither as configured nor as anything else.
    return tracking if name == tracking else RATE_OPEN
