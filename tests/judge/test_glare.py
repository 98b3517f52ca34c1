"""Light that rises: filters torn, slipping or half gone, and all that only looks like it."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from sentinel.core.records import Severity
from tests.judge.tracks import Watch, stripped


def seen(minutes: float = 60.0, **look: Any) -> Watch:
    watch = Watch()
    watch.look = look
    watch.frames(minutes)
    assert watch.said == []
    return watch


@pytest.mark.parametrize("share", [0.10, 0.2, 0.35])
@pytest.mark.parametrize("gain", [1.0, 1.02, 1.3, 1.8])
@pytest.mark.parametrize("veiled", [0.0, 0.1, 0.4])
def test_a_filter_that_slips_is_told_by_the_second_frame(share: float, gain: float, veiled: float) -> None:
    watch = seen()
    watch.frames(2, brightness=0.4 * gain, saturated_fraction=share, limb_coverage=1 - veiled)
    assert [(one.condition, one.severity) for one in watch.said] == [("over-bright", Severity.NOW)]
    watch.frames(60, brightness=0.4 * gain, saturated_fraction=share, limb_coverage=1 - veiled)
    assert {one.condition for one in watch.said} == {"over-bright"}, "nobody is sent to look at the filter"
    watch.frames(5)
    assert watch.of("over-bright") == [("opened", "now"), ("cleared", "now")]


@pytest.mark.parametrize("gain", [1.0, 1.8])
def test_a_filter_that_slips_within_twenty_minutes_is_told_while_it_does(gain: float) -> None:
    watch = seen()
    for minute in range(20):
        done = (minute + 1) / 20
        watch.frames(1, brightness=0.4 * (1 + done * (gain - 1)), saturated_fraction=0.3 * done)
        if watch.said:
            break
    assert watch.of("over-bright") == [("opened", "now")]
    assert minute <= 6


@pytest.mark.parametrize("share", [0.01, 0.05, 0.5])
def test_half_a_filter_gone_is_told_where_no_disc_is_found(share: float) -> None:
    watch = seen()
    watch.frames(2, found=False, brightness=0.05, saturated_fraction=share)
    assert [(one.condition, one.severity) for one in watch.said] == [("over-bright", Severity.NOW)]


def test_one_spotted_frame_is_nothing() -> None:
    watch = seen()
    for _ in range(5):
        watch.frames(1, saturated_fraction=0.2)
        watch.frames(10)
    assert watch.said == []


@pytest.mark.parametrize("plateau", [1.0, 0.3])
@pytest.mark.parametrize("stops_an_air_mass", [0.32, 0.55])
def test_a_sun_that_grows_with_the_air_burns_out_by_itself(plateau: float, stops_an_air_mass: float) -> None:
    """A low morning sun on a sensor whose one channel is full early: level and share rise with the air.

    Through haze they rise by nearly all that haze explains.
    """
    watch = Watch(datetime(2026, 6, 21, 5, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    for _ in range(240):
        air = watch.judge.context.sun_at(watch.now.timestamp()).air_mass
        middle = 1.25 * 2.0 ** (-stops_an_air_mass * (air - 1.3))
        full_from_mu = np.clip((1 / middle - 0.4) / 0.6, 0, 1)
        watch.frames(
            1,
            brightness=plateau * min(0.82 * middle, 1.0),
            saturated_fraction=float(max(1 - full_from_mu**2, 0.0)),
        )
    assert watch.of("over-bright") == []


def test_a_sun_that_leaves_an_eclipse_or_cloud_is_no_brighter_than_before() -> None:
    watch = seen(90)
    for level in (0.3, 0.1, 0.05, 0.1, 0.3, 0.41, 0.42, 0.4):
        watch.frames(3, brightness=level, limb_coverage=0.7 if level < 0.3 else 1.0)
    watch.frames(60)
    assert watch.of("over-bright") == []


@pytest.mark.parametrize("stops", [(0.0, 2.0, -1.0), (0.0, -2.0), (0.0, 1.0, 2.0, -1.0, -2.0)])
@pytest.mark.parametrize("climb", [False, True])
def test_brackets_whose_files_do_not_tell_are_learned(stops: tuple[float, ...], climb: bool) -> None:
    watch = Watch()
    bare: dict[str, Any] = {"exposure_s": float("nan"), "iso": float("nan"), "aperture": float("nan")}
    for k in range(600):
        level = (0.3 + 0.15 * k / 600 if climb else 0.4) * 2.0 ** stops[k % len(stops)]
        watch.frames(
            1,
            brightness=min(level, 1.0),
            saturated_fraction=float(np.clip((level - 0.8) / 0.8, 0, 1)),
            **bare,
        )
    assert watch.said == []
    # And then judged by: a cap and a filter are found as among frames that tell.
    watch.frames(16, found=False, brightness=0.0, **bare)
    assert watch.opened("lost-disc") is not None
    watch.frames(6, found=False, brightness=1.0, saturated_fraction=0.9, **bare)
    assert watch.of("over-bright") == [("opened", "now")]


def test_a_table_without_light_or_exposure_raises_nothing() -> None:
    watch = Watch()
    for _ in range(60):
        watch.now += np.timedelta64(60, "s").astype(object)
        watch.step(stripped(watch.frame()))
    assert watch.said == []
