"""From draws to a forecast record: exits, what falls due, where to put the disc, where the sun is."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from sentinel.chain.forecast.discs import TrackedDisc
from sentinel.chain.forecast.ensemble import Ensemble
from sentinel.chain.forecast.exits import Exits, Frame, Swing, first_exits
from sentinel.chain.forecast.line import Line, line_normals
from sentinel.chain.forecast.periodic_error import PeriodicError
from sentinel.chain.forecast.place_and_clock import SettingsDoubt
from sentinel.chain.forecast.pointing import STOP_S, LikeliestMount, likeliest_mount, off_axis_deg, stopped_px
from sentinel.chain.forecast.rates import rate_name
from sentinel.chain.forecast.recentring import TracksAhead, best_along, best_centre, place, reach
from sentinel.chain.forecast.scale import FOCAL_DOUBT
from sentinel.chain.forecast.sun_path import HORIZON_H, SunPath, daylight
from sentinel.chain.forecast.turning import Turning, turning_of
from sentinel.chain.forecast.visits import (
    Stores,
    axis_limit_due,
    hour_angle_due,
    in_order,
    sun_goes,
    supplies_due,
)
from sentinel.chain.forecast.words import basis_of
from sentinel.core.records import Due, Edge, Forecast, Place
from sentinel.core.settings import Settings
from sentinel.core.times import from_utc_s
from sentinel.sky.angles import half_turn_deg
from sentinel.sky.arrays import Array
from sentinel.sky.refraction import refraction_sigma_deg
from sentinel.sky.sun import Sun

UNSEEN_S = 1200.0
LITTLE_ARC_H = 0.75
LOW_SUN_DEG = 3.0
LATER_H = (1.0, 2.0, 4.0, 8.0)
SETTLED = 0.85
"""Share of the draws about the likeliest roll above which it counts as known."""
CHANGED = 0.9
"""Share of the draws with a change above which the drift counts as changed."""
PERHAPS_CHANGED = 0.05
CAUSE_KNOWN = 0.95
CAUSE_KNOWN_S = 5400.0
"""Whether a changed drift is the drive's or the axis's shows after so long, at the soonest."""
CHANGED_TOLD_S = 12 * 3600.0
CERTAIN = 0.96
"""The same, above which the others are no longer counted into the axis's sigmas."""
_GOLDEN = 0.618_034
"""Multiples of it, the whole turns dropped, lie evenly."""
_QUANTILES = (("exit_safe_utc", 0.01), ("exit_early_utc", 0.05), ("exit_utc", 0.5), ("exit_late_utc", 0.95))


@dataclass(frozen=True, slots=True)
class Departure:
    """The disc has left the mount's track: how it has moved since."""

    since_s: float
    line: Line
    stopped: bool
    last: TrackedDisc


@dataclass(frozen=True, slots=True)
class Inputs:
    """All that a forecast stands on."""

    settings: Settings
    sun: Sun
    frame: Frame
    scale: float
    """Arcseconds a pixel, by the disc."""
    stores: Stores
    interval_s: float
    draws: Ensemble
    coming: SunPath
    tracks_px: Array
    """Their tracks at the coming times, (2, n, draws)."""
    worm: PeriodicError | None
    """The drive's periodic error, to and fro along the equator."""
    last: TrackedDisc
    arc_h: float
    stretches: int
    clipped: bool
    """No whole disc has been seen."""
    departure: Departure | None
    out_since_s: float | None
    """Since when the limb has been seen beyond an edge."""
    expected_exit_s: float | None
    """The last forecast's median exit."""
    changed_s: float | None
    """When the drift became another and the track from before was let go; None: it did not."""
    settings_doubt: SettingsDoubt

    def drift_changed_s(self) -> float | None:
        """Return since when the disc drifts otherwise than it did; None: that is not likely, or long ago."""
        changed_s = self.draws.changed_s()
        changed = np.isfinite(changed_s)
        if changed.mean() > CHANGED:
            return float(np.median(changed_s[changed]))
        old = self.changed_s is None or self.coming.now_s - self.changed_s > CHANGED_TOLD_S
        return None if old else self.changed_s

    def cause_flags(self) -> tuple[str, ...]:
        """Return what is known of why the disc drifts otherwise than it did."""
        tips = float(self.draws.tipping().mean())
        if float(np.isfinite(self.draws.changed_s()).mean()) > PERHAPS_CHANGED:
            return ("cause-open",)
        young = self.changed_s is not None and self.last.utc_s - self.changed_s < CAUSE_KNOWN_S
        if tips > CAUSE_KNOWN and not young:
            return ("tips",)
        return ("cause-open",) if tips > 1 - CAUSE_KNOWN or young else ()


@dataclass(frozen=True, slots=True)
class _View:
    """Where the disc may be in the coming two days."""

    coming: SunPath
    radius_px: Array
    x_px: Array
    y_px: Array

    @property
    def now_s(self) -> float:
        return self.coming.now_s


def summary(inputs: Inputs, now_utc: datetime) -> Forecast:
    """Return the forecast."""
    view = _view(inputs)
    room = inputs.frame.room_px(view.x_px, view.y_px, view.radius_px[:, None])
    site = inputs.settings.site
    air = inputs.draws.air() * float(refraction_sigma_deg(0.0, site.pressure_hpa, site.temperature_c))
    swing = _swing(inputs)
    exits = first_exits(room, view.coming.day, air if inputs.departure is None else None, swing)
    fields = _exit_fields(inputs, exits)
    best = likeliest_mount(inputs.draws)
    rate = inputs.draws.rate_ratio()
    fields |= _axis_fields(inputs, best, rate)
    flags = _flags(inputs, view, best)
    early_s = exits.quantile_s(0.05)
    if np.isfinite(early_s) and not _is_clear(view.coming, early_s):
        flags = (*flags, "exit-at-horizon")
        fields["exit_clear_utc"] = _exit_clear(view.coming, room, swing)
    fields |= _place_fields(view, inputs, best, exits) if inputs.departure is None else {}
    fields |= _sky_fields(inputs, view, best)
    due = _due(inputs, view, fields["exit_early_utc"], float(np.median(rate)))
    fields |= {"due": due, **_visit_fields(due, inputs)}
    basis = basis_of(
        set(flags),
        arc_h=inputs.arc_h,
        stretches=inputs.stretches,
        rate=rate_name(best.base_arcsec_s),
        since_s=inputs.departure.since_s if inputs.departure else None,
        seen_s=inputs.departure.last.utc_s if inputs.departure else inputs.last.utc_s,
    )
    contradiction = inputs.settings_doubt.contradiction()
    return Forecast(time_utc=now_utc, basis=basis, flags=flags, contradiction=contradiction, **fields)


def _swing(inputs: Inputs) -> Swing | None:
    if inputs.worm is None or inputs.departure is not None:
        return None
    reach = inputs.worm.amplitude_arcsec / inputs.scale
    sides = np.abs(np.stack([np.cos(inputs.draws.roll_rad), np.sin(inputs.draws.roll_rad)])) * reach
    phase = np.asarray(2 * np.pi * (np.arange(len(inputs.draws)) * _GOLDEN % 1), dtype=np.float64)
    return Swing(np.repeat(sides, 2, axis=0), inputs.worm.period_s, phase)


def without_disc(settings: Settings, stores: Stores | None, now_utc: datetime, now_s: float) -> Forecast:
    """Return the forecast before any disc was seen: only what needs none."""
    due: tuple[Due, ...] = ()
    visit: dict[str, Any] = {}
    if stores is not None:
        supplies = supplies_due(settings, stores, now_s, settings.camera.interval_s)
        due = in_order(supplies, now_s + HORIZON_H * 3600)
        visit = _visit(due, settings.visit.travel_min)
    return Forecast(
        time_utc=now_utc, basis="no disc has been measured yet", flags=("no-disc",), due=due, **visit
    )


def _view(inputs: Inputs) -> _View:
    ahead = inputs.coming
    radius = ahead.radius_arcsec / inputs.scale
    if inputs.departure is None:
        return _View(ahead, radius, *inputs.tracks_px)
    return _View(ahead, radius, *inputs.departure.line.draws_px(ahead.times_s, line_normals()))


def _exit_fields(inputs: Inputs, exits: Exits) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    now_s = inputs.coming.now_s
    for name, share in _QUANTILES:
        after = exits.quantile_s(share)
        at = None if np.isinf(after) else now_s + after
        if at is not None and after == 0.0:
            # Out already: it left when it was seen to, or else when it was last expected to.
            at = min(at, _left_s(inputs, at))
        fields[name] = None if at is None else from_utc_s(at)
    fields["edge"] = exits.likely_edge() if fields["exit_early_utc"] is not None else None
    return fields


def _is_clear(ahead: SunPath, after_s: float) -> bool:
    """Whether the sun is well clear of the line at a time after now."""
    last = int(np.searchsorted(ahead.offsets_s, after_s, side="right")) - 1
    return bool(ahead.clear.up[last : last + 2].all())


def _exit_clear(ahead: SunPath, room_px: Array, swing: Swing | None) -> datetime | None:
    """Return the median exit of a sun that is well clear of the line."""
    after_s = first_exits(room_px, ahead.clear, swing=swing).quantile_s(0.5)
    return None if np.isinf(after_s) else from_utc_s(ahead.now_s + after_s)


def _left_s(inputs: Inputs, now_s: float) -> float:
    """Return when the limb left: as last expected, unless the frames say otherwise."""
    seen, expected = inputs.out_since_s, inputs.expected_exit_s
    if expected is None:
        return now_s if seen is None else seen
    if seen is None:
        return expected
    return expected if seen - 1.5 * inputs.interval_s <= expected <= seen else seen


def _axis_fields(inputs: Inputs, best: LikeliestMount, rate: Array) -> dict[str, Any]:
    if best.base_arcsec_s == 0:
        return {"rate_ratio": 0.0, "rate_ratio_sigma": 0.0, **_roll_fields(best)}
    fields, point = _roll_fields(best), best.points
    at = float(point.azimuth_deg[0]), float(point.altitude_deg[0])
    axis = np.stack([inputs.draws.azimuth_deg(), inputs.draws.altitude_deg()])
    # About the likeliest mount; over all that are possible while the roll is open, so that it shows.
    axis = axis[:, best.alike] if best.share >= CERTAIN else axis
    off = axis - np.array(at)[:, None]
    covariance = off @ off.T / off.shape[1]
    sigma = inputs.settings_doubt.sigma_deg(at, covariance)
    for i, name in enumerate(("azimuth", "altitude")):
        fields[f"polar_{name}_error_deg"] = at[i]
        fields[f"polar_{name}_error_sigma_deg"] = float(sigma[i])
    fields["axis_fit_sigma_deg"] = tuple(np.sqrt(np.diag(covariance)).tolist())
    ratio = best.base_arcsec_s / 15.0 * (1 + float(point.rate[0]) * 1e-4)
    fields["rate_ratio"] = ratio
    fields["rate_ratio_sigma"] = float(np.sqrt(((rate - ratio) ** 2).mean()))
    return fields


def _roll_fields(best: LikeliestMount) -> dict[str, Any]:
    roll = {"roll_deg": half_turn_deg(float(np.degrees(best.roll_rad))), "roll_share": best.share}
    return {**roll, "roll_sigma_deg": best.roll_sigma_deg, "axis_sigma_deg": best.axis_sigma_deg}


def _flags(inputs: Inputs, view: _View, best: LikeliestMount) -> tuple[str, ...]:
    nominal = inputs.settings.camera.scale_arcsec_px
    until = view.now_s + 12 * 3600
    soon = view.coming.altitude_deg[view.coming.day.up & (view.coming.times_s < until)]
    asked = {
        "too-little-arc": inputs.arc_h < LITTLE_ARC_H and best.base_arcsec_s > 0,
        "roll-open": best.share < SETTLED,
        "unseen": view.now_s - inputs.last.utc_s > UNSEEN_S,
        "low-sun": bool((soon < LOW_SUN_DEG).any()),
        "all-clipped": inputs.clipped,
        "focal-length": abs(inputs.scale / nominal - 1) > FOCAL_DOUBT,
        "departed": inputs.departure is not None,
        "stopped": inputs.departure is not None and inputs.departure.stopped,
        "rate": rate_name(best.base_arcsec_s) != _configured(inputs.settings),
        "drift-changed": inputs.drift_changed_s() is not None,
        "drift-sure": inputs.draws.has_surely_changed(inputs.last.utc_s),
        "contradicted": inputs.settings_doubt.contradiction() is not None,
    }
    return (*(name for name, yes in asked.items() if yes), *inputs.cause_flags())


def _configured(settings: Settings) -> str:
    return "no" if settings.mount.tracking == "none" else settings.mount.tracking


def _place_fields(view: _View, inputs: Inputs, best: LikeliestMount, exits: Exits) -> dict[str, Any]:
    day = view.coming.day
    ahead = TracksAhead(view.now_s, day.offsets_s, view.x_px, view.y_px, view.radius_px, day.up, inputs.frame)
    strays = reach(ahead, 0)
    now_place = place(ahead, 0, best_centre(ahead, 0, strays), strays)
    middle = np.array(inputs.frame.middle_px)
    here = np.array([np.median(view.x_px[0]), np.median(view.y_px[0])]) - middle
    along = np.array([np.cos(best.roll_rad), -np.sin(best.roll_rad)])
    one_axis = place(ahead, 0, best_along(strays, here, along), strays)
    later = []
    for hours in LATER_H:
        begin = int(np.searchsorted(day.offsets_s, hours * 3600))
        then = reach(ahead, begin, every=2)
        later.append(place(ahead, begin, best_centre(ahead, begin, then), then))
    return {
        "recentre_to_px": now_place.to_px,
        "recentre_holds_until_utc": now_place.holds_until_utc,
        "best_place": now_place,
        "one_axis_place": one_axis,
        "later_places": tuple(later),
        "touch_gains": _gains(now_place, exits.quantile_s(0.01), view.now_s),
    }


def _gains(best: Place, safe_after_s: float, now_s: float) -> bool:
    """Return whether the best place wins half an hour and a good part of the time left."""
    if np.isinf(safe_after_s):
        return False
    held_s = HORIZON_H * 3600.0
    if best.holds_until_utc is not None:
        held_s = (best.holds_until_utc - from_utc_s(now_s)).total_seconds()
    return held_s > safe_after_s + max(1800.0, 0.2 * safe_after_s)


def _sky_fields(inputs: Inputs, view: _View, best: LikeliestMount) -> dict[str, Any]:
    middle = np.array(inputs.frame.middle_px)
    x, y = float(np.median(view.x_px[0])), float(np.median(view.y_px[0]))
    held_s, seen = view.now_s, np.array([x, y])
    if inputs.departure is not None and inputs.departure.stopped:
        held_s, seen = inputs.departure.since_s, inputs.departure.line.at(inputs.departure.since_s)
    fields: dict[str, Any] = {
        "seen_utc": from_utc_s(inputs.departure.last.utc_s if inputs.departure else inputs.last.utc_s),
        "expected_px": (x, y),
        "expected_sigma_px": float(np.hypot(view.x_px[0].std(), view.y_px[0].std())),
        "sun_altitude_deg": float(view.coming.altitude_deg[0]),
        "sun_azimuth_deg": float(view.coming.azimuth_deg[0]),
        "arc_h": inputs.arc_h,
        "scale_arcsec_px": inputs.scale,
        "departed_utc": from_utc_s(inputs.departure.since_s) if inputs.departure else None,
    }
    changed_s = inputs.drift_changed_s()
    hour = int(np.searchsorted(view.coming.offsets_s, 3600.0))
    way = np.hypot(*(np.median(side[hour] - side[0]) for side in (view.x_px, view.y_px)))
    fields |= {
        "drift_changed_utc": None if changed_s is None else from_utc_s(changed_s),
        "drift_arcmin_h": float(way) * inputs.scale / 60,
    }
    right, up = off_axis_deg(inputs.sun, best, held_s, view.now_s, (seen - middle) * inputs.scale)
    step = np.median(view.x_px[1] - view.x_px[0]), np.median(view.y_px[1] - view.y_px[0])
    fields |= {
        "off_right_deg": right,
        "off_up_deg": up,
        "off_rate_deg_min": float(np.hypot(*step)) * inputs.scale / 3600,
    }
    pitch = inputs.settings.camera.pixel_pitch_um
    if abs(inputs.scale / inputs.settings.camera.scale_arcsec_px - 1) > FOCAL_DOUBT:
        fields["implied_focal_length_mm"] = pitch / inputs.scale * 206.264_806_247
    if inputs.departure is None:
        fields |= _stop_fields(inputs, view, best, np.array([x, y]))
    return fields


def _stop_fields(inputs: Inputs, view: _View, best: LikeliestMount, here_px: Array) -> dict[str, Any]:
    moved = stopped_px(inputs.sun, best, view.now_s, inputs.scale)
    x, y = here_px[0] + moved[0], here_px[1] + moved[1]
    room = inputs.frame.room_px(x, y, float(view.radius_px[0]))[:, :, None]
    exits = first_exits(room, daylight(STOP_S, np.ones_like(STOP_S)))
    after = float(exits.after_s[0])
    edge: Edge | None = exits.likely_edge()
    return {
        "stop_edge_utc": from_utc_s(view.now_s + after) if np.isfinite(after) else None,
        "stop_edge": edge,
    }


def _due(inputs: Inputs, view: _View, early_utc: datetime | None, rate_ratio: float) -> tuple[Due, ...]:
    due = supplies_due(inputs.settings, inputs.stores, view.now_s, inputs.interval_s)
    if early_utc is not None:
        due["drift"] = early_utc.timestamp()
    times_s = view.coming.times_s
    limit = axis_limit_due(
        inputs.settings, inputs.stores, view.now_s, rate_ratio, _turning(inputs, view.now_s)
    )
    hour_angle = hour_angle_due(inputs.settings, times_s, inputs.sun.hour_angle_deg(times_s))
    limits = [when for when in (limit, hour_angle) if when is not None]
    if limits:
        due["axis-limit"] = min(limits)
    goes = sun_goes(view.now_s, view.coming.line_deg, view.coming.day)
    if goes is not None:
        due[goes[1]] = goes[0]
    return in_order(due, view.now_s + HORIZON_H * 3600)


def _turning(inputs: Inputs, now_s: float) -> Turning:
    return turning_of(inputs.settings, inputs.sun, inputs.stores.axis_from_utc_s, now_s + HORIZON_H * 3600)


def _visit_fields(due: tuple[Due, ...], inputs: Inputs) -> dict[str, Any]:
    turning = _turning(inputs, inputs.last.utc_s)
    turned = inputs.stores.axis_turned_deg(inputs.last.utc_s, 1.0, turning)
    return {**_visit(due, inputs.settings.visit.travel_min), "axis_turned_deg": turned}


def _visit(due: tuple[Due, ...], travel_min: float) -> dict[str, Any]:
    if not due:
        return {}
    leave = from_utc_s(due[0].time_utc.timestamp() - travel_min * 60)
    return {"next_visit_utc": leave, "next_visit_reason": due[0].reason}
