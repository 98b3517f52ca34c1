"""Scenarios that the tests of this room share."""

from datetime import UTC, datetime
from typing import Any

from sentinel.core.settings import Site
from sentinel.jobs.simulate.events import AnyEvent
from sentinel.jobs.simulate.scenario import Scenario, SimCamera, SimMount

FINE = SimCamera(focal_length_mm=400, pixel_pitch_um=3.92, width_px=6000, height_px=4000)
BINNED = SimCamera(focal_length_mm=400, pixel_pitch_um=23.52, width_px=1500, height_px=1000)


def midsummer(
    *events: AnyEvent,
    latitude_deg: float = 70.37,
    hours: float = 24.0,
    camera: SimCamera = BINNED,
    mount: dict[str, Any] | None = None,
    **more: Any,
) -> Scenario:
    """A midsummer session of either hemisphere, in its middle the disc."""
    start_utc = datetime(2027, 6 if latitude_deg > 0 else 12, 21, 10, tzinfo=UTC)
    return Scenario(
        site=more.pop("site", Site(latitude_deg=latitude_deg, longitude_deg=31.1)),
        camera=camera,
        mount=SimMount(**{"axis_limit_deg": None, **(mount or {})}),
        start_utc=more.pop("start_utc", start_utc),
        hours=hours,
        events=events,
        **more,
    )
