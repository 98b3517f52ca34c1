"""From draws to a forecast record: exits, what falls due, where to put the disc, where the sun is."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from sentinel.chain.forecast.ensemble import evenly
from sentinel.chain.forecast.exits import Exits, Swing, first_exits
from sentinel.chain.forecast.inputs import Inputs
from sentinel.chain.forecast.line import line_normals
from sentinel.chain.forecast.nodes import MOVES
from sentinel.chain.forecast.pointing import STOP_S, LikeliestMount, likeliest_mount, off_axis_deg, stopped_px
from sentinel.chain.forecast.rates import rate_name
from sentinel.chain.forecast.recentring import TracksAhead, best_along, best_centre, place, reach
from sentinel.chain.forecast.scale import FOCAL_DOUBT
from sentinel.chain.forecast.sun_path import HORIZON_H, SunPath, sun_path, sun_up
from sentinel.chain.forecast.turning import Turning
from sentinel.chain.forecast.visits import (
    SuppliesUsed,
    axis_limit_due,
    hour_angle_due,
    in_order,
    sun_goes,
    supplies_due,
)
from sentinel.chain.forecast.words import LOW_SUN_H, basis_of
from sentinel.core.angles import half_turn_deg
from sentinel.core.foreseen import Due, Edge, Exit, MountFit, Place, Places, Pointing, PolarAxis
from sentinel.core.records import Forecast
from sentinel.core.settings import MEAN_SOLAR_RATE_ARCSEC_S, Settings
from sentinel.core.times import from_utc_s, utc_s
from sentinel.sky.arrays import Array
from sentinel.sky.mount import Optics
from sentinel.sky.refraction import refraction_sigma_deg

UNSEEN_S = 1200.0
LITTLE_ARC_H = 0.75
LOW_SUN_DEG = 3.0
LATER_H = (1.0, 2.0, 4.0, 8.0)
SETTLED = 0.85
"""Share of the draws about the likeliest roll above which it counts as known."""
CERTAIN = 0.96
"""The same, above which the others are no longer counted into the axis's sigmas."""
_NOT_EXCLUDED_SIGMAS = 2.0
"""What a changed drift has not yet spoken against lies within so many sigmas of the axis."""
SAFE = 0.01
"""Share of the draws that have left by the safe time."""
CENTRAL_SHARE, CENTRAL_SIGMAS = 0.95, 1.96
"""An axis's sigma is such that within so many of them lies this share of the draws."""


@dataclass(frozen=True, slots=True)
class _View:
    """Where the disc may be in the coming two days."""

    sun_ahead: SunPath
    radius_px: Array
    x_px: Array
    y_px: Array

    @property
    def now_s(self) -> float:
        return self.sun_ahead.now_s


def summary(inputs: Inputs, now_utc: datetime) -> Forecast:
    """Return the forecast."""
    view = _view(inputs)
    room = inputs.frame.room_px(view.x_px, view.y_px, view.radius_px[:, None])
    site = inputs.settings.site
    level_sigma_deg = float(refraction_sigma_deg(0.0, site.pressure_hpa, site.temperature_c))
    air = inputs.draws.air_of_another_rising() * level_sigma_deg
    swing = _swing(inputs)
    exits = first_exits(room, view.sun_ahead.day, air if inputs.departure is None else None, swing)
    best = likeliest_mount(inputs.draws)
    flags = _flags(inputs, view, best)
    exit_ = _exit(inputs, exits, _safe_s(inputs, view, room, exits, swing))
    early_s = exits.quantile_s(0.05)
    if np.isfinite(early_s) and not _is_clear(_sun_at_exit(inputs, exit_, early_s), early_s):
        flags = (*flags, "exit-at-horizon")
        exit_ = replace(exit_, clear_utc=_exit_clear(view.sun_ahead, room, swing))
    rate = inputs.draws.rate_ratio()
    due = _due(inputs, view, exit_.early_utc, float(np.median(rate)))
    basis = basis_of(
        set(flags),
        arc_h=inputs.arc_h,
        stretches=inputs.stretches,
        rate=rate_name(best.base_arcsec_s),
        since_s=inputs.departure.since_s if inputs.departure else None,
        seen_s=inputs.seen_s,
    )
    return Forecast(
        time_utc=now_utc,
        basis=basis,
        exit=exit_,
        due=due,
        next_visit_utc=_next_visit_utc(due, inputs.settings),
        mount=_mount_fit(inputs, best, rate),
        pointing=_pointing(inputs, view, best),
        places=_places(view, inputs, best, exits) if inputs.departure is None else None,
        contradiction=inputs.settings_doubt.contradiction(),
        flags=flags,
    )


def _swing(inputs: Inputs) -> Swing | None:
    if inputs.periodic_error is None or inputs.departure is not None:
        return None
    reach = inputs.periodic_error.amplitude_arcsec / inputs.scale_arcsec_px
    sides = np.abs(np.stack([np.cos(inputs.draws.roll_rad), np.sin(inputs.draws.roll_rad)])) * reach
    phase = 2 * np.pi * evenly(len(inputs.draws))
    return Swing(np.repeat(sides, 2, axis=0), inputs.periodic_error.period_s, phase)


def without_disc(settings: Settings, used: SuppliesUsed | None, now_utc: datetime, now_s: float) -> Forecast:
    """Return the forecast before any disc was seen: only what needs none."""
    due: tuple[Due, ...] = ()
    if used is not None:
        supplies = supplies_due(settings, used, now_s, settings.camera.interval_s)
        due = in_order(supplies, now_s + HORIZON_H * 3600)
    return Forecast(
        time_utc=now_utc,
        basis="no disc has been measured yet",
        flags=("no-disc",),
        due=due,
        next_visit_utc=_next_visit_utc(due, settings),
    )


def _view(inputs: Inputs) -> _View:
    sun_ahead = inputs.sun_ahead
    radius = sun_ahead.radius_arcsec / inputs.scale_arcsec_px
    if inputs.departure is None:
        return _View(sun_ahead, radius, *inputs.misses.applied(inputs.tracks_px, sun_ahead.offsets_s))
    return _View(sun_ahead, radius, *inputs.departure.line.draws_px(sun_ahead.times_s, line_normals()))


def _safe_s(inputs: Inputs, view: _View, room_px: Array, exits: Exits, swing: Swing | None) -> float:
    """Return the time by which 1 % have left, by whatever may be wrong with place or clock: the earliest."""
    day, rooms = inputs.possible_day, list[Array]()
    if day is not view.sun_ahead.day:
        rooms.append(room_px)
    if inputs.departure is None:
        radius_px = view.radius_px[:, None]
        rooms += [inputs.frame.room_px(x_px, y_px, radius_px) for x_px, y_px in inputs.possible_px]
    others = [first_exits(other, day, swing=swing) for other in rooms]
    return min(one.quantile_s(SAFE) for one in (exits, *others))


def _exit(inputs: Inputs, exits: Exits, safe_s: float) -> Exit:
    now_s = inputs.sun_ahead.now_s

    def at(after_s: float) -> datetime | None:
        if np.isinf(after_s):
            return None
        # Out already: it left when it was seen to, or else when it was last expected to.
        return from_utc_s(min(now_s, _left_s(inputs, now_s)) if after_s == 0.0 else now_s + after_s)

    early_utc = at(exits.quantile_s(0.05))
    return Exit(
        median_utc=at(exits.quantile_s(0.5)),
        safe_utc=at(safe_s),
        early_utc=early_utc,
        late_utc=at(exits.quantile_s(0.95)),
        edge=exits.likely_edge() if early_utc is not None else None,
    )


def _sun_at_exit(inputs: Inputs, exit_: Exit, after_s: float) -> SunPath:
    """Return the sun from now on; or from when a disc left that is out already: it may be setting now."""
    if after_s > 0 or exit_.early_utc is None:
        return inputs.sun_ahead
    return sun_path(inputs.settings, inputs.sun, utc_s(exit_.early_utc))


def _is_clear(sun_ahead: SunPath, after_s: float) -> bool:
    """Whether the sun is well clear of the line at a time after now."""
    last = int(np.searchsorted(sun_ahead.offsets_s, after_s, side="right")) - 1
    return bool(sun_ahead.clear.up[last : last + 2].all())


def _exit_clear(sun_ahead: SunPath, room_px: Array, swing: Swing | None) -> datetime | None:
    """Return the median exit of a sun that is well clear of the line."""
    after_s = first_exits(room_px, sun_ahead.clear, swing=swing).quantile_s(0.5)
    return None if np.isinf(after_s) else from_utc_s(sun_ahead.now_s + after_s)


def _left_s(inputs: Inputs, now_s: float) -> float:
    """Return when the limb left: as last expected, unless the frames say otherwise."""
    seen, expected = inputs.out_since_s, inputs.expected_exit_s
    if expected is None:
        return now_s if seen is None else seen
    if seen is None:
        return expected
    return expected if seen - 1.5 * inputs.interval_s <= expected <= seen else seen


def _mount_fit(inputs: Inputs, best: LikeliestMount, rate: Array) -> MountFit:
    ratio = best.rate_arcsec_s / MEAN_SOLAR_RATE_ARCSEC_S
    turns = best.base_arcsec_s != 0
    doubted = abs(inputs.scale_arcsec_px / inputs.settings.camera.scale_arcsec_px - 1) > FOCAL_DOUBT
    pitch_um = inputs.settings.camera.pixel_pitch_um
    implied_mm = Optics.of_scale(inputs.scale_arcsec_px, pitch_um, 1, 1).focal_length_mm
    changed_s = inputs.drift_changed_s()
    return MountFit(
        axis=_polar_axis(inputs, best) if turns else None,
        rate_ratio=ratio if turns else 0.0,
        rate_ratio_sigma=float(np.sqrt(((rate - ratio) ** 2).mean())) if turns else 0.0,
        roll_deg=half_turn_deg(float(np.degrees(best.roll_rad))),
        roll_share=best.roll_share,
        roll_sigma_deg=best.roll_sigma_deg,
        axis_sigma_deg=best.axis_sigma_deg,
        scale_arcsec_px=inputs.scale_arcsec_px,
        arc_h=inputs.arc_h,
        axis_turned_deg=inputs.axis_turned_deg(),
        axis_unwound_deg=inputs.used.unwound(inputs.sun_ahead.now_s, inputs.settings.mount).axis_from_deg,
        implied_focal_length_mm=implied_mm if doubted else None,
        departed_utc=from_utc_s(inputs.departure.since_s) if inputs.departure else None,
        drift_changed_utc=None if changed_s is None else from_utc_s(changed_s),
    )


def sure_sigma(off: Array) -> Array:
    """Return the sigma (k,) of k numbers from draws (k, d) about nought, as `CENTRAL_SHARE` says.

    Few draws of an unlikely mount far away widen the second moment, but not what is as good as sure.
    """
    return np.asarray(np.quantile(np.abs(off), CENTRAL_SHARE, axis=1) / CENTRAL_SIGMAS)


def _polar_axis(inputs: Inputs, best: LikeliestMount) -> PolarAxis:
    at = float(best.points.azimuth_deg[0]), float(best.points.altitude_deg[0])
    axis = np.stack([inputs.draws.azimuth_deg(), inputs.draws.altitude_deg()])
    # With the camera as it likeliest sits; over all that is possible while that is open, so that it shows.
    axis = axis[:, best.about_roll] if best.roll_share >= CERTAIN else axis
    off = axis - np.array(at)[:, None]
    covariance = off @ off.T / off.shape[1]
    fit_sigma = np.maximum(sure_sigma(off) * inputs.misses.widening, _not_excluded(inputs, at))
    scale = fit_sigma / np.sqrt(np.diag(covariance))
    sigma = inputs.settings_doubt.sigma_deg(at, covariance * np.outer(scale, scale))
    return PolarAxis(
        azimuth_error_deg=at[0],
        azimuth_sigma_deg=float(sigma[0]),
        altitude_error_deg=at[1],
        altitude_sigma_deg=float(sigma[1]),
        fit_sigma_deg=(float(fit_sigma[0]), float(fit_sigma[1])),
    )


def _not_excluded(inputs: Inputs, at_deg: tuple[float, float]) -> Array:
    """Return what a sigma of the axis must be so that it holds what a change leaves open, (2,) degrees.

    A rate and a moved axis explain a leg that sinks nearly as well for hours; and a track that breaks fits no
    axis, so that the one it fits least badly is no better than the one before.
    """
    at, reach = np.array(at_deg), np.zeros(2)
    every = np.stack([inputs.draws.azimuth_deg(), inputs.draws.altitude_deg()])
    for moves in [inputs.draws.of_mounts(change) for change in MOVES]:
        if inputs.drift_changed_s() is not None and moves.any():
            off = every[:, moves] - at[:, None]
            reach = np.maximum(reach, np.sqrt((off**2).mean(axis=1)))
    if inputs.axis_before_deg is not None:
        reach = np.maximum(reach, np.abs(np.array(inputs.axis_before_deg) - at))
    return np.asarray(reach / _NOT_EXCLUDED_SIGMAS)


def _flags(inputs: Inputs, view: _View, best: LikeliestMount) -> tuple[str, ...]:
    nominal = inputs.settings.camera.scale_arcsec_px
    until = view.now_s + LOW_SUN_H * 3600
    soon = view.sun_ahead.altitude_deg[view.sun_ahead.day.up & (view.sun_ahead.times_s < until)]
    asked = {
        "too-little-arc": inputs.arc_h < LITTLE_ARC_H and best.base_arcsec_s > 0,
        "roll-open": best.share < SETTLED,
        "unseen": view.now_s - inputs.last.utc_s > UNSEEN_S,
        "low-sun": bool((soon < LOW_SUN_DEG).any()),
        "all-clipped": inputs.no_whole_disc,
        "focal-length": abs(inputs.scale_arcsec_px / nominal - 1) > FOCAL_DOUBT,
        "departed": inputs.departure is not None,
        "stopped": inputs.departure is not None and inputs.departure.stopped,
        "rate": rate_name(best.base_arcsec_s) != _configured(inputs.settings),
        "widened": inputs.misses.widening > 1.0 and inputs.departure is None,
        "drift-changed": inputs.drift_changed_s() is not None,
        "drift-sure": inputs.draws.has_surely_changed(inputs.last.utc_s),
        "contradicted": inputs.settings_doubt.contradicted,
    }
    return (*(name for name, yes in asked.items() if yes), *inputs.cause_flags())


def _configured(settings: Settings) -> str:
    return "no" if settings.mount.tracking == "none" else settings.mount.tracking


def _places(view: _View, inputs: Inputs, best: LikeliestMount, exits: Exits) -> Places:
    day = view.sun_ahead.day
    ahead = TracksAhead(view.now_s, day.offsets_s, view.x_px, view.y_px, view.radius_px, day.up, inputs.frame)
    strays = reach(ahead, 0)
    turning = inputs.turning(view.now_s)
    now_place = _while_driven(place(ahead, 0, best_centre(ahead, 0, strays), strays), turning)
    middle = np.array(inputs.frame.middle_px)
    here = np.array([np.median(view.x_px[0]), np.median(view.y_px[0])]) - middle
    along = np.array([np.cos(best.roll_rad), -np.sin(best.roll_rad)])
    one_axis = _while_driven(place(ahead, 0, best_along(strays, here, along), strays), turning)
    later = []
    for hours in LATER_H:
        begin = int(np.searchsorted(day.offsets_s, hours * 3600))
        then = reach(ahead, begin, every=2)
        later.append(_while_driven(place(ahead, begin, best_centre(ahead, begin, then), then), turning))
    return Places(
        now=now_place,
        one_axis=one_axis,
        later=tuple(later),
        touch_gains=_gains(now_place, exits.quantile_s(SAFE), view.now_s),
    )


def _while_driven(one: Place, turning: Turning) -> Place:
    """Return a place that is promised no longer than until the sunrise after the drive was parked."""
    parked_s = turning.parked_until_s(utc_s(one.at_utc))
    if parked_s is None or not one.outlasts(from_utc_s(parked_s)):
        return one
    return replace(one, holds_until_utc=from_utc_s(parked_s))


def _gains(best: Place, safe_after_s: float, now_s: float) -> bool:
    """Return whether the best place wins half an hour and a good part of the time left."""
    if np.isinf(safe_after_s):
        return False
    held_s = HORIZON_H * 3600.0
    if best.holds_until_utc is not None:
        held_s = (best.holds_until_utc - from_utc_s(now_s)).total_seconds()
    return held_s > safe_after_s + max(1800.0, 0.2 * safe_after_s)


def _pointing(inputs: Inputs, view: _View, best: LikeliestMount) -> Pointing:
    middle = np.array(inputs.frame.middle_px)
    x, y = float(np.median(view.x_px[0])), float(np.median(view.y_px[0]))
    held_s, seen = view.now_s, np.array([x, y])
    if inputs.departure is not None and inputs.departure.stopped:
        held_s, seen = inputs.departure.since_s, inputs.departure.line.at(inputs.departure.since_s)
    hour = int(np.searchsorted(view.sun_ahead.offsets_s, 3600.0))
    drift_px = np.hypot(*(np.median(side[hour] - side[0]) for side in (view.x_px, view.y_px)))
    right_deg, up_deg = off_axis_deg(
        inputs.sun, best, held_s, view.now_s, (seen - middle) * inputs.scale_arcsec_px
    )
    step = np.median(view.x_px[1] - view.x_px[0]), np.median(view.y_px[1] - view.y_px[0])
    stop_utc, stop_edge = _stop(inputs, view, best, (x, y)) if inputs.departure is None else (None, None)
    return Pointing(
        seen_utc=from_utc_s(inputs.seen_s),
        expected_px=(x, y),
        expected_sigma_px=float(np.hypot(view.x_px[0].std(), view.y_px[0].std())),
        sun_altitude_deg=float(view.sun_ahead.altitude_deg[0]),
        sun_azimuth_deg=float(view.sun_ahead.azimuth_deg[0]),
        off_right_deg=right_deg,
        off_up_deg=up_deg,
        off_rate_deg_min=float(np.hypot(*step)) * inputs.scale_arcsec_px / 3600,
        drift_arcmin_h=float(drift_px) * inputs.scale_arcsec_px / 60,
        stop_edge_utc=stop_utc,
        stop_edge=stop_edge,
    )


def _stop(
    inputs: Inputs, view: _View, best: LikeliestMount, here_px: tuple[float, float]
) -> tuple[datetime | None, Edge | None]:
    """Return when the limb would reach which edge if the mount stopped now."""
    moved = stopped_px(inputs.sun, best, view.now_s, inputs.scale_arcsec_px)
    x, y = here_px[0] + moved[0], here_px[1] + moved[1]
    room = inputs.frame.room_px(x, y, float(view.radius_px[0]))[:, :, None]
    exits = first_exits(room, sun_up(STOP_S, np.ones_like(STOP_S)))
    after = float(exits.after_s[0])
    return from_utc_s(view.now_s + after) if np.isfinite(after) else None, exits.likely_edge()


def _due(inputs: Inputs, view: _View, early_utc: datetime | None, rate_ratio: float) -> tuple[Due, ...]:
    due = supplies_due(inputs.settings, inputs.used, view.now_s, inputs.interval_s)
    if early_utc is not None:
        due["drift"] = utc_s(early_utc)
    times_s = view.sun_ahead.times_s
    limit = axis_limit_due(inputs.settings, inputs.used, view.now_s, rate_ratio, inputs.turning(view.now_s))
    hour_angle = hour_angle_due(inputs.settings, times_s, inputs.sun.hour_angle_deg(times_s))
    limits = [when for when in (limit, hour_angle) if when is not None]
    if limits:
        due["axis-limit"] = min(limits)
    goes = sun_goes(view.now_s, view.sun_ahead.line_deg, view.sun_ahead.day)
    if goes is not None:
        due[goes[1]] = goes[0]
    return in_order(due, view.now_s + HORIZON_H * 3600)


def _next_visit_utc(due: tuple[Due, ...], settings: Settings) -> datetime | None:
    return due[0].time_utc - timedelta(minutes=settings.visit.travel_min) if due else None
