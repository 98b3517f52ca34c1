"""A mount that stops by night: after a clear evening nothing is seen, and no picture tells why."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sentinel.core.records import MeasuredFrame, Severity
from tests.judge.tracks import Watch


def after_a_night(hours: float, evening: dict[str, Any], **sections: Any) -> Watch:
    """Return what was said from an evening on until so many hours after sunrise, all black since sunset."""
    site = {"latitude_deg": 45.0, "longitude_deg": 7.0}
    watch = Watch(datetime(2026, 6, 21, 16, 0, tzinfo=UTC), site=site, **sections)
    while watch.judge.context.sun_at(watch.now.timestamp()).clear_deg > 0.5:
        watch.frames(1, **evening)
    watch.dusk = watch.now  # type: ignore[attr-defined]
    while watch.now < watch.dusk + timedelta(hours=3) or not is_up(watch):  # type: ignore[attr-defined]
        watch.frames(1, found=False, brightness=0.0)
    watch.rose = watch.now  # type: ignore[attr-defined]
    watch.frames(60 * hours, found=False, brightness=0.0)
    return watch


def is_up(watch: Watch) -> bool:
    context = watch.judge.context
    return context.sun_at(watch.now.timestamp()).clear_deg > context.thresholds.sun_clear_deg


CLOUD = {"brightness": 0.2, "limb_coverage": 0.7}


def test_after_a_clear_evening_it_is_told_after_an_hour_and_somebody_woken_after_two() -> None:
    watch = after_a_night(3.0, {"brightness": 0.4})
    lost = [one for one in watch.said if one.condition == "lost-disc"]
    assert [(one.state, one.severity) for one in lost] == [
        ("opened", Severity.SOON),
        ("changed", Severity.NOW),
    ]
    minutes = [(one.time_utc - watch.rose).total_seconds() / 60 for one in lost]  # type: ignore[attr-defined]
    assert minutes == [pytest.approx(60, abs=2), pytest.approx(120, abs=2)]
    assert watch.frames(3, brightness=0.4)[-1].state == "cleared"


def test_what_haze_does_to_a_sun_that_goes_down_makes_no_clouded_evening() -> None:
    watch = after_a_night(2.5, {"brightness": 0.4})
    hazy = Watch(watch.log[0][1], site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    for event, now in watch.log:
        hazy.now = now
        sun = hazy.judge.context.sun_at(now.timestamp())
        if isinstance(event, MeasuredFrame) and event.disc.found and sun.altitude_deg < 6.5:
            hazy.step(replace(event, disc=replace(event.disc, brightness=0.01, limb_coverage=0.7)))
        else:
            hazy.step(event)
    assert hazy.of("lost-disc") == [("opened", "soon"), ("changed", "now")]


def test_after_a_clouded_evening_nobody_is_woken() -> None:
    assert after_a_night(5.0, CLOUD).of("lost-disc") == []


def test_light_of_cloud_in_the_morning_explains_it() -> None:
    watch = after_a_night(0.5, {"brightness": 0.4})
    watch.frames(2, found=False, brightness=0.004)
    watch.frames(300, found=False, brightness=0.0)
    assert watch.of("lost-disc") == []


def test_a_mount_that_is_parked_at_night_is_expected_nowhere_in_the_morning() -> None:
    watch = after_a_night(5.0, {"brightness": 0.4}, mount={"parked_at_night": True})
    assert watch.of("lost-disc") == []
