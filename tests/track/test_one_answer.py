"""Forecast and judge give one answer to what the disc does, and since when."""

from datetime import timedelta

from sentinel.chain.pipeline import Pipeline
from sentinel.core.records import Forecast, Incident
from tests.judge.tracks import Watch


def test_a_stop_has_one_onset_wherever_it_is_told() -> None:
    """Ninety quiet minutes, then the drive stands; the stop falls between two exposures."""
    watch = Watch()
    pipeline = Pipeline(watch.settings, watch.now)
    incidents: list[Incident] = []
    forecast: Forecast | None = None
    watch.y = 2400.0
    for k in range(100):
        if k == 90:
            watch.runs(1.0, way_deg=0.0)
        watch.now += timedelta(minutes=1)
        watch.x, watch.y = watch.x + watch.speed[0], watch.y + watch.speed[1]
        outcome = pipeline.step(watch.frame(), watch.now)
        forecast = outcome.forecast or forecast
        incidents += [one for one in outcome.incidents if one.condition == "runaway"]
    assert incidents
    assert forecast is not None
    assert forecast.departed_utc == incidents[0].onset_utc
    assert "stopped" in forecast.flags
