"""What the disc's size says of the lens: not the one in the settings, or another since a moment ago.

The sun's radius is known to a thousandth, and the limb is measured as well, so a disc of another size is
another lens. A maker's focal length is a name more than a number: up to a few percent off is usual.
"""

from math import degrees
from statistics import fmean, median
from typing import NamedTuple

from sentinel.chain.judge.camera_details import LensSize
from sentinel.chain.judge.lifecycle import Finding
from sentinel.chain.track.context import Context
from sentinel.chain.track.observation import Observation
from sentinel.core.records import Severity

FRAMES = 5
STEP_SHARE = 0.015
EVEN_SHARE = 0.004
"""The last frames' radii within this of each other are one lens's."""
USUAL_SHARE, GRAVE_SHARE = 0.05, 0.08
"""So far off its name a lens may be; from here on the forecasts' first hours suffer."""
FOLLOWS = 0.05
"""So much of each measured size goes into the usual one: it follows a lens that cools, and no jump."""
SETTLED_SHARE = 0.8
"""A wrong size that was told is wrong until it is that much less: it may hover about the bound."""
_MOST_BURNT = 0.5
"""A disc burnt out by more looks larger than it is."""
SHOWN_S = 6 * 3600.0
_LOW_DEG = 5.0
"""Lower the air flattens the disc."""


class Lens(NamedTuple):
    """What is remembered of the disc's size; bounded."""

    sizes: tuple[float, ...] = ()
    """The last radii over those that the settings' lens would give."""
    times_s: tuple[float, ...] = ()
    usual: float | None = None
    changed: Finding | None = None
    changed_s: float = 0.0
    wrong: Finding | None = None


def take_frame(state: Lens, sight: Observation, context: Context) -> Lens:
    """Take one frame."""
    if state.changed is not None and sight.time_s - state.changed_s > SHOWN_S:
        state = state._replace(changed=None)
    if not sight.whole or sight.saturated > _MOST_BURNT or sight.sun.altitude_deg < _LOW_DEG:
        return state
    due_px = degrees(context.sun_radius_rad(sight.time_s)) * 3600 / context.settings.camera.scale_arcsec_px
    sizes = (*state.sizes[-(FRAMES - 1) :], sight.radius_px / due_px)
    times = (*state.times_s[-(FRAMES - 1) :], sight.time_s)
    state = state._replace(sizes=sizes, times_s=times)
    now = median(sizes)
    if len(sizes) < FRAMES or max(sizes) - min(sizes) > EVEN_SHARE * now:
        return state
    if state.usual is not None and abs(now / state.usual - 1) > STEP_SHARE:
        return state._replace(
            usual=now,
            changed=_changed(state.usual, now, times[0], sight, context),
            changed_s=sight.time_s,
            wrong=_wrong(now, sight, context, None),
        )
    usual = now if state.usual is None else state.usual + FOLLOWS * (fmean(sizes) - state.usual)
    return state._replace(usual=usual, wrong=_wrong(usual, sight, context, state.wrong))


def _changed(before: float, now: float, since_s: float, sight: Observation, context: Context) -> Finding:
    detail = LensSize(
        what="lens-changed",
        size_ratio=round(now / before, 3),
        focal_length_mm=round(now * context.settings.camera.focal_length_mm, 1),
    )
    return Finding(
        severity=Severity.SOON, onset_s=since_s, frame=sight.frame, detail=detail, story=f"{round(since_s)}"
    )


def _wrong(size: float, sight: Observation, context: Context, told: Finding | None) -> Finding | None:
    """Return what to say of settings whose lens would make the sun another size."""
    off = abs(size - 1)
    if off < (USUAL_SHARE if told is None else SETTLED_SHARE * USUAL_SHARE):
        return None
    camera = context.settings.camera
    detail = LensSize(
        what="lens",
        size_ratio=round(size, 3),
        radius_px=round(sight.radius_px, 1),
        focal_length_mm=camera.focal_length_mm,
        implied_focal_length_mm=round(size * camera.focal_length_mm, 1),
        pixel_pitch_um=camera.pixel_pitch_um,
        implied_pixel_pitch_um=round(camera.pixel_pitch_um / size, 3),
    )
    return Finding(
        severity=Severity.SOON if off >= GRAVE_SHARE else Severity.NOTE,
        onset_s=told.onset_s if told is not None else sight.time_s,
        frame=sight.frame,
        detail=detail,
    )
