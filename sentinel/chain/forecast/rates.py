"""The rates a drive may run at: a usual one, an unusual one, or the configured one while something gives."""

from collections.abc import Mapping
from dataclasses import replace

from sentinel.chain.forecast.geometry import SlowChange
from sentinel.chain.forecast.nodes import Candidate
from sentinel.sky.mount import LUNAR_DRIVE_ARCSEC_S, Tracking, rate_arcsec_s

_SHARES: Mapping[Tracking, float] = {"solar": 0.016, "sidereal": 0.016, "lunar": 0.016, "none": 0.008}
"""How likely a drive runs at another rate than it is said to, over that it runs at that."""
_UNUSUAL = Candidate(14.4, 0.01, 600.0)
"""And at none of the usual ones: a clutch that slips."""
_TIPPING = Candidate(0.0, 0.01, slow_change=SlowChange.TIPS)
"""And that it runs as it is said to while a leg sinks,"""
_RAMPING = Candidate(0.0, 0.01, slow_change=SlowChange.RAMPS)
"""or at a rate that goes on changing,"""
_CREEPING = Candidate(0.0, 0.01, slow_change=SlowChange.CREEPS)
"""or while a clamp gives way."""


def first_rates(configured: Tracking) -> tuple[Candidate, ...]:
    """Return the rates to reckon with before the track is seen."""
    usual = rate_arcsec_s(configured)
    slowly = (_TIPPING, _RAMPING, _CREEPING)
    found = [_UNUSUAL, *(replace(one, rate_arcsec_s=usual) for one in slowly)]
    for tracking, share in _SHARES.items():
        weight = 1.0 if tracking == configured else share
        rates = [rate_arcsec_s(tracking)] + ([LUNAR_DRIVE_ARCSEC_S] if tracking == "lunar" else [])
        found += [Candidate(rate, weight / len(rates)) for rate in rates]
    return tuple(found)


def changed_rates(configured: Tracking) -> tuple[Candidate, ...]:
    """Return the rates that a drive may change to, their shares one in all."""
    rates = (*(rate_arcsec_s(one) for one in _SHARES), LUNAR_DRIVE_ARCSEC_S)
    usual = rate_arcsec_s(configured)
    return (
        replace(_UNUSUAL, share=0.20),
        replace(_TIPPING, rate_arcsec_s=usual, share=0.20),
        replace(_CREEPING, rate_arcsec_s=usual, share=0.10),
        replace(_RAMPING, rate_arcsec_s=usual, share=0.10, sigma=100.0),
        *(Candidate(rate, 0.2 if rate == usual else 0.05) for rate in rates),
    )


def rate_name(base_arcsec_s: float) -> str:
    """Return what to call a candidate's rate."""
    if base_arcsec_s == LUNAR_DRIVE_ARCSEC_S:
        return "lunar"
    names = {rate_arcsec_s(tracking): tracking for tracking in _SHARES}
    name = names.get(base_arcsec_s)
    return "an unusual" if name is None else "no" if name == "none" else name
