"""Invented trips: settings in a line, planned."""

from functools import lru_cache
from typing import Any

from sentinel.core.settings import Settings
from sentinel.jobs.plan.making import plan_trip
from sentinel.jobs.plan.records import Plan, Trip
from sentinel.jobs.plan.request import read_trip


def settings(latitude_deg: float = 70.37, longitude_deg: float = 31.1, **sections: Any) -> Settings:
    site = {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg} | sections.pop("site", {})
    camera = {"focal_length_mm": 400.0, "pixel_pitch_um": 3.92} | sections.pop("camera", {})
    return Settings.model_validate({"site": site, "camera": camera, **sections})


def trip(
    begin: str,
    end: str,
    told: Settings | None = None,
    frame: str | None = "6000x4000",
    mb: float | None = 12.5,
) -> Trip:
    return read_trip(told or settings(), begin, end, frame, mb)


@lru_cache(maxsize=32)
def planned(told: Settings, begin: str, end: str, frame: str | None = "6000x4000") -> Plan:
    return plan_trip(told, trip(begin, end, told, frame))
