"""Mounts that fail evenly, fast or slowly: told by the third frame, or as soon as it stands out."""

from datetime import timedelta

import numpy as np
import pytest

from sentinel.core.records import Severity
from sentinel.service.journal.codec import plain
from tests.judge.tracks import Watch

WAY_DEG = 20.0


def tracked(
    *,
    open_sign: bool = False,
    line: bool = True,
    worm_px: float = 0.0,
    every_s: float = 60.0,
) -> Watch:
    """Return a watch after two hours of tracking that knows the drive's line: 20 degrees below the level."""
    watch = Watch(camera={"interval_s": every_s})
    for _ in range(4):
        swung(watch, 30.0, worm_px, every_s)
        if line:
            flags = ("roll-open",) if open_sign else ()
            watch.forecast(roll_deg=-WAY_DEG + (180.0 if open_sign else 0.0), roll_share=0.7, flags=flags)
    assert watch.said == []
    return watch


def swung(watch: Watch, minutes: float, worm_px: float, every_s: float, turn_s: float = 480.0) -> None:
    """Take frames of a disc that the worm swings along the drive's line."""
    way = np.cos(np.radians(WAY_DEG)), np.sin(np.radians(WAY_DEG))
    for _ in range(round(minutes * 60 / every_s)):
        swing = worm_px * np.sin(2 * np.pi * (watch.now.timestamp() + every_s) / turn_s)
        x, y = watch.x + watch.speed[0] * every_s / 60, watch.y + watch.speed[1] * every_s / 60
        dx, dy = watch.random.normal(0, watch.jitter, 2)
        watch.frames(
            every_s / 60, every_s, x_px=x + swing * way[0] + float(dx), y_px=y + swing * way[1] + float(dy)
        )


@pytest.mark.parametrize("pace", [1.15, 1.3, 1.45, 1.6, 0.3, 0.7])
@pytest.mark.parametrize("open_sign", [False, True])
@pytest.mark.parametrize("share", [0.2, 0.6, 1.0])
@pytest.mark.parametrize("every_s", [30.0, 60.0])
def test_an_even_pace_along_the_drives_line_is_told_by_the_third_frame(
    pace: float, open_sign: bool, share: float, every_s: float
) -> None:
    watch = tracked(open_sign=open_sign, every_s=every_s)
    watch.runs(share * pace, WAY_DEG)
    watch.frames(every_s / 60, every_s)
    watch.runs(pace, WAY_DEG)
    began = watch.now
    watch.frames(2 * every_s / 60, every_s)
    told = watch.opened("runaway")
    assert told is not None
    assert told.severity is Severity.NOW
    last = [one for one in watch.said if one.condition == "runaway"][-1]
    assert plain(last.detail)["kind"] == ("reversed" if pace > 1.1 else "wrong-rate")
    assert (began - told.onset_utc).total_seconds() == pytest.approx(share * every_s, abs=0.15 * every_s)


@pytest.mark.parametrize("pace", [1.15, 1.6])
def test_where_the_line_is_not_known_a_mount_that_runs_back_is_told_with_the_third_whole_step(
    pace: float,
) -> None:
    watch = tracked(line=False)
    watch.runs(0.4 * pace, 130.0)
    watch.frames(1)
    watch.runs(pace, 130.0)
    watch.frames(3)
    assert watch.of("runaway") == [("opened", "now")]


@pytest.mark.parametrize("pace", [0.4, 0.8])
@pytest.mark.parametrize("every_s", [30.0, 60.0])
def test_where_the_line_is_not_known_an_even_pace_is_a_persons_for_some_minutes_and_then_no_longer(
    pace: float, every_s: float
) -> None:
    watch = tracked(line=False, every_s=every_s)
    watch.x, watch.y = 1500.0, 1200.0
    watch.frames(10)
    watch.runs(pace, 25.0)
    watch.frames(7, every_s)
    assert watch.of("runaway") == []
    watch.frames(2, every_s)
    assert watch.of("runaway") == [("opened", "now")]


@pytest.mark.parametrize("pace", [0.03, 0.05, 0.10])
@pytest.mark.parametrize("worm_px", [0.0, 10.0])
@pytest.mark.parametrize("line", [True, False])
def test_a_slipping_clutch_is_told_as_soon_as_it_stands_out(pace: float, worm_px: float, line: bool) -> None:
    watch = tracked(worm_px=worm_px, line=line)
    slow, speed = watch.speed, pace * watch.sky_px_min()
    way = np.cos(np.radians(WAY_DEG)), np.sin(np.radians(WAY_DEG))
    watch.speed = (slow[0] + speed * way[0], slow[1] + speed * way[1])
    began = watch.now
    while watch.x < 5000.0 and not any(one.severity is Severity.NOW for one in watch.said):
        swung(watch, 1.0, worm_px, 60.0)
    told = watch.opened("runaway")
    assert told is not None
    assert plain(told.detail)["kind"] == "wrong-rate"
    assert plain(told.detail)["pace_of_sky"] == pytest.approx(pace, rel=0.35)
    after_min = (told.time_utc - began).total_seconds() / 60
    # A way of so many of the worm's swings, or of the jitter's.
    assert after_min <= 3.0 + 9 * max(worm_px, 1.0) / speed
    assert abs((told.onset_utc - began).total_seconds()) <= 240
    woken = next(one for one in watch.said if one.severity is Severity.NOW)
    assert plain(woken.detail)["minutes_left"] > 20


def test_a_slide_is_over_when_the_drive_holds_again_and_not_before() -> None:
    watch = tracked()
    slow, speed = watch.speed, 0.06 * watch.sky_px_min()
    watch.speed = (slow[0] + speed, slow[1])
    watch.frames(30)
    assert [state for state, _ in watch.of("runaway")][-1] != "cleared"
    watch.speed = slow
    watch.frames(8)
    assert [state for state, _ in watch.of("runaway")][-1] == "cleared"


@pytest.mark.parametrize("seed", range(4))
def test_worm_wind_and_a_drift_that_bends_are_no_slide(seed: int) -> None:
    watch = Watch(seed=seed, site={"latitude_deg": 70.0, "longitude_deg": 0.0})
    watch.jitter = 4.0
    for minute in range(600):
        watch.speed = (2.0 * np.cos(2 * np.pi * minute / 1440), 1.5 * np.sin(2 * np.pi * minute / 1440))
        watch.jitter = 10.0 if 200 < minute < 260 else 3.0
        swung(watch, 1.0, 14.0, 60.0)
    assert watch.of("runaway") == []


@pytest.mark.parametrize("turn_s", [480.0, 638.0, 862.0])
@pytest.mark.parametrize("eighth", range(8))
def test_the_worms_swing_is_no_slide_in_the_first_minutes_either(turn_s: float, eighth: int) -> None:
    watch = Watch(seed=eighth, camera={"interval_s": 30.0})
    watch.jitter = 1.5
    watch.now += timedelta(seconds=eighth * turn_s / 8)
    swung(watch, 40.0, 15.0, 30.0, turn_s=turn_s)
    assert watch.of("runaway") == []


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_slack_taken_up_after_a_recentring_is_quiet_for_five_minutes_and_no_longer(share: float) -> None:
    for minutes, told in ((4, False), (12, True)):
        watch = tracked()
        watch.x, watch.y = 2000.0, 1500.0
        watch.runs(share, WAY_DEG)
        watch.frames(minutes)
        watch.speed = (2.0, -1.0)
        watch.frames(20)
        assert bool(watch.of("runaway")) == told


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_drive_that_stood_and_goes_on_is_said_once_and_taken_back(share: float) -> None:
    watch = tracked()
    watch.runs(1.0, WAY_DEG)
    watch.frames(3)
    watch.runs(share, WAY_DEG)
    watch.frames(1)
    watch.speed = (2.0, -1.0)
    watch.frames(6)
    assert watch.of("runaway") == [("opened", "now"), ("cleared", "now")]
