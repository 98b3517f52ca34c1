"""Settings that the pictures contradict: the tracking, the lens; and a lens that is changed on the way."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from sentinel.chain.judge.plausibility import likely_mistakes
from sentinel.chain.track import Context
from sentinel.core.foreseen import Contradiction
from sentinel.core.records import Severity
from sentinel.service.journal.codec import plain
from sentinel.sky import Sun
from tests.judge.tracks import RADIUS, Watch, settings


def test_a_mount_that_tracks_against_the_settings_is_told_and_its_stop_is_a_stop() -> None:
    watch = Watch(mount={"tracking": "none"})
    watch.frames(40)
    told = watch.opened("settings")
    assert told is not None
    assert plain(told.detail)["what"] == "tracking"
    assert {one.condition for one in watch.said} == {"settings"}
    watch.runs(0.4)
    watch.frames(1)
    watch.runs(1.0)
    watch.frames(1)
    stop = watch.opened("runaway")
    assert stop is not None
    assert (stop.severity, plain(stop.detail)["kind"]) == (Severity.NOW, "stopped")


def test_a_camera_that_stands_still_does_not_track_however_it_is_turned_after_the_sun() -> None:
    watch = Watch(mount={"tracking": "none"})
    for _ in range(6):
        watch.x, watch.y = 1000.0, 1500.0
        watch.runs(1.0)
        watch.frames(9)
    assert watch.of("settings") == []
    assert watch.of("runaway") == []


@pytest.mark.parametrize(
    ("ratio", "severity"),
    [(0.5, "soon"), (2.0, "soon"), (1.1, "soon"), (0.9, "soon"), (1.06, "note"), (1.03, None)],
)
def test_a_lens_that_is_not_the_one_in_the_settings_is_told_with_the_one_it_is_like(
    ratio: float, severity: str | None
) -> None:
    watch = Watch(camera={"focal_length_mm": 400.0 / ratio})
    watch.frames(30)
    assert watch.of("settings") == ([] if severity is None else [("opened", severity)])
    if severity is not None:
        implied = plain(watch.said[0].detail)["implied_focal_length_mm"]
        assert implied == pytest.approx(400.0, rel=0.01)


@pytest.mark.parametrize("ratio", [0.5, 0.98, 1.02, 1.4])
def test_another_lens_is_told_after_five_frames(ratio: float) -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("recentred")
    watch.x, watch.y = 3000.0, 2000.0
    for _ in range(5):
        watch.frames(1, radius_px=RADIUS * ratio + float(watch.random.normal(0, 0.1)))
    told = watch.opened("lens")
    assert told is not None
    assert plain(told.detail)["size_ratio"] == pytest.approx(ratio, abs=0.003)
    assert watch.of("runaway") == []


def test_seeing_focus_and_an_arc_at_the_edge_are_no_other_lens() -> None:
    watch = Watch()
    watch.frames(30)
    for _ in range(60):
        watch.frames(1, radius_px=RADIUS * (1 + 0.004 * float(watch.random.normal())))
    watch.frames(20, radius_px=RADIUS * 1.03, limb_in_frame=0.6, limb_coverage=0.6)
    watch.frames(20, radius_px=RADIUS * (1 + 0.01 * float(np.sin(1))), edge_width_px=9.0)
    assert watch.of("lens") == []


def light_of(watch: Watch, true: Watch) -> float:
    """Return the level that the true place's air leaves."""
    air = true.judge.context.sun_at(watch.now.timestamp() + 60).air_mass
    return float(0.5 * 2.0 ** (-0.3 * air) * (1 + 0.004 * watch.random.normal()))


def test_what_the_forecast_finds_wrong_with_place_and_clock_is_told_until_it_finds_nothing() -> None:
    watch = Watch()
    watch.frames(10)
    watch.forecast(contradiction=Contradiction(likely=("time-zone",), hours=(-7, -6), share=0.97))
    watch.frames(2)
    wrong = watch.opened("wrong-place")
    assert wrong is not None
    assert wrong.severity is Severity.SOON
    assert (plain(wrong.detail)["likely"], plain(wrong.detail)["time_zone_hours"]) == (
        ["time-zone"],
        [-7, -6],
    )
    watch.forecast()
    watch.frames(60)
    assert watch.of("wrong-place")[-1][0] == "cleared"


def test_what_is_likely_only_is_asked_once_and_told_anew_when_it_is_sure() -> None:
    watch = Watch()
    watch.frames(10)
    for share in (0.6, 0.85, 0.7, 0.9, 0.98, 0.9):
        watch.forecast(contradiction=Contradiction(likely=("time-zone",), hours=(-2,), share=share))
        watch.frames(2)
    told = [one for one in watch.said if one.condition == "wrong-place"]
    assert [one.state for one in told] == ["opened", "changed"]
    assert [plain(one.detail)["contradicted_share"] for one in told] == [0.85, 0.98]
    watch.forecast()
    watch.frames(60)
    assert watch.of("wrong-place")[-1][0] == "cleared"


def drifting(watch: Watch, **more: object) -> None:
    """Let three forecasts an hour apart say that the drift has changed."""
    changed = watch.now - timedelta(minutes=40)
    for _ in range(3):
        watch.forecast(
            rate_ratio=0.97, rate_ratio_sigma=1e-4, flags=("cause-open",), drift_changed_utc=changed,
            drift_arcmin_h=26.0, **more,
        )  # fmt: skip
        watch.frames(20)


WRONG = Contradiction(likely=("time-zone",), hours=(-1,), share=0.99)


def test_by_a_clock_that_is_surely_wrong_no_drive_is_blamed_and_none_is_right_again() -> None:
    healthy = Watch()
    healthy.frames(10)
    drifting(healthy, contradiction=WRONG)
    assert healthy.of("wrong-place") == [("opened", "soon")]
    assert healthy.of("runaway") == []
    # What is only likely to be wrong excuses no drive.
    asked = Watch()
    asked.frames(10)
    drifting(asked, contradiction=replace(WRONG, share=0.85))
    assert asked.of("runaway") == [("opened", "soon")]
    # What was said before it was known stands; that it is over nobody can say by such a clock.
    before = Watch()
    before.frames(10)
    drifting(before)
    for _ in range(3):
        before.forecast(rate_ratio=1.0, rate_ratio_sigma=1e-5, contradiction=WRONG)
        before.frames(20)
    assert before.of("runaway") == [("opened", "soon")]
    for _ in range(3):
        before.forecast(rate_ratio=1.0, rate_ratio_sigma=1e-5)
        before.frames(20)
    assert before.of("runaway") == [("opened", "soon"), ("cleared", "soon")]


def test_a_stop_is_told_and_over_whatever_the_clock() -> None:
    watch = Watch()
    watch.frames(10)
    drifting(watch, contradiction=WRONG)
    watch.runs(1.0)
    watch.frames(4)
    assert watch.of("runaway") == [("opened", "now")]
    watch.runs(0.0)
    watch.frames(30)
    assert watch.of("runaway")[-1] == ("cleared", "now")


@pytest.mark.parametrize("haze", [0.0, 0.3])
def test_light_that_goes_with_the_height_contradicts_nothing(haze: float) -> None:
    watch = Watch(datetime(2026, 6, 21, 4, 30, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    for minute in range(14 * 60):
        thin = haze * float(np.sin(minute / 90.0))
        watch.frames(1, brightness=light_of(watch, watch) * 2.0**-thin)
    assert watch.of("wrong-place") == []


@pytest.mark.parametrize(("latitude_deg", "zone"), [(45.0, True), (80.0, False)])
def test_another_time_zone_is_likely_only_where_it_would_put_the_sun_up(
    latitude_deg: float, zone: bool
) -> None:
    told = settings(site={"latitude_deg": latitude_deg, "longitude_deg": 0.0})
    context = Context(told, Sun(told.site))
    midnight_s = datetime(2026, 12, 21, tzinfo=UTC).timestamp()
    assert ("time-zone" in likely_mistakes(midnight_s, context)) is zone
