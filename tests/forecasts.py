"""Forecasts for tests, by the names in `forecasts.jsonl`, and their parts where they must be known."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from pydantic import TypeAdapter

from sentinel.core.foreseen import MountFit, Places, Pointing, PolarAxis
from sentinel.core.records import Forecast
from sentinel.service.journal.forecast_line import record_of

_DISC: Mapping[str, Any] = MappingProxyType(
    {
        "rate_ratio": 1.0,
        "rate_ratio_sigma": 1.0,
        "roll_deg": 0.0,
        "roll_share": 0.5,
        "scale_arcsec_px": 2.02,
        "arc_h": 5.0,
        "axis_turned_deg": 0.0,
        "expected_px": (3000.0, 2000.0),
        "expected_sigma_px": 1.0,
        "sun_altitude_deg": 20.0,
        "sun_azimuth_deg": 180.0,
        "off_right_deg": 0.0,
        "off_up_deg": 0.0,
        "off_rate_deg_min": 0.0,
        "drift_arcmin_h": 0.0,
    }
)
"""What is known as soon as a disc was seen, as harmless as it can be, and the rate as good as unknown."""
_OF_DISC = {*_DISC, "seen_utc", "departed_utc", "drift_changed_utc", "implied_focal_length_mm", "best_place"}
_OF_DISC |= {"stop_edge_utc", "stop_edge", "polar_azimuth_error_deg"}

# Made once: it costs more than everything else a test does with its forecast.
_FORECASTS = TypeAdapter(Forecast)


def foreseen(**known: Any) -> Forecast:
    """Return a forecast of which so much is said; the rest goes without saying."""
    said = {name: value for name, value in known.items() if value is not None}
    line: dict[str, Any] = {"basis": "test", **said}
    if any(line.get(name) is not None for name in _OF_DISC):
        line = {"seen_utc": line["time_utc"], **_DISC, **line}
    if line.get("best_place") is not None:
        line = {"one_axis_place": line["best_place"], "later_places": (), "touch_gains": True, **line}
    return _FORECASTS.validate_python(record_of(line))


def mount_of(one: Forecast) -> MountFit:
    assert one.mount is not None
    return one.mount


def axis_of(one: Forecast) -> PolarAxis:
    axis = mount_of(one).axis
    assert axis is not None
    return axis


def pointing_of(one: Forecast) -> Pointing:
    assert one.pointing is not None
    return one.pointing


def places_of(one: Forecast) -> Places:
    assert one.places is not None
    return one.places
