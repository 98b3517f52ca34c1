"""`over-bright`: light that only a filter lets in that is off, torn or slipping.

Through the filter nothing in a frame is brighter than the disc at its highest. So light has risen where

- all of it burns out, or the disc comes out so many times as bright as before (on the first frame);
- part of a disc burns out that did not, while its level does not say so: a torn filter, one that slips. Even
  light burns out the middle only when half of the disc is nearly there (on the second frame);
- part of a frame without a disc burns out, at an exposure at which the disc itself does not.

A sun that leaves cloud or an eclipse is no brighter than before at this height; a morning sun grows with the
air.
"""

from math import log2
from statistics import median
from typing import NamedTuple

from sentinel.chain.judge.baseline import Baseline, Extinction, present, usual
from sentinel.chain.judge.details import OverBright
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.judge.visibility import HAZY_STOPS
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity

LIGHT_BANDS_AWAY = 2
BURNT_RATIO = 1.25
_MEMORY_S = 1800.0
_NEWEST, _MOST, _APART_S = 3, 24, 150.0
"""Of each exposure the newest are kept, and before them one in so many seconds."""
_NONE, _SOME = 0.01, 0.05
"""Share of the disc at full scale that is none; that is more than chance."""
_SOME_OF_FRAME = 0.005
_CLOUD_S = 900.0
"""So long after cloud a sun that comes out may be spotted."""
_HAZE_STOPS = 1.5 * HAZY_STOPS
ANY_AIR = Extinction(0.0, _HAZE_STOPS, _HAZE_STOPS)
"""None at all, or the most that haze explains."""
_FLAT_STOPS, _RISEN_STOPS = 0.06, 0.06
_MOST_REMEMBERED = 0.165
"""A disc burnt out by more is no measure of light."""
_ALL, _FULL = 0.8, 0.95
"""Share of the disc at full scale, and its level, at which all of it is burnt out."""
_IN_FRAME = 0.3
"""Of a disc with less of its limb in the frame the middle is outside, and it is the middle that burns."""
_UNEVEN_STOPS = 0.6
"""Levels of the last half hour that differ by more are those of cloud, and tell nothing of the filter."""
_HALF_BURNT, _BURNT_SLOPE = 0.75, 0.3
"""The level, for none and for all of the disc at full scale, from which even light burns out the middle."""
_DARKEST = 1e-6
"""No logarithm is taken of less."""


class Bright(NamedTuple):
    """A disc's level in the last half hour."""

    time_s: float
    brightness: float
    exposure_stops: float | None
    saturated: float
    air_mass: float


class Glare(NamedTuple):
    """What is remembered of the light; bounded."""

    bright: tuple[Bright, ...] = ()
    burning: int = 0
    """Frames in a row in which part burns out that did not."""
    burning_s: float = 0.0
    burning_stops: float | None = None
    """Since when, and at which exposure."""
    share: float = 0.0
    """How much of it did when that began."""
    finding: Finding | None = None


def glared(
    state: Glare,
    sight: Observation,
    context: Context,
    reference: Baseline | None,
    *,
    cloudy_s: float | None,
    known: bool,
) -> Glare:
    """Take one frame.

    `reference`: the disc's level by altitude at this exposure; None: not known.
    """
    told = state.finding
    sure_before = told is not None and told.severity is not None
    # While it glares what was before stays the measure: else the glare would in time become the usual.
    asked_s = told.onset_s if told is not None else sight.time_s
    recent = tuple(b for b in state.bright if asked_s - b.time_s <= _MEMORY_S)
    same = [b for b in recent if _same_exposure(b.exposure_stops, sight.exposure_stops, context)]
    over = _over_usual(reference, sight)
    shone = _glares(recent, same, over, sight, context, cloudy=cloudy_s is not None, begun=sure_before)
    if not known and (sight.found or not shone):
        return Glare()
    burns = known and _burns(same, reference, over, sight, context, cloudy_s=cloudy_s)
    if sure_before and told is not None and told.story == "burnt" and (same or not sight.found):
        burns = burns or sight.saturated >= max(0.5 * state.share, _SOME_OF_FRAME)
    if not shone and not burns:
        other = state.burning and not _same_exposure(state.burning_stops, sight.exposure_stops, context)
        # Brackets: a shorter exposure does not take back what a longer one shows.
        return state if other else Glare(_remembered(recent, sight, context))
    burning = state.burning + 1 if burns else 0
    begun_s = state.burning_s if state.burning else sight.time_s
    sure = shone or burning > 1 or sure_before
    finding = Finding(
        severity=Severity.NOW if sure else None,
        onset_s=told.onset_s if told is not None else begun_s,
        frame=sight.frame,
        detail=_detail(same, sight),
        story=told.story if told is not None and sure_before else ("burnt" if burns else ""),
        urgent=True,
    )
    stops = state.burning_stops if state.burning else sight.exposure_stops
    share = state.share if state.burning else sight.saturated
    return Glare(recent, burning, begun_s, stops, share, finding)


def _detail(same: list[Bright], sight: Observation) -> OverBright:
    return OverBright(
        saturated_fraction=round(sight.saturated, 3),
        brightness=round(sight.brightness, 3),
        disc_found=sight.found,
        brightness_before=round(same[-1].brightness, 3) if same else None,
    )


def _remembered(recent: tuple[Bright, ...], sight: Observation, context: Context) -> tuple[Bright, ...]:
    """Return the levels with one more: the newest of each exposure, and fewer of those before."""
    if not sight.found or sight.saturated >= _MOST_REMEMBERED:
        return recent
    new = Bright(sight.time_s, sight.brightness, sight.exposure_stops, sight.saturated, sight.sun.air_mass)
    same = [b for b in recent if _same_exposure(b.exposure_stops, sight.exposure_stops, context)]
    if len(same) > _NEWEST and same[-_NEWEST].time_s - same[-_NEWEST - 1].time_s < _APART_S:
        recent = tuple(b for b in recent if b is not same[-_NEWEST])
    return (*recent[-(_MOST - 1) :], new)


def _over_usual(reference: Baseline | None, sight: Observation) -> float | None:
    """Return how many times as bright the disc is as before at this altitude; None: not known."""
    if sight.brightness <= 0 or reference is None or not sight.found:
        return None
    # Burnt out in part: at least so bright.
    level = log2(sight.brightness) - (sight.exposure_stops or 0.0)
    air = sight.sun.air_mass
    known = usual(reference, air, ANY_AIR.carry, within=LIGHT_BANDS_AWAY)
    # In a session's first hour nothing has settled yet: what was seen of late must do.
    known = known or present(reference, air, ANY_AIR.carry, within=LIGHT_BANDS_AWAY)
    return float(2.0 ** (level - known.value)) if known is not None else None


def _glares(
    recent: tuple[Bright, ...],
    same: list[Bright],
    over_usual: float | None,
    sight: Observation,
    context: Context,
    *,
    cloudy: bool,
    begun: bool,
) -> bool:
    """Whether a single frame shows it."""
    limits = context.thresholds
    least = limits.bright_saturated_fraction * (0.5 if begun else 1.0)
    if sight.sun.altitude_deg < limits.sun_down_deg or sight.saturated < least:
        return False
    same = same[-_NEWEST:]
    if not sight.found:
        # A third of the whole frame at full scale; a longer exposure of a landscape is the other way there.
        longer = (
            bool(recent) and not same and (sight.exposure_stops or 0.0) > (recent[-1].exposure_stops or 0.0)
        )
        return not longer
    # A disc that is still seen. Full scale hides how bright it is: at least so much, and so less is asked.
    burnt = sight.saturated > _ALL and sight.brightness > _FULL
    needed = BURNT_RATIO if burnt or begun else limits.bright_jump_ratio
    usual_ratio = over_usual or 0.0
    if begun:
        # It stays so, whatever now hides part of it, until the light is as it was.
        return usual_ratio > needed or _is_over(same, sight, needed)
    if cloudy or len(same) < 2:
        # A sun that comes out of cloud looks like that too, but is no brighter than before at this height.
        return usual_ratio > limits.bright_jump_ratio
    return (burnt or usual_ratio > needed) and _is_over(same, sight, needed)


def _is_over(same: list[Bright], sight: Observation, ratio: float) -> bool:
    """Whether the disc is so many times as bright as in the frames before it glared."""
    return bool(same) and sight.brightness > ratio * max(b.brightness for b in same)


def _burns(
    same: list[Bright],
    reference: Baseline | None,
    over_usual: float | None,
    sight: Observation,
    context: Context,
    *,
    cloudy_s: float | None,
) -> bool:
    """Whether part burns out that did not at this exposure, and no even light explains it."""
    if sight.sun.altitude_deg < context.thresholds.sun_down_deg or sight.saturated < _SOME_OF_FRAME:
        return False
    newest, same = same[-_NEWEST:], [b for b in same if b.saturated < _NONE]
    if newest and not same:
        return False  # it has done so all along
    if not sight.found:
        return sight.saturated >= _SOME_OF_FRAME and (bool(same) or _is_known(reference))
    if sight.saturated < _SOME or sight.in_frame < _IN_FRAME:
        return False
    cloudy = cloudy_s is not None and sight.time_s - cloudy_s < _CLOUD_S
    if cloudy or len(same) < 3:
        return (over_usual or 0.0) > BURNT_RATIO
    levels = [log2(b.brightness) for b in same if b.brightness > 0]
    if not levels or max(levels) - min(levels) > _UNEVEN_STOPS:
        return False
    risen = log2(max(sight.brightness, _DARKEST)) - median(levels)
    air = max(median(b.air_mass for b in same) - sight.sun.air_mass, 0.0)
    explained = _HAZE_STOPS * air
    if sight.brightness >= min(_HALF_BURNT + _BURNT_SLOPE * sight.saturated, _FULL):
        # So bright that even light burns out the middle: only a jump shows it.
        return risen > explained + log2(BURNT_RATIO) and _is_over(newest, sight, BURNT_RATIO)
    return risen < _FLAT_STOPS or risen > explained + _RISEN_STOPS


def _is_known(reference: Baseline | None) -> bool:
    """Whether the disc has been measured at an exposure, and did not burn out."""
    if reference is None:
        return False
    return reference.fresh.values > 0 or any(band is not None for band in reference.bands)


def _same_exposure(one: float | None, other: float | None, context: Context) -> bool:
    return one is None or other is None or abs(one - other) <= context.thresholds.exposure_same_stops
