"""A forecast as one flat object: a line of `forecasts.jsonl`, and how journals before kept it."""

from collections.abc import Mapping
from typing import Any

from sentinel.core.records import Forecast

# Where each name of the line stands in the record, in the line's order.
_PLACES: Mapping[str, str] = {
    "time_utc": "time_utc",
    "basis": "basis",
    "exit_utc": "exit.median_utc",
    "exit_safe_utc": "exit.safe_utc",
    "exit_early_utc": "exit.early_utc",
    "exit_late_utc": "exit.late_utc",
    "exit_clear_utc": "exit.clear_utc",
    "edge": "exit.edge",
    "polar_azimuth_error_deg": "mount.axis.azimuth_error_deg",
    "polar_azimuth_error_sigma_deg": "mount.axis.azimuth_sigma_deg",
    "polar_altitude_error_deg": "mount.axis.altitude_error_deg",
    "polar_altitude_error_sigma_deg": "mount.axis.altitude_sigma_deg",
    "axis_fit_sigma_deg": "mount.axis.fit_sigma_deg",
    "rate_ratio": "mount.rate_ratio",
    "rate_ratio_sigma": "mount.rate_ratio_sigma",
    "recentre_to_px": "places.now.to_px",
    "recentre_holds_until_utc": "places.now.holds_until_utc",
    "next_visit_utc": "next_visit_utc",
    "next_visit_reason": "next_visit_reason",
    "due": "due",
    "best_place": "places.now",
    "one_axis_place": "places.one_axis",
    "later_places": "places.later",
    "touch_gains": "places.touch_gains",
    "stop_edge_utc": "pointing.stop_edge_utc",
    "stop_edge": "pointing.stop_edge",
    "seen_utc": "pointing.seen_utc",
    "expected_px": "pointing.expected_px",
    "expected_sigma_px": "pointing.expected_sigma_px",
    "path": "path",
    "sun_altitude_deg": "pointing.sun_altitude_deg",
    "sun_azimuth_deg": "pointing.sun_azimuth_deg",
    "off_right_deg": "pointing.off_right_deg",
    "off_up_deg": "pointing.off_up_deg",
    "off_rate_deg_min": "pointing.off_rate_deg_min",
    "axis_turned_deg": "mount.axis_turned_deg",
    "axis_unwound_deg": "mount.axis_unwound_deg",
    "arc_h": "mount.arc_h",
    "roll_deg": "mount.roll_deg",
    "roll_share": "mount.roll_share",
    "roll_sigma_deg": "mount.roll_sigma_deg",
    "axis_sigma_deg": "mount.axis_sigma_deg",
    "scale_arcsec_px": "mount.scale_arcsec_px",
    "implied_focal_length_mm": "mount.implied_focal_length_mm",
    "departed_utc": "mount.departed_utc",
    "drift_changed_utc": "mount.drift_changed_utc",
    "drift_arcmin_h": "pointing.drift_arcmin_h",
    "contradiction": "contradiction",
    "flags": "flags",
}
_DERIVED = frozenset({"recentre_to_px", "recentre_holds_until_utc", "next_visit_reason"})
"""What stands twice in the line."""
_KNOWN_BY = {
    "mount": "seen_utc",
    "mount.axis": "polar_azimuth_error_deg",
    "places": "best_place",
    "pointing": "seen_utc",
}
"""The name by which a line shows whether a part of the record is known."""


def line_of(forecast: Forecast) -> dict[str, Any]:
    """Return a forecast under the names that scripts know; what is not known is None, or no places."""
    line = {name: _at(forecast, place) for name, place in _PLACES.items()}
    return {**line, "later_places": line["later_places"] or ()}


def record_of(line: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of the record that a line was written of; a record's own are returned as they are."""
    if "exit" in line:
        return dict(line)
    record: dict[str, Any] = {}
    for name, place in _PLACES.items():
        *parts, field = place.split(".")
        if name in _DERIVED:
            continue
        inside = record
        for depth, part in enumerate(parts, 1):
            known_by = _KNOWN_BY.get(".".join(parts[:depth]))
            if known_by is not None and line.get(known_by) is None:
                inside[part] = None
                break
            inside = inside.setdefault(part, {})
        else:
            if name in line:
                inside[field] = line[name]
    return record


def _at(value: Any, place: str) -> Any:
    for field in place.split("."):
        if value is None:
            return None
        value = getattr(value, field)
    return value
