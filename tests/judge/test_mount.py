"""The mount: stops, reversals, slips, knocks and re-centrings, on hand-made tracks."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from sentinel.chain.judge.details import RATE_OPEN, RATE_UNUSUAL
from sentinel.chain.judge.drive_rates import looks_like
from sentinel.chain.track.path import leaving, west_from_roll
from sentinel.core.records import Severity
from sentinel.core.times import parse_utc
from sentinel.service.journal.codec import plain
from sentinel.sky import true_altitude_deg
from sentinel.sky.mount import Optics, Pose, project
from tests.judge.tracks import Watch, stripped


def tracked(hours: float = 1.0, **sections: Any) -> Watch:
    watch = Watch(**sections)
    watch.frames(60 * hours)
    assert watch.said == []
    return watch


@pytest.mark.parametrize(("pace", "kind"), [(1.0, "stopped"), (2.0, "reversed")])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.97, 1.0])
@pytest.mark.parametrize("every_s", [30.0, 60.0])
def test_a_stop_is_opened_on_the_second_frame(pace: float, kind: str, share: float, every_s: float) -> None:
    watch = Watch(camera={"interval_s": every_s})
    watch.frames(60, every_s)
    watch.runs(pace)
    full = watch.speed
    watch.speed = (full[0] * share, full[1] * share)
    watch.frames(every_s / 60, every_s)
    watch.speed = full
    said = watch.frames(every_s / 60, every_s)
    assert [(one.condition, one.severity, plain(one.detail)["kind"]) for one in said] == [
        ("runaway", Severity.NOW, kind)
    ]
    # It began in the frame before, at its own share of the interval.
    late_s = (watch.now - said[0].onset_utc).total_seconds()
    assert late_s == pytest.approx(every_s * (1 + share), abs=0.1 * every_s)
    assert plain(said[0].detail)["edge"] == "right"
    assert plain(said[0].detail)["frames_left"] > 0


def test_the_time_to_the_edge_is_right() -> None:
    watch = tracked()
    watch.runs(1.0, way_deg=0.0)
    said = watch.frames(3)
    detail = plain(said[0].detail)
    pace = watch.sky_px_min()
    room = 6000 - 0.5 - (3000 + 60 * 2)  # from the middle, less an hour of drift
    seen = (room - 469) / pace - 2  # two frames at the pace have gone by
    assert detail["minutes_left"] == pytest.approx(seen + 2 * 469 / pace, abs=0.2)


def test_it_is_told_again_when_the_disc_is_gone_and_where_it_is() -> None:
    watch = tracked()
    watch.runs(1.0)
    watch.frames(5)
    watch.frames(2, found=False)
    told = [one for one in watch.said if one.condition == "runaway"]
    assert [one.state for one in told] == ["opened", "changed"]
    assert plain(told[1].detail)["off_way"] == "west"
    assert plain(told[1].detail)["off_rate_deg_min"] == pytest.approx(0.23, abs=0.01)
    # Half a frame is 1.7 degrees at this scale; it had gone on for six minutes at 0.23.
    assert plain(told[1].detail)["off_deg"] == pytest.approx(6 * 0.23, abs=0.1)
    assert watch.opened("lost-disc") is None


def test_a_disc_that_is_gone_before_the_second_frame_is_lost_with_the_mount() -> None:
    watch = Watch(camera={"interval_s": 120.0})
    watch.x = 5000.0
    watch.frames(60, 120.0)
    watch.runs(2.0, way_deg=0.0)
    watch.frames(2, 120.0, limb_in_frame=0.3, limb_coverage=0.3)
    said = watch.frames(2, 120.0, found=False)
    assert [(one.condition, one.severity) for one in said] == [("runaway", Severity.NOW)]
    assert "lost_utc" in plain(said[0].detail)


def test_a_drive_that_slows_and_turns_back_is_told_before_the_disc_is_gone() -> None:
    watch = tracked()
    for pace in np.linspace(0.0, 2.0, 21):
        watch.runs(float(pace))
        watch.frames(1)
        if watch.said:
            break
    assert watch.of("runaway") == [("opened", "now")]
    assert pace < 0.5


@pytest.mark.parametrize("way_deg", [20.0, 200.0])
def test_a_drive_that_slows_for_hours_is_told_before_the_disc_is_gone(way_deg: float) -> None:
    """So slowly that each step is hardly more than the last, on a way that nobody knows yet."""
    watch = tracked()
    left_min: list[float] = []
    for minute in range(90):
        watch.runs(minute / 90, way_deg)
        touches = [parse_utc(plain(one.detail)["touch_utc"]) for one in watch.frames(1)]
        left_min += [(touch - watch.now).total_seconds() / 60 for touch in touches]
        if watch.said and watch.said[-1].severity is Severity.NOW:
            break
    # It can wait until the way there and what `soon` leaves before the edge are left: 10 and 90 minutes.
    assert watch.of("runaway") == [("opened", "soon"), ("changed", "now")]
    assert left_min[0] > 100 >= left_min[1] > 60
    assert plain(watch.said[-1].detail)["minutes_left"] > 30


@pytest.mark.parametrize("latitude_deg", [0.0, 25.0, 45.0])
def test_a_disc_that_the_air_lifts_as_it_sets_is_no_runaway(latitude_deg: float) -> None:
    watch = Watch(
        datetime(2026, 3, 21, 15, 0, tzinfo=UTC), site={"latitude_deg": latitude_deg, "longitude_deg": 0.0}
    )
    watch.jitter = 0.3
    before_deg = 0.0
    while True:
        seen_deg = watch.judge.context.sun_at(watch.now.timestamp() + 60).altitude_deg
        lift_deg = seen_deg - float(true_altitude_deg(seen_deg))
        if seen_deg < 0:
            break
        lifted_px = (lift_deg - before_deg) * 3600 / watch.settings.camera.scale_arcsec_px
        if before_deg:
            watch.speed = (2.0 + 0.6 * lifted_px, -1.0 - 0.8 * lifted_px)
        watch.frames(1)
        before_deg = lift_deg
    assert watch.of("runaway") == []


def test_a_disc_slewed_evenly_by_hand_for_some_minutes_is_no_runaway() -> None:
    watch = tracked()
    watch.runs(0.5, way_deg=130.0)
    watch.frames(6)
    watch.speed = (2.0, -1.0)
    watch.frames(5)
    assert watch.of("runaway") == []
    assert watch.of("moved") == [("opened", "note")]


def test_it_is_over_when_the_disc_tracks_again() -> None:
    watch = tracked()
    watch.runs(1.0)
    watch.frames(3)
    watch.x, watch.y, watch.speed = 3000.0, 2000.0, (2.0, -1.0)
    watch.frames(4)
    assert watch.of("runaway") == [("opened", "now"), ("cleared", "now")]


def test_a_knock_is_no_stop() -> None:
    watch = tracked()
    watch.x += 700
    watch.y -= 300
    watch.frames(5)
    assert watch.of("runaway") == []
    assert watch.of("moved") == [("opened", "note")]
    moved = watch.said[0]
    assert plain(moved.detail)["shift_sun_widths"] == pytest.approx(np.hypot(700, 300) / 938, abs=0.03)
    assert (watch.now - moved.onset_utc).total_seconds() == pytest.approx(360, abs=61)


def test_a_knock_for_the_worse_is_soon_when_the_forecast_says_so() -> None:
    watch = tracked()
    in_hours = watch.now.replace(hour=23)
    watch.forecast(exit_early_utc=in_hours, exit_utc=in_hours)
    watch.x += 1200
    watch.frames(5)
    sooner = watch.now.replace(hour=13)
    watch.forecast(exit_early_utc=sooner, exit_utc=sooner)
    watch.frames(1)
    assert watch.of("moved") == [("opened", "note"), ("changed", "soon")]


@pytest.mark.parametrize(
    ("hours", "shift_px", "told"), [(1.0, 600, True), (1.0, 300, False), (6.0, 800, False)]
)
def test_a_jump_in_a_pause_is_told_where_it_is_more_than_the_drift_may_bend(
    hours: float, shift_px: float, told: bool
) -> None:
    watch = tracked(2.0)
    watch.x += watch.speed[0] * 60 * hours + shift_px
    watch.y += watch.speed[1] * 60 * hours
    watch.silence(60 * hours)
    watch.said.clear()
    watch.frames(5)
    assert bool(watch.of("moved")) == told
    assert watch.of("runaway") == []


def test_a_recentring_in_several_pushes_is_no_stop() -> None:
    watch = tracked()
    for x, y in ((3500, 2100), (2500, 1500), (3300, 2000), (3000, 2000)):
        watch.x, watch.y = x, y
        watch.frames(1)
    watch.frames(5)
    assert watch.of("runaway") == []


def test_a_recentring_that_was_marked_is_no_news() -> None:
    watch = tracked()
    watch.mark("recentred")
    watch.x -= 1500
    watch.frames(40)
    assert watch.said == []


def test_after_a_loss_the_disc_put_back_is_over_and_not_told_as_running() -> None:
    watch = tracked()
    watch.runs(1.0)
    watch.frames(4)
    watch.frames(20, found=False)
    watch.x, watch.y, watch.speed = 3000.0, 2000.0, (2.0, -1.0)
    watch.frames(6)
    assert watch.of("runaway") == [("opened", "now"), ("changed", "now"), ("cleared", "now")]


def test_one_bad_measurement_is_nothing() -> None:
    watch = tracked()
    for _ in range(5):
        watch.frames(1, x_px=watch.x + 250, y_px=watch.y + 80)
        watch.frames(9)
        watch.frames(1, found=False)
        watch.frames(3)
    assert watch.said == []


def test_a_stop_by_the_sky_rate_on_the_known_way_needs_no_partial_step() -> None:
    watch = Watch()
    watch.frames(60)
    roll = -20.0  # x grows to the west, turned by 20 degrees: way 20 degrees below the horizontal
    for _ in range(3):
        watch.forecast(roll_deg=roll)
        watch.frames(10)
    west = watch.state.track.drive.west
    assert west is not None
    assert west == pytest.approx((np.cos(np.radians(20)), np.sin(np.radians(20))))
    watch.runs(1.0, way_deg=20.0)
    said = watch.frames(1)
    assert [one.condition for one in said] == ["runaway"]


@pytest.mark.parametrize(("every_s", "pace"), [(30.0, 0.19), (30.0, 0.44), (60.0, 0.7), (120.0, 0.44)])
@pytest.mark.parametrize("jump", [True, False])
def test_a_slew_that_goes_the_way_of_a_stopped_mount_wakes_nobody(
    every_s: float, pace: float, jump: bool
) -> None:
    watch = known_way(every_s)
    watch.said.clear()
    if jump:
        watch.x, watch.y = 1200.0, 2900.0
        watch.frames(every_s / 60, every_s)
    watch.runs(pace, way_deg=25.0)
    watch.frames(6, every_s)
    watch.speed = (2.0, -1.0)
    watch.frames(10, every_s)
    assert watch.of("runaway") == []
    assert [state for state, _ in watch.of("moved")] == ["opened"]


@pytest.mark.parametrize(("pace", "way_deg"), [(2.047, 30.0), (1.06, 20.0), (1.0, 31.0)])
def test_a_push_that_is_nearly_what_a_stop_would_be_wakes_nobody(pace: float, way_deg: float) -> None:
    watch = known_way(120.0)
    watch.said.clear()
    watch.runs(pace, way_deg=way_deg)
    watch.frames(2, 120.0)
    watch.speed = (2.0, -1.0)
    watch.frames(20, 120.0)
    assert watch.of("runaway") == []


@pytest.mark.parametrize(("pace", "way_deg"), [(1.0, 24.2), (1.03, 20.0), (1.99, 15.8)])
@pytest.mark.parametrize("every_s", [30.0, 60.0])
def test_one_push_that_is_nearly_a_whole_step_of_a_stop_wakes_nobody(
    pace: float, way_deg: float, every_s: float
) -> None:
    watch = known_way(every_s)
    watch.said.clear()
    watch.runs(pace, way_deg=way_deg)
    watch.frames(every_s / 60, every_s)
    watch.speed = (2.0, -1.0)
    watch.frames(20 * every_s / 60, every_s)
    assert watch.of("runaway") == []


@pytest.mark.parametrize("way_deg", [65.0, 110.0, 200.0, -30.0])
@pytest.mark.parametrize("pace", [1.0, 2.0])
def test_a_slew_at_the_skys_pace_another_way_wakes_nobody_once_the_roll_is_sure(
    way_deg: float, pace: float
) -> None:
    watch = known_way(60.0, share=0.99)
    watch.said.clear()
    watch.runs(pace, way_deg=way_deg)
    watch.frames(5)
    watch.speed = (2.0, -1.0)
    watch.frames(20)
    assert watch.of("runaway") == []
    watch.runs(1.0, way_deg=20.0)
    watch.frames(2)
    assert watch.of("runaway") == [("opened", "now")]


def test_a_roll_that_is_in_doubt_again_rules_out_no_way() -> None:
    watch = known_way(60.0, share=0.99)
    watch.forecast(roll_deg=-20.0, roll_share=0.6, flags=("roll-open",))
    watch.runs(0.4, way_deg=110.0)
    watch.frames(1)
    watch.runs(1.0, way_deg=110.0)
    watch.frames(2)
    assert watch.of("runaway") == [("opened", "now")]


def known_way(every_s: float, share: float | None = None) -> Watch:
    """A watch that knows from forecasts which way the disc goes when the mount stops: 20 degrees."""
    watch = Watch(camera={"interval_s": every_s})
    watch.frames(60, every_s)
    for _ in range(3):
        watch.forecast(roll_deg=-20.0, roll_share=share)
        watch.frames(10, every_s)
    return watch


def test_a_wrong_fit_of_the_roll_costs_a_frame_and_no_more() -> None:
    watch = Watch()
    watch.frames(60)
    for _ in range(3):
        watch.forecast(roll_deg=120.0)
        watch.frames(10)
    watch.runs(0.4, way_deg=20.0)
    watch.frames(1)
    watch.runs(1.0, way_deg=20.0)
    assert watch.frames(1) == []
    assert [one.condition for one in watch.frames(1)] == ["runaway"]


@pytest.mark.parametrize("south", [False, True])
@pytest.mark.parametrize("roll_deg", [0.0, 35.0, -140.0])
def test_the_way_of_a_stopped_mount_is_that_of_the_geometry(south: bool, roll_deg: float) -> None:
    optics = Optics(400.0, 3.92, 6000, 4000)
    pose = Pose(0.0, 0.0, roll_deg)
    west = -0.001 if south else 0.001
    x, y = project(np.array([1.0, west, 0.0]), pose, optics)
    step = np.array([float(x), float(y)]) - np.array(optics.middle_px)
    assert west_from_roll(roll_deg, southern=south) == pytest.approx(tuple(step / np.hypot(*step)), abs=1e-9)


@pytest.mark.parametrize("pace", [1.0, 2.0])
def test_a_stop_among_bracketed_bursts_is_found(pace: float) -> None:
    watch = Watch()
    for minute in range(66):
        if minute == 60:
            watch.runs(pace)
        watch.frames(56 / 60, every_s=56.0)
        watch.frames(2 / 60, every_s=2.0, exposure_s=1 / 2000, brightness=0.08)
        watch.frames(2 / 60, every_s=2.0, exposure_s=1 / 125, brightness=0.98, saturated_fraction=0.7)
        if watch.said:
            break
    assert [one.condition for one in watch.said] == ["runaway"]
    assert minute <= 62


def test_a_mount_that_runs_back_fast_is_named_with_the_frame_that_has_lost_the_sun() -> None:
    watch = tracked()
    for _ in range(3):
        watch.forecast(roll_deg=0.0, roll_share=0.99)
        watch.frames(1)
    watch.x = 2200.0
    watch.frames(3)
    watch.runs(4.0, way_deg=0.0)
    watch.x -= 0.6 * watch.speed[0]
    watch.frames(3)
    said = watch.frames(1, found=False, brightness=0.0005)
    assert [(one.condition, one.severity) for one in said] == [("runaway", Severity.NOW)]
    assert plain(said[0].detail)["kind"] == "reversed"


def flung(way_deg: float, part: float = 0.6) -> Watch:
    """Return a watch whose disc goes at nine times the sky's rate, out within the second minute."""
    watch = tracked()
    for _ in range(3):
        watch.forecast(roll_deg=0.0, roll_share=0.99)
        watch.frames(1)
    watch.x, watch.y = 3000.0, 2000.0
    watch.frames(3)
    watch.runs(9.0, way_deg=way_deg)
    watch.x -= (1 - part) * watch.speed[0]
    watch.y -= (1 - part) * watch.speed[1]
    watch.frames(1)
    watch.frames(1, found=False, brightness=0.0005)
    return watch


def test_a_mount_that_runs_back_so_fast_that_one_frame_shows_it_is_named_with_the_next() -> None:
    told = flung(0.0).opened("runaway")
    assert told is not None
    assert (told.severity, plain(told.detail)["kind"]) == (Severity.NOW, "reversed")


@pytest.mark.parametrize("frames", [3, 5])
def test_it_is_named_however_many_frames_it_takes_to_leave(frames: int) -> None:
    watch = tracked()
    for _ in range(3):
        watch.forecast(roll_deg=0.0, roll_share=0.99)
        watch.frames(1)
    watch.runs(4.0, way_deg=0.0)
    speed, watch.speed = watch.speed[0], (2.0, -1.0)
    watch.x, watch.y = 6100.0 - (frames - 0.4) * speed, 2000.0
    watch.frames(3)
    watch.speed = (speed, 0.0)
    watch.x -= 0.4 * speed
    watch.frames(frames)
    watch.frames(1, found=False, brightness=0.0005)
    told = watch.opened("runaway")
    assert told is not None
    assert (told.severity, plain(told.detail)["kind"]) == (Severity.NOW, "reversed")


@pytest.mark.parametrize("way_deg", [180.0, 90.0, 12.0])
def test_one_long_step_another_way_is_a_hand(way_deg: float) -> None:
    assert flung(way_deg).opened("runaway") is None


def test_a_fixed_tripod_is_no_runaway() -> None:
    watch = Watch(mount={"tracking": "none"})
    watch.runs(1.0)
    watch.x = 500.0
    watch.frames(9)
    assert watch.of("runaway") == []


def test_a_fixed_tripod_is_told_when_the_sun_nears_the_edge() -> None:
    """The disc goes fast all the while, and nobody pushes it."""
    watch = Watch(mount={"tracking": "none"}, camera={"focal_length_mm": 100.0, "pixel_pitch_um": 5.97})
    watch.runs(0.3)
    watch.x, leaves = 500.0, watch.now + timedelta(minutes=60)
    for _ in range(5):
        watch.runs(1.0, way_deg=20.0 + watch.count / 10)
        watch.frames(6)
        watch.forecast(
            exit_early_utc=leaves, exit_safe_utc=leaves, exit_utc=leaves, exit_late_utc=leaves, edge="right"
        )
    watch.frames(1)
    assert watch.of("drift-exit") == [("opened", "soon"), ("changed", "now")]
    assert watch.of("moved") == []


def test_without_optional_columns_a_stop_is_found_all_the_same() -> None:
    watch = Watch()
    for minute in range(70):
        if minute == 60:
            watch.runs(1.0)
        watch.now += np.timedelta64(60, "s").astype(object)
        watch.x += watch.speed[0]
        watch.y += watch.speed[1]
        watch.step(stripped(watch.frame()))
    assert watch.of("runaway") == [("opened", "now")]


def test_star_rate_is_told_from_the_fit() -> None:
    watch = tracked()
    for _ in range(3):
        watch.forecast(rate_ratio=1.00270, rate_ratio_sigma=5e-5)
        watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]
    assert plain(watch.said[0].detail)["looks_like"] == "sidereal"
    for _ in range(2):
        watch.forecast(rate_ratio=1.0001, rate_ratio_sigma=5e-5)
        watch.frames(5)
    assert watch.of("runaway")[-1] == ("cleared", "soon")


@pytest.mark.parametrize(
    ("ratio", "sigma", "name"),
    [
        (1.0027, 5e-5, "sidereal"),
        (1.0034, 4e-4, "sidereal"),
        (1.0038, 4e-4, RATE_OPEN),
        (1.0165, 5e-3, RATE_OPEN),
        (1.0042, 4e-4, RATE_UNUSUAL),
        (14.685 / 15, 1e-4, "lunar"),
        (1.0016, 6e-4, "sidereal"),
        (0.9988, 5e-4, "solar"),
    ],
)
def test_a_rate_is_named_only_where_it_is_known(ratio: float, sigma: float, name: str) -> None:
    assert looks_like(ratio, sigma, "solar") == name


def test_whether_a_rate_is_unusual_or_not_known_goes_to_and_fro_unsaid() -> None:
    watch = tracked()
    for _ in range(3):
        for sigma in (1e-4, 3e-3):
            watch.forecast(rate_ratio=1.009, rate_ratio_sigma=sigma)
            watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]


def test_star_rate_is_told_as_soon_as_the_fit_has_decided() -> None:
    watch = tracked()
    told, open_yet = ("rate",), ("roll-open", "rate")
    for flags, sigma in (
        ((), 8e-4),
        (told, 8e-4),
        ((), 1e-4),
        (told, 1e-3),
        (open_yet, 1.3e-3),
        (told, 1e-3),
    ):
        assert watch.said == []
        ratio = 1.0027 if "rate" in flags else 1.0
        watch.forecast(rate_ratio=ratio, rate_ratio_sigma=sigma, flags=flags, arc_h=2.2)
        watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]


def test_a_rate_that_is_not_known_well_is_no_wrong_rate() -> None:
    watch = tracked()
    for _ in range(5):
        watch.forecast(rate_ratio=1.0027, rate_ratio_sigma=1.4e-3, arc_h=2.2)
        watch.frames(10)
        watch.forecast(rate_ratio=1.0027, rate_ratio_sigma=2.2e-3, arc_h=5.0)
    assert watch.said == []


def test_leaving_names_edge_and_times() -> None:
    out = leaving((1000.0, 500.0, 100.0), (-1.0, 0.25), (2000.0, 1000.0), 50.0)
    assert out is not None
    assert out.edge == "left"
    assert (out.touch_s, out.gone_s) == pytest.approx((850.5, 1100.5))
    assert leaving((1000.0, 500.0, 100.0), (0.0, 0.0), (2000.0, 1000.0), 50.0) is None


def test_cloud_over_a_mount_that_stopped_has_not_taken_the_sun_out_of_the_frame() -> None:
    watch = tracked()
    watch.x = 1500.0
    watch.frames(3)
    watch.runs(1.0, way_deg=0.0)
    watch.frames(3)
    watch.frames(2, found=False, brightness=0.01)
    assert [plain(one.detail).get("lost_utc") for one in watch.said if one.condition == "runaway"] == [None]
    watch.frames(8, found=False, brightness=0.01)
    assert plain(watch.said[-1].detail)["lost_utc"]


def test_with_hours_of_track_a_rate_that_is_likelier_than_not_is_told() -> None:
    watch = tracked()
    for arc_h in (1.8, 2.0, 2.2, 2.4):
        watch.forecast(rate_ratio=1.00272, rate_ratio_sigma=0.0018, flags=("roll-open", "rate"), arc_h=arc_h)
        watch.frames(1)
    assert watch.of("runaway") == []
    for arc_h in (2.6, 2.8):
        watch.forecast(rate_ratio=1.00272, rate_ratio_sigma=0.0018, flags=("roll-open", "rate"), arc_h=arc_h)
        watch.frames(1)
    assert watch.of("runaway") == [("opened", "soon")]
    assert plain(watch.said[-1].detail)["sure"] is False


def test_a_rate_is_not_right_again_because_the_disc_was_put_elsewhere() -> None:
    """After a recentring the rate is hardly known: that says nothing; known again, it says what it is."""
    watch = tracked()
    for _ in range(6):
        watch.forecast(rate_ratio=1.0027, rate_ratio_sigma=1e-4, flags=("rate",), arc_h=4.0)
        watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]
    watch.mark("recentred")
    for _ in range(3):
        watch.forecast(rate_ratio=1.0009, rate_ratio_sigma=1.5e-3, flags=(), arc_h=0.2)
        watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]
    watch.forecast(rate_ratio=1.0001, rate_ratio_sigma=2e-4, flags=(), arc_h=3.0)
    watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon"), ("cleared", "soon")]


def test_a_doubt_about_the_change_that_a_rate_was_named_for_is_no_news() -> None:
    """A drive that slips: whether it is the drive is in doubt again after each recentring."""
    watch = tracked()
    changed = watch.now - timedelta(minutes=40)
    doubt = {"flags": ("cause-open",), "drift_changed_utc": changed, "drift_arcmin_h": 24.0}
    for _ in range(3):
        watch.forecast(rate_ratio=0.97, rate_ratio_sigma=1e-4, **doubt)
        watch.frames(10)
    named = watch.now
    for _ in range(3):
        for _ in range(3):
            watch.forecast(rate_ratio=0.97, rate_ratio_sigma=1e-4)
            watch.frames(10)
        watch.forecast(rate_ratio=0.97, rate_ratio_sigma=1e-4, **doubt)
        watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon"), ("changed", "soon")]
    assert plain(watch.said[-1].detail)["looks_like"] == RATE_UNUSUAL
    # It was noticed when the rate was known, not when the drift became another.
    assert watch.said[-1].onset_utc >= named
    again = {**doubt, "drift_changed_utc": watch.now - timedelta(minutes=5)}
    watch.forecast(rate_ratio=0.97, rate_ratio_sigma=1e-4, **again)
    watch.frames(1)
    assert plain(watch.said[-1].detail).get("cause") == "open"


@pytest.mark.parametrize("cause", ["tips", "creeps"])
def test_a_mount_that_moves_is_told_by_its_cause_and_the_drive_is_not_blamed(cause: str) -> None:
    watch = tracked()
    moves = {"drift_changed_utc": watch.now - timedelta(minutes=90), "drift_arcmin_h": 6.0}
    for _ in range(4):
        watch.forecast(rate_ratio=1.004, rate_ratio_sigma=1e-4, flags=(cause,), **moves)
        watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]
    assert plain(watch.said[-1].detail)["cause"] == cause


def test_black_pictures_after_a_visit_do_not_tell_that_the_mount_tracks_again() -> None:
    watch = tracked()
    watch.runs(0.12)
    watch.frames(12)
    assert watch.of("runaway") == [("opened", "now")]
    watch.mark("visit", minutes=8.0)
    watch.frames(60, found=False, brightness=0.01)
    assert watch.of("runaway") == [("opened", "now")]


@pytest.mark.parametrize("share", [0.06, 0.12, 0.15])
@pytest.mark.parametrize("marked", ["recentred", "visit", ""])
def test_a_drive_that_was_mended_does_not_run_off_the_other_way(share: float, marked: str) -> None:
    """The slip had become usual; what is usual of the mended drive is for its own pictures to say."""
    watch = tracked()
    for slip in np.arange(0.02, share + 0.01, 0.03):
        # Whoever comes puts the disc elsewhere, and leaves the drive as it is.
        watch.runs(float(slip))
        watch.frames(45)
        watch.x, watch.y = 2400.0, 1800.0
        watch.mark("recentred")
        watch.frames(45)
    watch.x, watch.y, watch.speed = 3000.0, 2000.0, (1.0, -0.5)
    if marked:
        watch.mark(marked)
    told = len(watch.said)
    watch.frames(120)
    again = [one for one in watch.said[told:] if one.condition == "runaway" and one.state != "cleared"]
    assert again == []


@pytest.mark.parametrize("cloud_min", [0, 90])
@pytest.mark.parametrize("marked", [True, False])
def test_a_drift_that_changed_when_somebody_was_there_is_no_news(cloud_min: int, marked: bool) -> None:
    watch = tracked()
    watch.forecast(drift_arcmin_h=5.0)
    if marked:
        watch.mark("recentred")
    watch.frames(cloud_min, found=False, brightness=0.01)
    watch.x, watch.y = 1500.0, 1200.0
    changed = watch.now + timedelta(minutes=2)
    watch.frames(8)
    doubt: dict[str, Any] = {"flags": ("cause-open",), "drift_arcmin_h": 6.0}
    watch.forecast(drift_changed_utc=changed, rate_ratio=1.0, rate_ratio_sigma=1e-3, **doubt)
    watch.frames(10)
    assert watch.of("runaway") == []
    watch.forecast(
        drift_changed_utc=changed - timedelta(hours=4), rate_ratio=1.0, rate_ratio_sigma=1e-3, **doubt
    )
    watch.frames(60)
    assert watch.of("runaway") == []
    later = watch.now - timedelta(minutes=5)
    watch.forecast(drift_changed_utc=later, rate_ratio=1.0, rate_ratio_sigma=1e-3, **doubt)
    watch.frames(2)
    assert watch.of("runaway") == [("opened", "soon")]


def test_a_drift_that_somebody_made_worse_is_told() -> None:
    watch = tracked()
    watch.forecast(drift_arcmin_h=5.0)
    watch.mark("recentred")
    watch.x, watch.y = 1500.0, 1200.0
    changed = watch.now + timedelta(minutes=2)
    watch.frames(8)
    worse: dict[str, Any] = {"flags": ("cause-open",), "drift_arcmin_h": 9.0, "drift_changed_utc": changed}
    watch.forecast(rate_ratio=1.0, rate_ratio_sigma=1e-3, **worse)
    watch.frames(10)
    assert watch.of("runaway") == [("opened", "soon")]
