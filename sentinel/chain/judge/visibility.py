"""Whether the sun is seen as it should be: `lost-disc`, `unverified`, `covered-limb`.

Through a front filter cloud, a cap and a lost sun are all black. What tells them apart is how it came: cloud
dims the disc or frays its limb before it hides it, a cap or a mount does not. So every frame leaves hints of
cloud behind, and a dark frame is called lost only where there was none in the hour before.
"""

from dataclasses import replace
from math import log2
from typing import NamedTuple

from sentinel.chain.judge.cover import Steady, steadier
from sentinel.chain.judge.details import CoveredLimb, Unverified
from sentinel.chain.judge.last_seen import Back, LastDisc, has_left, where_it_should_be
from sentinel.chain.judge.lifecycle import Finding, Readings
from sentinel.chain.judge.morning import Evening, unseen_since_night
from sentinel.chain.judge.others import ALONE_S, CLOUDED_ALONE_S, CLOUDED_WAKE_S, Alone, Company
from sentinel.chain.judge.overcast import Cleared, Overcast, cleared, looked
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.chain.track.path import Vector
from sentinel.core.records import Severity
from sentinel.core.settings import Thresholds
from sentinel.core.times import from_utc_s

HINTS = 8
LEVELS = 12
# Extinction changes with the air mass; up to so many stops for each is the air's own doing (0.35 mag, hazy).
HAZY_STOPS = 0.35 / 2.5 * log2(10)
BRIGHTER_STOPS = 0.4
COVER_WINDOW = 5
BURNT, FULL = 0.1, 0.98
"""Of a disc burnt out by more, or so near full scale, nobody knows how bright it is."""
LATELY_S, SAME_STOPS, FEWEST_LEVELS = 1200.0, 0.2, 3
"""Light is compared with that of so many frames at least of the last minutes at the same exposure."""
SPOTTED, CLEAN = 0.05, 0.01
"""More of the disc at full scale than chance does, where there was none."""
LEAST_LIMB, LEAST_DISC = 0.15, 0.3
"""Share of the limb in the frame of which what covers it tells of cloud; and from which it tells how much."""
HINT_INTERVALS = 3.5
"""A hint of cloud in the last three frames: what came right before is cloud's doing."""
FRESH_INTERVALS, FRESH_S = 6.0, 600.0
"""The disc was seen a moment ago."""


class Level(NamedTuple):
    """How bright the disc was in one frame; the brighter the greater."""

    stops: float
    time_s: float
    air_mass: float
    exposure_stops: float
    saturated: float


class Visibility(NamedTuple):
    """What the judge remembers of seeing; bounded."""

    seen: LastDisc | None = None
    hints: tuple[float, ...] = ()
    """When frames last hinted at cloud."""
    levels: tuple[Level, ...] = ()
    """Of the last frames, to know a sudden dimming by."""
    dark_since_s: float | None = None
    dark_frames: int = 0
    dark_last_s: float = 0.0
    cloudy: bool = False
    """The present darkness came with cloud."""
    found_run: int = 0
    back: Back | None = None
    """The last time that it was seen again after ten minutes and more."""
    unseen_since_s: float | None = None
    """Since when nothing has been seen with the sun up, cloud or not."""
    lit: bool = False
    """Frames with a disc have told how bright it was: else nobody could see cloud coming."""
    overcast: Overcast = Overcast()
    """What cloud looks like in frames without a disc, and whether it is still there."""
    missed: bool = False
    """The sky has been clear since, without it."""
    evening: Evening = Evening()
    covers: tuple[float, ...] = ()
    steady: Steady | None = None
    alone: Alone = Alone()
    """Others see the sun that is missing here; once that is sure it stays so until it is seen here."""


def level_stops(sight: Observation) -> float | None:
    """Return the disc's brightness in stops, exposure taken out; None where it cannot be told."""
    if sight.brightness <= 0 or sight.saturated > BURNT or sight.brightness > FULL:
        return None
    return log2(sight.brightness) - (sight.exposure_stops or 0.0)


def take_frame(
    state: Visibility, sight: Observation, drift: Vector, context: Context, company: Company
) -> tuple[Visibility, Readings]:
    """Take one frame; `company` is what other cameras of the site tell."""
    if state.seen is not None and sight.time_s < state.seen.time_s - context.interval_s:
        return state, {}
    state, hint = _hinted(state, sight, context)
    up = sight.sun.clear_deg > context.thresholds.sun_clear_deg
    state = state._replace(evening=state.evening.after(sight, context, hint=hint, up=up))
    if sight.trusted:
        state = _seen(state, sight, drift, hint)
    elif up:
        state = _dark(state, sight, context, hint, company)
    else:
        # The sun is down or behind the line: nothing is expected, and the waiting begins anew.
        state = state._replace(
            dark_since_s=None, dark_frames=0, found_run=0, unseen_since_s=None, alone=Alone(),
            overcast=state.overcast.paused(),
        )  # fmt: skip
    state = _covered(state, sight, context)
    return state, readings(state, sight, context)


def readings(state: Visibility, sight: Observation, context: Context) -> Readings:
    """Return what to say of the three; while the sun is down what was not verified stays so."""
    found = {
        "lost-disc": _lost_finding(state, sight, context),
        "covered-limb": _covered_finding(state, sight, context),
    }
    if sight.trusted or state.unseen_since_s is not None:
        found["unverified"] = _unverified_finding(state, sight, context)
    return found


def _hinted(state: Visibility, sight: Observation, context: Context) -> tuple[Visibility, bool]:
    """Note what in this frame hints at cloud."""
    limits = context.thresholds
    levels = state.levels
    if sight.found:
        level = level_stops(sight)
        hint = sight.covered > limits.covered_clear_fraction and sight.in_frame > LEAST_LIMB
        hint = hint and not _brightened_at_once(levels, sight)
        hint = hint or _going_out(sight, context)
        if level is not None:
            new = Level(level, sight.time_s, sight.sun.air_mass, sight.exposure_stops or 0.0, sight.saturated)
            hint = hint or _dimmed_at_once(levels, new, limits)
            levels = (*levels[-(LEVELS - 1) :], new)
    else:
        hint = (
            sight.brightness > limits.cloud_glow_level and sight.saturated < limits.bright_saturated_fraction
        )
    oldest = sight.time_s - limits.cloud_memory_min * 60
    hints = state.hints
    if hint or (hints and hints[0] < oldest):
        kept = tuple(time_s for time_s in hints[-(HINTS - 1) :] if time_s >= oldest)
        hints = (*kept, sight.time_s) if hint else kept
    return state._replace(hints=hints, levels=levels), hint


def _going_out(sight: Observation, context: Context) -> bool:
    """Whether a low, sinking sun is so faint that it goes out by itself in the haze, before it is down.

    One that hardly sinks any more, like a midnight sun, loses hardly any light either.
    """
    limits = context.thresholds
    if sight.brightness >= limits.faint_level or sight.sun.altitude_deg >= limits.faint_below_deg:
        return False
    later = context.sun_at(sight.time_s + limits.lost_now_min * 60)
    return HAZY_STOPS * (later.air_mass - sight.sun.air_mass) >= limits.faint_loss_stops


def _brightened_at_once(levels: tuple[Level, ...], sight: Observation) -> bool:
    """Whether there is more light than in all of the last minutes: what hides the limb is no cloud then."""
    exposure = sight.exposure_stops or 0.0
    recent = _lately(levels, sight.time_s, exposure)
    if len(recent) < FEWEST_LEVELS or sight.brightness <= 0:
        return False
    usual = sorted(old.saturated for old in recent)[len(recent) // 2]
    if sight.saturated >= SPOTTED and usual < CLEAN:
        return True
    return log2(sight.brightness) - exposure > max(old.stops for old in recent) + BRIGHTER_STOPS


def _lately(levels: tuple[Level, ...], time_s: float, exposure_stops: float) -> list[Level]:
    """Return those of the last minutes at the same exposure."""
    return [
        old
        for old in levels
        if time_s - old.time_s < LATELY_S and abs(exposure_stops - old.exposure_stops) < SAME_STOPS
    ]


def _dimmed_at_once(levels: tuple[Level, ...], new: Level, limits: Thresholds) -> bool:
    """Whether the disc is dimmer than in the last minutes by more than the air mass explains.

    Brackets are kept apart: what a tone curve does to a shorter exposure is no cloud.
    """
    least = -log2(1 - limits.cloud_dim_fraction)
    if not levels or new.stops >= max(levels).stops - least:
        # Nearly always: it has not been that much brighter at all.
        return False
    recent = [(old.stops, old.air_mass) for old in _lately(levels, new.time_s, new.exposure_stops)]
    if len(recent) < FEWEST_LEVELS:
        return False
    stops, air = sorted(recent)[len(recent) // 2]
    allowed = least + HAZY_STOPS * abs(new.air_mass - air)
    return new.stops < stops - allowed


def _seen(state: Visibility, sight: Observation, drift: Vector, hint: bool) -> Visibility:
    before, back = state.seen, state.back
    if before is not None and sight.time_s - before.time_s > FRESH_S:
        back = Back(sight.time_s, before.time_s)
    seen = LastDisc(sight.time_s, sight.x_px, sight.y_px, sight.radius_px, drift, sight.frame, not hint)
    return state._replace(
        seen=seen,
        back=back,
        dark_since_s=None,
        dark_frames=0,
        cloudy=False,
        found_run=state.found_run + 1,
        unseen_since_s=None,
        overcast=state.overcast.paused(),
        missed=False,
        alone=Alone(),
        lit=state.lit or sight.brightness > 0,
    )


def _dark(
    state: Visibility, sight: Observation, context: Context, hint: bool, company: Company
) -> Visibility:
    limits = context.thresholds
    if state.dark_since_s is None:
        recent = sum(time_s >= sight.time_s - HINT_INTERVALS * context.interval_s for time_s in state.hints)
        cloudy = len(state.hints) >= limits.cloud_frames or recent > 0
        # Only what was seen well a moment ago can be lost; after a night or a pause nobody knows.
        fresh = state.seen is not None and sight.time_s - state.seen.time_s <= max(
            FRESH_INTERVALS * context.interval_s, FRESH_S
        )
        state = state._replace(dark_since_s=sight.time_s, cloudy=cloudy or not fresh)
    unseen = state.unseen_since_s if state.unseen_since_s is not None else sight.time_s
    overcast = looked(state.overcast, sight, limits)
    state = _beside_others(state, sight, context, company)
    return state._replace(
        dark_frames=state.dark_frames + 1,
        dark_last_s=sight.time_s,
        cloudy=state.cloudy or hint or sight.found,
        found_run=0,
        unseen_since_s=unseen,
        overcast=overcast,
        missed=state.missed or _is_missed(cleared(overcast, sight.time_s), sight, context),
    )


def _beside_others(state: Visibility, sight: Observation, context: Context, company: Company) -> Visibility:
    """Take what other cameras tell of a sun that is missing here."""
    since_s = state.dark_since_s
    if since_s is None or state.seen is None or state.missed:
        return state
    alone = company.alone(since_s, sight.time_s, context.interval_s)
    if alone.seconds >= (CLOUDED_ALONE_S if state.cloudy else ALONE_S):
        return state._replace(alone=alone)
    clouded = company.clouded(since_s, sight.time_s, context.interval_s)
    # A disc that drifted over the edge has left, whatever the sky does over all of them.
    if clouded and not state.cloudy and has_left(state.seen, sight, context) is None:
        return state._replace(cloudy=True)
    return state


def _lost_finding(state: Visibility, sight: Observation, context: Context) -> Finding | None:
    limits = context.thresholds
    if state.alone.seconds and state.seen is not None and state.dark_since_s is not None:
        return _alone_finding(state, state.seen, state.dark_since_s, sight, context)
    told = state.seen if state.lit else None
    unseen = unseen_since_night(state.evening, told, state.unseen_since_s, sight, context)
    if unseen is not None:
        return unseen
    if state.seen is not None and state.cloudy and state.dark_since_s is not None:
        sky = cleared(state.overcast, sight.time_s)
        if sky is not None:
            return _unseen_finding(state, state.seen, sky, sight, context)
        # Cloud that comes again has not brought it back.
        return Finding(severity=None, onset_s=sight.time_s) if state.missed else None
    if state.dark_since_s is None or state.cloudy or state.seen is None:
        waiting = state.found_run < limits.lost_clear_frames and not state.cloudy
        return Finding(severity=None, onset_s=sight.time_s) if waiting and state.found_run else None
    dark_min = (state.dark_last_s - state.seen.time_s) / 60
    severity = None
    if state.dark_frames >= 3 and dark_min >= limits.lost_soon_min:
        # A table that does not tell the light cannot rule out cloud: that is not worth waking for.
        sure = state.lit and dark_min >= limits.lost_now_min
        severity = Severity.NOW if sure else Severity.SOON
    detail = replace(
        where_it_should_be(state.seen, state.dark_since_s, sight, context),
        dark_min=round(dark_min, 1),
        dark_frames=state.dark_frames,
        cloud_hints_in_the_hour=len(state.hints),
    )
    return Finding(severity=severity, onset_s=state.dark_since_s, frame=sight.frame, detail=detail)


def _alone_finding(
    state: Visibility, seen: LastDisc, since_s: float, sight: Observation, context: Context
) -> Finding:
    """Return what to say of a sun that others see and this camera does not."""
    dark_s = sight.time_s - seen.time_s
    detail = replace(
        where_it_should_be(seen, since_s, sight, context),
        dark_min=round(dark_s / 60, 1),
        dark_frames=state.dark_frames,
        seen_by=state.alone.seen_by,
        seen_there_since_utc=from_utc_s(round(state.alone.since_s)),
    )
    # Not told anew where it was told already, for another reason.
    story = "cloud gone" if state.cloudy else ""
    waits = state.cloudy and dark_s < CLOUDED_WAKE_S
    severity = Severity.SOON if waits else Severity.NOW
    return Finding(severity=severity, onset_s=since_s, frame=sight.frame, detail=detail, story=story)


def _unseen_finding(
    state: Visibility, seen: LastDisc, sky: Cleared, sight: Observation, context: Context
) -> Finding:
    """Return what to say of a sky that is clear again, and no disc in it."""
    detail = replace(
        where_it_should_be(seen, state.dark_since_s or sight.time_s, sight, context),
        dark_min=round((sight.time_s - seen.time_s) / 60, 1),
        cloud_gone_utc=from_utc_s(round(sky.since_s)),
        # Where it went under the cloud nobody has seen; a mount that stopped is the likeliest.
        likely=("mount", "cap-or-filter"),
    )
    severity = Severity.NOW if _is_missed(sky, sight, context) else None
    return Finding(
        severity=severity, onset_s=sky.since_s, frame=sight.frame, detail=detail, story="cloud gone"
    )


def _is_missed(sky: Cleared | None, sight: Observation, context: Context) -> bool:
    """Whether the sky has been clear for so long that the disc should have been seen."""
    if sky is None:
        return False
    limits = context.thresholds
    needed_min = limits.lost_now_min if sky.still else max(limits.cloud_memory_min, limits.lost_now_min)
    return sight.time_s - sky.since_s >= needed_min * 60


def _unverified_finding(state: Visibility, sight: Observation, context: Context) -> Finding | None:
    limits, since_s = context.thresholds, state.unseen_since_s
    if since_s is None:
        return None
    hours = (sight.time_s - since_s) / 3600
    severity = None
    if hours * 60 >= limits.unverified_note_min:
        severity = Severity.SOON if hours * 60 >= limits.unverified_soon_min else Severity.NOTE
    detail = Unverified(
        unseen_h=round(hours, 2),
        after_cloud=bool(state.hints),
        last_seen_utc=from_utc_s(state.seen.time_s) if state.seen is not None else None,
    )
    # Each day's waiting is a story of its own.
    story = str(round(since_s))
    return Finding(severity=severity, onset_s=since_s, frame=sight.frame, detail=detail, story=story)


def _covered(state: Visibility, sight: Observation, context: Context) -> Visibility:
    """Follow the covered share of the limb: how much, and whether it stays the same."""
    if not sight.found or sight.in_frame < LEAST_DISC:
        return state._replace(covers=(), steady=None)
    covers = (*state.covers[-(COVER_WINDOW - 1) :], sight.covered)
    limits = context.thresholds
    if sight.covered < limits.covered_clear_fraction:
        # The frame is clear; one such among covered ones does not end the stretch, a second one does.
        steady = state.steady
        if steady is not None:
            steady = steady._replace(odd=steady.odd + 1) if steady.odd < 1 else None
        return state._replace(covers=covers, steady=steady)
    steady = steadier(state.steady, sight.covered, sight.time_s, 2 * limits.covered_steady_fraction)
    return state._replace(covers=covers, steady=steady)


def _covered_finding(state: Visibility, sight: Observation, context: Context) -> Finding | None:
    limits = context.thresholds
    if sight.sun.clear_deg <= limits.sun_clear_deg:
        return None  # what covers it is the horizon
    covers = state.covers
    many = sum(covered > limits.covered_fraction for covered in covers)
    if many == 0 and sum(covered > limits.covered_clear_fraction for covered in covers) <= 1:
        return None
    since_s = state.steady.since_s if state.steady is not None else sight.time_s
    if many < 3:
        return Finding(severity=None, onset_s=since_s)
    same_min = (state.steady.last_s - state.steady.since_s) / 60 if state.steady is not None else 0.0
    same = same_min >= limits.covered_soon_min
    detail = CoveredLimb(
        covered_fraction=round(sight.covered, 3),
        same_min=round(same_min, 1),
        sun_above_line_deg=round(sight.sun.clear_deg, 2),
    )
    severity = Severity.SOON if same else Severity.NOTE
    return Finding(severity=severity, onset_s=since_s, frame=sight.frame, detail=detail)
