"""What the disc's edge and light say of lens and filter: `soft-focus`, `dimmed`, `over-bright`."""

from math import log2
from typing import NamedTuple

from sentinel.chain.judge.baseline import BANDS, Baseline, Carry, extinction, learned, usual
from sentinel.chain.judge.details import Dimmed, SoftFocus
from sentinel.chain.judge.glare import ANY_AIR, Glare, glared
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.judge.persistence import NOTHING, Persistence
from sentinel.chain.judge.visibility import level_stops
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity

# From how many bands away (an eighth of a factor e of air mass each) a value is still of use once the air's
# share has been carried over. Light is held against any that is known: else a sun that sinks on in smoke
# would in two bands have nothing left to be held against but smoke.
FOCUS_BANDS_AWAY = 10
FOCUS_SLACK, LIGHT_SLACK = 0.25, 0.12
"""Stops: seeing does more than its law, clear air hardly."""
DISPERSION_ARCSEC = 0.7
"""Smear by the air's dispersion over the visible, per air mass (6 to 10" at an air mass of 12; computed)."""
BRACKETS = 4
SMOOTHED, RIPPLE_SMOOTHED, MOST_RIPPLE = 0.2, 0.15, 0.15
"""What is told is a mean of about the last five frames; the ripple of about the last seven, in which one
jump counts for no more than this."""
SOFT_HITS, GRAVE_HITS = 5, 9
"""So many frames at least say so, however few there are in the time; the more, the graver or the fainter."""
WHOLE = 0.05
"""A limb with less covered is whole: its light can be compared."""
FROM_SEEING = 1.09
"""A limb's 10-90 % rise over the seeing's full width at half maximum: 2.563 over 2.355 sigma."""
SEEING_POWER = 1.2
"""Seeing grows as the air mass to the 0.6 (Kolmogorov), and its square to this."""
_LEAST = 1e-6
"""Nothing is divided by less."""


class EdgeAndLight(NamedTuple):
    """What the judge remembers of edge and light; bounded."""

    width: Baseline = Baseline()
    before: Baseline = Baseline()
    """The edge before somebody last turned the ring: a new focus is to be no worse."""
    soft: Persistence = NOTHING
    very_soft: Persistence = NOTHING
    ratio: float | None = None
    levels: tuple[tuple[int, Baseline], ...] = ()
    """By exposure in thirds of a stop, the last used first."""
    dim: Persistence = NOTHING
    share: float | None = None
    last_share: float | None = None
    ripple: float = 0.0
    """How much the light changes from frame to frame."""
    glare: Glare = Glare()


def take_frame(
    state: EdgeAndLight, sight: Observation, context: Context, *, cloudy_s: float | None, known: bool = True
) -> tuple[EdgeAndLight, Readings]:
    """Take one frame.

    `cloudy_s`: when cloud was last hinted at; None: not in the last hour.
    `known`: False: the exposure is not told, and whether there are brackets is not known yet.
    """
    reference = dict(state.levels).get(round(3 * (sight.exposure_stops or 0.0)))
    glare = glared(state.glare, sight, context, reference, cloudy_s=cloudy_s, known=known)
    state = state._replace(glare=glare)
    found: Readings = {"over-bright": glare.finding}
    if glare.finding is not None or not known:
        return state, found
    cloudy = cloudy_s is not None
    clear = sight.found and sight.covered < context.thresholds.covered_clear_fraction and sight.in_frame > 0.5
    if clear and sight.edge_width_px is not None:
        state = _focus(state, sight, context, cloudy=cloudy)
        found["soft-focus"] = _soft_finding(state, sight, context)
    if clear and sight.covered < WHOLE:
        state = _light(state, sight, context)
        found["dimmed"] = _dim_finding(state, sight, context)
    return state, found


def refocused(state: EdgeAndLight) -> EdgeAndLight:
    """Learn the edge anew, the operator having turned the ring; what it was is kept to compare with."""
    known = any(band is not None for band in state.width.bands)
    before = state.width if known else state.before
    return state._replace(width=Baseline(), before=before, soft=NOTHING, very_soft=NOTHING, ratio=None)


def cleaned(state: EdgeAndLight) -> EdgeAndLight:
    """Forget how long it has been dim or soft: somebody was at the lens."""
    return state._replace(soft=NOTHING, very_soft=NOTHING, dim=NOTHING)


def _seeing(context: Context) -> Carry:
    """Return how far the air alone widens an edge: seeing like air mass to the 0.6, dispersion like air mass.

    Values are -log2 of the width in pixels.
    """
    scale = context.settings.camera.scale_arcsec_px
    seeing = (FROM_SEEING * context.thresholds.focus_seeing_arcsec / scale) ** 2
    smear = (DISPERSION_ARCSEC / scale) ** 2

    def carry(value: float, from_air: float, to_air: float) -> float:
        if to_air <= from_air:
            return value
        more = seeing * (to_air**SEEING_POWER - from_air**SEEING_POWER) + smear * (to_air**2 - from_air**2)
        return -0.5 * log2(4.0**-value + more)

    return carry


def _focus(state: EdgeAndLight, sight: Observation, context: Context, *, cloudy: bool) -> EdgeAndLight:
    width, limits = sight.edge_width_px, context.thresholds
    if width is None:
        return state
    air, carry = sight.sun.air_mass, _seeing(context)
    now, before = (usual(r, air, carry, within=FOCUS_BANDS_AWAY) for r in (state.width, state.before))
    sharpest = max((known.value for known in (now, before) if known is not None), default=None)
    ratio = width * 2.0**sharpest if sharpest is not None else None
    keep = ratio is None or ratio < limits.focus_clear_ratio
    reference = learned(
        state.width,
        -log2(width),
        air,
        sight.time_s,
        carry,
        keep=keep,
        within=FOCUS_BANDS_AWAY,
        most_slack=FOCUS_SLACK,
    )
    if ratio is None:
        return state._replace(width=reference, ratio=None)
    step_s = 3 * context.interval_s
    soft = state.soft.after(ratio >= limits.focus_soon_ratio, sight.time_s, most_step_s=step_s)
    very = state.very_soft
    if not cloudy:
        very = very.after(ratio >= limits.focus_now_ratio, sight.time_s, most_step_s=step_s)
    smooth = ratio if state.ratio is None else state.ratio + SMOOTHED * (ratio - state.ratio)
    return state._replace(width=reference, soft=soft, very_soft=very, ratio=smooth)


def _soft_finding(state: EdgeAndLight, sight: Observation, context: Context) -> Finding | None:
    limits = context.thresholds
    if state.ratio is None or (state.soft.since_s is None and state.ratio < limits.focus_clear_ratio):
        return None
    since_s = state.soft.since_s if state.soft.since_s is not None else sight.time_s
    severity = None
    if state.soft.lasted(limits.focus_soon_min, hits=SOFT_HITS):
        severity = (
            Severity.NOW if state.very_soft.lasted(limits.focus_now_min, hits=GRAVE_HITS) else Severity.SOON
        )
    width = sight.edge_width_px or 0.0
    detail = SoftFocus(
        edge_width_px=round(width, 2),
        usual_px=round(width / max(state.ratio, _LEAST), 2),
        ratio=round(state.ratio, 2),
        held_min=round(state.soft.minutes, 1),
        sun_altitude_deg=round(sight.sun.altitude_deg, 1),
    )
    return Finding(severity=severity, onset_s=since_s, frame=sight.frame, detail=detail)


def _light(state: EdgeAndLight, sight: Observation, context: Context) -> EdgeAndLight:
    level, limits = level_stops(sight), context.thresholds
    if level is None:
        return state
    key = round(3 * (sight.exposure_stops or 0.0))
    table = dict(state.levels)
    reference = table.pop(key, Baseline())
    air = sight.sun.air_mass
    carry = extinction(reference, ANY_AIR).carry
    known = usual(reference, air, carry, within=BANDS)
    share = 2.0 ** (level - known.value) if known is not None else None
    less_air = known is not None and known.away and air < known.air_mass
    if less_air and state.dim.since_s is not None and (share or 0.0) > 1 - limits.dimmed_fraction:
        # Less air than ever before lets through more: that does not show that what dimmed it is gone.
        return state
    keep = share is None or share > 1 - limits.dimmed_clear_fraction
    reference = learned(
        reference, level, air, sight.time_s, carry, keep=keep, within=BANDS, most_slack=LIGHT_SLACK
    )
    others = tuple(table.items())[: BRACKETS - 1]
    state = state._replace(levels=((key, reference), *others))
    if share is None:
        return state
    # Frost and dirt are steady; cloud, however thin, comes and goes from frame to frame.
    change = abs(share - state.last_share) / max(share, _LEAST) if state.last_share is not None else 0.0
    ripple = state.ripple + RIPPLE_SMOOTHED * (min(change, MOST_RIPPLE) - state.ripple)
    even = ripple < limits.dimmed_ripple_fraction
    dim = state.dim.after(
        share <= 1 - limits.dimmed_fraction and even, sight.time_s, most_step_s=3 * context.interval_s
    )
    smooth = share if state.share is None else state.share + SMOOTHED * (share - state.share)
    return state._replace(dim=dim, share=smooth, last_share=share, ripple=ripple)


def _dim_finding(state: EdgeAndLight, sight: Observation, context: Context) -> Finding | None:
    limits = context.thresholds
    if state.share is None or (state.dim.since_s is None and state.share > 1 - limits.dimmed_clear_fraction):
        return None
    since_s = state.dim.since_s if state.dim.since_s is not None else sight.time_s
    severity = Severity.SOON if state.dim.lasted(limits.dimmed_soon_min, hits=GRAVE_HITS) else None
    detail = Dimmed(
        light_fraction=round(state.share, 3),
        held_min=round(state.dim.minutes, 1),
        sun_altitude_deg=round(sight.sun.altitude_deg, 1),
    )
    return Finding(severity=severity, onset_s=since_s, frame=sight.frame, detail=detail)


__all__ = ["EdgeAndLight", "cleaned", "refocused", "take_frame"]
