"""Frames that fail to come, clocks, supplies, forecasts, visits, sleep, and things that cannot be."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import pytest

from sentinel.chain.intake.events import session_events
from sentinel.chain.judge.timekeeping import likely_cause
from sentinel.core.foreseen import Due, Place
from sentinel.core.records import Severity, Surroundings
from sentinel.core.times import format_utc, parse_utc, utc_s
from sentinel.service.journal.codec import plain
from tests.judge.tracks import RADIUS, START, Watch

TIMER = "clock-set-or-timer-restarted"


def due(reason: str, when: datetime) -> Due:
    return Due(time_utc=when, reason=reason)


@pytest.mark.parametrize(("interval_s", "after_s"), [(10.0, 180.0), (60.0, 180.0), (120.0, 360.0)])
def test_no_frames_is_now_after_three_intervals_or_minutes(interval_s: float, after_s: float) -> None:
    watch = Watch(camera={"interval_s": interval_s})
    watch.frames(30, interval_s)
    last = watch.now
    watch.silence(10)
    silent = watch.opened("no-frames")
    assert silent is not None
    assert silent.severity is Severity.NOW
    assert after_s <= (silent.time_utc - last).total_seconds() <= after_s + 31
    assert plain(silent.detail)["mount_was_fine"] is True
    said = watch.frames(interval_s / 60, interval_s)
    assert [(one.condition, one.state) for one in said] == [("no-frames", "cleared")]


def test_a_camera_that_never_starts_is_told() -> None:
    watch = Watch()
    watch.silence(5)
    assert watch.of("no-frames") == [("opened", "now")]


def test_the_watchs_own_absence_is_no_silence_of_the_camera() -> None:
    watch = Watch()
    watch.frames(30)
    watch.now += timedelta(hours=2)
    watch.step(Surroundings(time_utc=watch.now, away_s=2 * 3600.0, folder="present"))
    back = watch.now
    watch.silence(10)
    silent = watch.opened("no-frames")
    assert silent is not None
    assert 120 <= (silent.time_utc - back).total_seconds() <= 211, "a camera that stopped meanwhile is found"


@pytest.mark.parametrize("folder", ["missing", "unreadable", "stuck", "empty"])
def test_no_frames_says_how_the_folder_is_found(
    folder: Literal["missing", "unreadable", "stuck", "empty"],
) -> None:
    watch = Watch()
    watch.frames(30)
    watch.step(Surroundings(time_utc=watch.now, folder=folder))
    watch.silence(10)
    silent = watch.opened("no-frames")
    assert silent is not None
    assert plain(silent.detail)["folder"] == folder


def test_a_camera_slower_than_configured_is_left_alone_once_that_is_known() -> None:
    watch = Watch(camera={"interval_s": 60.0})
    for _ in range(40):
        watch.silence(4.5)
        watch.frames(0.5, every_s=30.0)
    assert len(watch.of("no-frames")) < 20
    before = len(watch.said)
    for _ in range(20):
        watch.silence(4.5)
        watch.frames(0.5, every_s=30.0)
    assert len(watch.said) == before
    watch.silence(20)
    assert watch.said[-1].condition == "no-frames"


def test_files_that_cannot_be_used_are_no_frames() -> None:
    watch = Watch()
    watch.frames(30)
    for _ in range(6):
        watch.now += timedelta(seconds=60)
        watch.step(watch.frame(error="cut short", found=False))
        watch.silence(0.5)
    silent = watch.opened("no-frames")
    assert silent is not None
    assert plain(silent.detail)["damaged_files"] >= 3


def test_the_same_picture_again_and_again_is_no_frames() -> None:
    watch = Watch()
    watch.frames(30)
    watch.frames(6, x_px=3000.25, y_px=2000.5, radius_px=469.0, brightness=0.4)
    same = watch.opened("no-frames")
    assert same is not None
    assert plain(same.detail)["same_picture"] is True


def test_the_same_picture_under_the_same_time_is_no_frames() -> None:
    watch = Watch()
    watch.frames(60)
    frozen = watch.frame(x_px=3000.0, y_px=2000.0, radius_px=469.0, brightness=0.4)
    for count in range(40):
        watch.step(replace(frozen, frame=f"COPY_{count}.JPG"))
    same = watch.opened("no-frames")
    assert same is not None
    assert plain(same.detail)["same_picture"] is True


def test_while_no_pictures_come_nothing_is_said_of_the_edge() -> None:
    watch = Watch()
    watch.frames(60)
    for _ in range(3):
        watch.forecast(
            exit_utc=watch.now + timedelta(hours=2), exit_early_utc=watch.now + timedelta(hours=1.9)
        )
        watch.silence(60)
    assert watch.opened("no-frames") is not None
    assert watch.of("drift-exit") == []


def test_in_the_night_a_stopped_camera_is_told_with_the_time_that_is_left() -> None:
    start = datetime(2026, 6, 21, 22, 0, tzinfo=UTC)
    watch = Watch(start, site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    watch.frames(10, found=False)
    watch.silence(8 * 60)
    told = [one for one in watch.said if one.condition == "no-frames"]
    assert [(one.state, one.severity) for one in told] == [("opened", Severity.NOW)]
    rises = watch.judge.context.sun_at(utc_s(parse_utc(plain(told[0].detail)["sun_rises_utc"])))
    assert "sun_stays_down" not in plain(told[0].detail)
    # When the whole disc is over the horizon: half a sun-width, as the air flattens it there.
    assert rises.altitude_deg == pytest.approx(0.22, abs=0.02)


@pytest.mark.parametrize("step_s", [-3600.0, -47.0, -5.0, 5.0, 47.0, 3600.0])
def test_a_clock_step_shows_in_the_arrivals(step_s: float) -> None:
    watch = Watch()
    for minute in range(60):
        watch.now += timedelta(seconds=60)
        shown = watch.now + timedelta(seconds=step_s if minute >= 30 else 0)
        lag = timedelta(seconds=float(watch.random.lognormal(0, 0.3)))
        watch.step(watch.frame(time_utc=shown, arrived_utc=watch.now + lag))
    step = watch.opened("clock")
    assert step is not None
    assert step.severity is (Severity.SOON if abs(step_s) >= 30 else Severity.NOTE)
    assert plain(step.detail)["step_s"] == pytest.approx(step_s, abs=1.0)
    # Whoever hears the frames arrive knows that no timer was started anew.
    assert plain(step.detail)["likely"] != TIMER
    assert not [one for one in watch.said if one.severity is Severity.NOW]


@pytest.mark.parametrize("step_s", [-3600.0, -3618.0, -420.0, -40.0, 5.0, 90.0, 3600.0, 7200.0])
def test_a_clock_step_shows_in_a_past_session(step_s: float) -> None:
    """Where nobody knows when the files came, and they lie in the order of the times they bear."""
    watch = Watch()
    taken = []
    for minute in range(300):
        watch.now += timedelta(seconds=60)
        watch.x, watch.y = watch.x + 0.4, watch.y - 0.3
        shown = watch.now + timedelta(seconds=step_s if minute >= 150 else 0)
        taken.append(watch.frame(time_utc=shown))
    for event, watch.now in session_events(taken):
        watch.step(event)
    step = watch.opened("clock")
    assert step is not None
    assert step.severity is (Severity.SOON if abs(step_s) >= 30 else Severity.NOTE)
    assert plain(step.detail)["step_s"] == pytest.approx(step_s, abs=31.0 if step_s < -60 else 1.0)
    assert len(watch.of("clock")) <= 2
    if abs(step_s) == 3600:
        assert plain(step.detail)["likely"] == "daylight-saving"
    assert (plain(step.detail)["likely"] == TIMER) is (abs(step_s) < 3600)


@pytest.mark.parametrize("hours", [1.0, 2.0])
def test_a_pause_of_whole_hours_is_no_clock_step(hours: float) -> None:
    watch = Watch()
    taken = []
    for minute in range(300):
        watch.now += timedelta(seconds=60)
        watch.x, watch.y = watch.x + 0.4, watch.y - 0.3
        if not 100 <= minute < 100 + 60 * hours:
            taken.append(watch.frame())
    for event, watch.now in session_events(taken):
        watch.step(event)
    assert watch.of("no-frames") == [("opened", "now"), ("cleared", "now")]
    assert watch.of("clock") == []


def test_files_that_count_brackets_or_nothing_are_no_clock_step() -> None:
    for names in ("IMG_{n:04d}_{k}.jpg", "{k}.cr2", "no count.jpg", "{n}-{k}.tif"):
        watch = Watch()
        for n in range(60):
            for k in range(3):
                watch.now += timedelta(seconds=2)
                watch.step(watch.frame(frame=names.format(n=n, k=k)))
            watch.now += timedelta(seconds=54)
        assert watch.of("clock") == []


def test_a_slow_link_is_no_clock_step() -> None:
    watch = Watch()
    for _ in range(120):
        watch.now += timedelta(seconds=60)
        lag = timedelta(seconds=float(watch.random.lognormal(2, 1)))
        watch.step(watch.frame(time_utc=watch.now, arrived_utc=watch.now + lag))
    assert watch.said == []


def test_a_clock_that_is_ahead_of_the_arrivals_is_told() -> None:
    watch = Watch()
    for _ in range(15):
        watch.now += timedelta(seconds=60)
        watch.step(watch.frame(time_utc=watch.now + timedelta(seconds=180), arrived_utc=watch.now))
    ahead = watch.opened("clock")
    assert ahead is not None
    assert plain(ahead.detail)["offset_s"] == pytest.approx(180, abs=1)
    assert plain(ahead.detail)["likely"] == "set-wrong-by-minutes"


@pytest.mark.parametrize(("offset_s", "cause"), [
    (3600, "daylight-saving"), (-7200, "time-zone"), (20700, "time-zone"), (86400, "date"),
    (-200, "set-wrong-by-minutes"), (12, "drift-or-set-by-hand"),
])  # fmt: skip
def test_likely_causes(offset_s: float, cause: str) -> None:
    assert likely_cause(offset_s) == cause


def test_the_edge_is_soon_and_then_now() -> None:
    watch = Watch()
    watch.frames(60)
    exit_early = watch.now + timedelta(hours=4)
    place = Place(at_utc=watch.now, to_px=(2000.0, 1500.0), right_widths=-1.0, up_widths=0.5, gap_edge="left",
                  gap_widths=1.0, tolerance_widths=0.2)  # fmt: skip
    for _ in range(24):
        watch.forecast(
            exit_early_utc=exit_early, exit_utc=exit_early + timedelta(minutes=9), best_place=place
        )
        watch.frames(10)
    told = [one for one in watch.said if one.condition == "drift-exit"]
    assert [(one.state, one.severity) for one in told] == [
        ("opened", Severity.SOON),
        ("changed", Severity.NOW),
    ]
    left = [(exit_early - one.time_utc).total_seconds() / 60 for one in told]
    assert left == [pytest.approx(100, abs=2), pytest.approx(35, abs=2)]
    assert plain(told[1].detail)["put_right_widths"] == -1.0
    watch.mark("recentred")
    watch.forecast(exit_early_utc=None)
    watch.frames(3)
    assert watch.of("drift-exit")[-1] == ("cleared", "now")


@pytest.mark.parametrize("comes_back", [True, False])
def test_a_disc_lifted_over_the_edge_as_it_rises_wakes_nobody_unless_it_stays_out(comes_back: bool) -> None:
    watch = Watch()
    watch.frames(60)
    rises = watch.now + timedelta(hours=4)
    clear = None if comes_back else rises + timedelta(minutes=6)
    for _ in range(24):
        watch.forecast(exit_early_utc=rises, exit_utc=rises, exit_clear_utc=clear, flags=("exit-at-horizon",))
        watch.frames(10)
    assert watch.of("drift-exit") == ([] if comes_back else [("opened", "soon"), ("changed", "now")])


def test_a_forecast_that_knows_little_wakes_nobody() -> None:
    watch = Watch()
    for _ in range(6):
        watch.frames(10)
        watch.forecast(
            exit_early_utc=watch.now + timedelta(minutes=20), arc_h=0.2, flags=("too-little-arc",),
            exit_utc=watch.now + timedelta(hours=9),
        )  # fmt: skip
    assert watch.said == []


def test_forecasts_of_the_minutes_in_which_somebody_pushes_the_disc_wake_nobody() -> None:
    watch = Watch()
    watch.frames(60)
    for x, y in ((3500, 2100), (4100, 2500), (2600, 1900), (3000, 2000)):
        watch.x, watch.y = x, y
        watch.frames(1)
        soon = watch.now + timedelta(minutes=4)
        watch.forecast(exit_early_utc=soon, exit_utc=soon, flags=("departed",))
    watch.frames(3)
    watch.forecast(exit_early_utc=None)
    watch.frames(20)
    assert not [one for one in watch.said if one.severity is not Severity.NOTE]


def test_one_odd_forecast_wakes_nobody() -> None:
    watch = Watch()
    watch.frames(60)
    for minutes in (900, 30, 900, 900):
        when = watch.now + timedelta(minutes=minutes)
        watch.forecast(exit_early_utc=when, exit_utc=when + timedelta(hours=3))
        watch.frames(10)
    assert watch.said == []


@pytest.mark.parametrize(
    ("reason", "condition", "mark"),
    [("axis-limit", "axis-limit", "unwound"), ("battery", "supply", "battery"), ("card", "supply", "card"),
     ("timer", "supply", "timer")],
)  # fmt: skip
def test_what_runs_out_is_told_until_it_is_seen_to(reason: str, condition: str, mark: str) -> None:
    watch = Watch()
    end = watch.now + timedelta(hours=14)
    for _ in range(int(13.5 * 6)):
        watch.forecast(due=(due(reason, end),))
        watch.frames(10, every_s=120.0)
    told = [one for one in watch.said if one.condition == condition]
    leads_h = (100 / 60, 35 / 60) if condition == "axis-limit" else (12.0, 2.0)
    assert [one.severity for one in told] == [Severity.SOON, Severity.NOW]
    left_h = [(end - one.time_utc).total_seconds() / 3600 for one in told]
    assert left_h == [pytest.approx(lead, abs=0.1) for lead in leads_h]
    watch.mark(mark)
    assert watch.of(condition)[-1] == ("cleared", "now")


def test_a_full_disk_is_foreseen() -> None:
    watch = Watch()
    watch.frames(5)
    for hour in range(14):
        watch.disk(int((13.0 - hour) * 60 * 8e6), 8e6)
        watch.frames(60, every_s=300.0)
    assert watch.of("storage") == [("opened", "soon"), ("changed", "now")]


def test_a_disk_that_fills_in_the_night_is_on_the_evenings_list() -> None:
    watch = Watch(datetime(2026, 6, 21, 17, 0, tzinfo=UTC), sleep={"from_utc": "20:00", "until_utc": "04:00"})
    watch.disk(int(11 * 60 * 8e6), 8e6)
    watch.frames(125)
    assert [job["job"] for one in watch.said for job in plain(one.detail).get("jobs", ())] == ["storage"]


def test_a_visit_mutes_all_but_the_filter() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=30.0)
    watch.x += 900
    watch.frames(5, found=False)
    watch.silence(10)
    said = watch.frames(1, found=False, brightness=1.0, saturated_fraction=0.9)
    assert [one.condition for one in watch.said] == ["visit", "over-bright"]
    assert said[0].severity is Severity.NOW


def test_a_good_visit_ends_with_a_good_word() -> None:
    watch = Watch()
    watch.frames(60)
    watch.forecast(next_visit_utc=watch.now + timedelta(hours=6))
    watch.mark("visit", minutes=10.0)
    watch.frames(5, found=False)
    watch.x, watch.y = 2500.0, 1800.0
    watch.frames(12)
    told = [one for one in watch.said if one.condition == "visit"]
    assert [(one.state, plain(one.detail).get("good")) for one in told] == [
        ("opened", None),
        ("changed", True),
        ("cleared", True),
    ]
    assert {one.condition for one in watch.said} == {"visit"}


def test_a_visit_that_leaves_the_cap_on_is_now() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=10.0)
    ends = watch.now + timedelta(minutes=10)
    watch.frames(25, found=False)
    bad = next(one for one in watch.said if one.severity is Severity.NOW)
    assert bad.condition == "visit"
    assert (bad.time_utc - ends).total_seconds() / 60 == pytest.approx(10, abs=1)
    watch.frames(6)
    assert watch.said[-1].state == "cleared"


@pytest.mark.parametrize(("flags", "hours"), [((), 2), (("exit-at-horizon",), 9)])
def test_silence_tells_the_exit_that_all_else_tells(flags: tuple[str, ...], hours: int) -> None:
    """What the air lifts over the edge in the minutes of setting is no exit."""
    watch = Watch()
    watch.frames(60)
    early, clear = (watch.now + timedelta(hours=count) for count in (2, 9))
    watch.forecast(exit_early_utc=early, exit_utc=early, exit_clear_utc=clear, flags=flags)
    watch.frames(5)
    watch.silence(15)
    silent = watch.opened("no-frames")
    assert silent is not None
    expected = {2: early, 9: clear}[hours]
    assert plain(silent.detail)["alone_until_utc"] == format_utc(expected)


@pytest.mark.parametrize("found", [True, False])
def test_of_a_picture_every_five_minutes_a_visit_is_judged_by_as_many_pictures(found: bool) -> None:
    """In ten minutes two come: too few to show that it is carried, enough to show that it is gone."""
    watch = Watch(camera={"interval_s": 300.0})
    watch.frames(150, every_s=300.0)
    watch.mark("visit", minutes=10.0)
    ends = watch.now + timedelta(minutes=10)
    watch.x, watch.y = 2500.0, 1800.0
    watch.frames(10, every_s=300.0, found=False)
    watch.frames(40, every_s=300.0, found=found)
    grave = [one for one in watch.said if one.severity is Severity.NOW]
    assert bool(grave) is not found
    if found:
        assert plain(next(one for one in reversed(watch.said) if one.condition == "visit").detail)["good"]
    else:
        assert (grave[0].time_utc - ends).total_seconds() <= 900


def test_a_visit_that_found_no_sun_did_not_lose_it() -> None:
    watch = Watch()
    watch.frames(60)
    watch.frames(40, found=False, brightness=0.0)
    watch.mark("visit", minutes=10.0)
    watch.frames(60, found=False, brightness=0.0)
    assert [one.severity for one in watch.said if plain(one.detail).get("good") is False] == [Severity.SOON]


def test_cloud_that_stays_after_a_visit_wakes_nobody_when_its_hints_grow_old() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=10.0)
    watch.frames(9)
    for share in (0.5, 0.3, 0.2, 0.12):
        watch.frames(1, brightness=0.4 * share, limb_coverage=0.6)
    watch.frames(150, found=False, brightness=0.0)
    bad = [one.severity for one in watch.said if plain(one.detail).get("good") is False]
    assert Severity.NOW not in bad


def test_a_visit_that_found_the_sun_late_and_lost_it_again_is_now() -> None:
    watch = Watch()
    watch.frames(60)
    watch.frames(40, found=False, brightness=0.0)
    watch.mark("visit", minutes=10.0)
    watch.frames(3, found=False, brightness=0.0)
    watch.frames(3)
    watch.frames(60, found=False, brightness=0.0)
    assert Severity.NOW in [one.severity for one in watch.said if one.condition == "visit"]


def test_no_visitor_is_told_to_go_while_the_forecast_promises_next_to_nothing() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=10.0)
    watch.frames(5, found=False)
    watch.x, watch.y = 2500.0, 1800.0
    watch.frames(4)
    soon = watch.now + timedelta(minutes=4)
    watch.forecast(exit_early_utc=soon, seen_utc=watch.now, due=(Due(time_utc=soon, reason="drift"),))
    watch.frames(3)
    assert not any(plain(one.detail).get("good") for one in watch.said)
    later = watch.now + timedelta(hours=6)
    watch.forecast(exit_early_utc=later, seen_utc=watch.now, due=(Due(time_utc=later, reason="drift"),))
    watch.frames(2)
    good = next(one for one in watch.said if plain(one.detail).get("good"))
    assert plain(good.detail)["alone_until_utc"] == format_utc(later)
    assert "stay" not in plain(good.detail)


@pytest.mark.parametrize("marked", [False, True])
def test_what_was_open_before_a_visit_and_not_marked_on_it_is_asked_for_at_its_end(marked: bool) -> None:
    watch = Watch()
    watch.frames(60)
    limit = Due(time_utc=watch.now + timedelta(minutes=80), reason="axis-limit")
    watch.forecast(seen_utc=watch.now, due=(limit,))
    watch.frames(2)
    assert watch.opened("axis-limit") is not None
    watch.mark("visit", minutes=10.0)
    watch.frames(5)
    if marked:
        watch.mark("unwound")
        watch.forecast(seen_utc=watch.now, due=())
    watch.frames(20)
    good = next(one for one in watch.said if plain(one.detail).get("good"))
    assert plain(good.detail).get("unmarked", []) == ([] if marked else ["unwound"])


def test_a_mount_that_stops_towards_the_end_of_a_visit_is_named_when_it_ends() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=10.0)
    watch.frames(6)
    watch.runs(1.0)
    watch.frames(3)
    assert watch.of("runaway") == []
    said = watch.frames(1)
    assert [(one.condition, one.severity) for one in said if one.condition == "runaway"] == [
        ("runaway", Severity.NOW)
    ]
    assert plain(watch.opened("runaway").detail)["kind"] == "stopped"  # type: ignore[union-attr]


def test_a_visit_that_leaves_the_clutch_loose_is_now() -> None:
    watch = Watch()
    watch.frames(60)
    watch.mark("visit", minutes=10.0)
    watch.x, watch.y = 1000.0, 1500.0
    watch.frames(10)
    watch.runs(1.0)
    watch.frames(4)
    assert ("opened", "now") in watch.of("runaway")


def test_before_sleep_the_jobs_are_listed_and_then_no_news() -> None:
    start = datetime(2026, 6, 21, 17, 0, tzinfo=UTC)
    watch = Watch(start, sleep={"from_utc": "20:00", "until_utc": "04:00"})
    limit = start.replace(hour=23)
    for _ in range(5 * 6):
        watch.forecast(
            due=(due("axis-limit", limit), due("sunset", limit), due("card", limit + timedelta(days=2)))
        )
        watch.frames(10)
    night = watch.opened("before-sleep")
    assert night is not None
    assert night.time_utc == start.replace(hour=19)
    told = plain(night.detail)
    assert [job["job"] for job in told["jobs"]] == ["axis-limit"]
    assert (told["sleep_from_utc"], told["sleep_until_utc"]) == (
        "2026-06-21T20:00:00Z",
        "2026-06-22T04:00:00Z",
    )
    assert told["covered_until_utc"] == "2026-06-22T05:00:00Z"
    assert watch.of("axis-limit") == []
    for _ in range(6):
        watch.frames(10)
    # Nobody saw to it: that the sun is about to be lost is worth waking for.
    assert watch.of("axis-limit") == [("opened", "now")]


def test_a_disc_at_night_is_the_wrong_place() -> None:
    watch = Watch(
        datetime(2026, 6, 21, 15, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 150.0}
    )
    watch.frames(5)
    wrong = watch.opened("wrong-place")
    assert wrong is not None
    assert wrong.severity is Severity.SOON
    assert plain(wrong.detail)["likely"][0] == "longitude-sign"


@pytest.mark.parametrize("latitude_deg", [70.0, 45.0])
def test_a_disc_in_the_wrong_hemispheres_winter_is_the_latitudes_sign(latitude_deg: float) -> None:
    # Seen on a summer evening in the north; told the south, where the sun has long been down.
    watch = Watch(
        datetime(2026, 6, 21, 18, 30, tzinfo=UTC),
        site={"latitude_deg": -latitude_deg, "longitude_deg": 0.0},
    )
    watch.frames(5)
    wrong = watch.opened("wrong-place")
    assert wrong is not None
    assert "latitude-sign" in plain(wrong.detail)["likely"]


def test_an_axis_nobody_would_set_is_told() -> None:
    watch = Watch()
    watch.frames(10)
    watch.forecast(
        polar_azimuth_error_deg=3.0, polar_azimuth_error_sigma_deg=0.1,
        polar_altitude_error_deg=31.0, polar_altitude_error_sigma_deg=0.5, axis_fit_sigma_deg=(0.1, 0.5),
    )  # fmt: skip
    watch.frames(2)
    assert watch.of("wrong-place") == [("opened", "soon")]


def test_two_cameras_in_one_folder_are_told_apart() -> None:
    watch = Watch()
    for _ in range(30):
        watch.frames(1)
        watch.step(watch.frame(width_px=4000, height_px=3000, camera="Fernlicht F2", x_px=10.0))
    assert watch.of("mixed-cameras") == [("opened", "note")]
    assert {one.condition for one in watch.said} == {"mixed-cameras"}
    assert watch.state.track.cameras.source is not None
    assert watch.state.track.cameras.source.width_px == 6000


def test_a_new_camera_is_taken_over_when_the_old_one_is_gone() -> None:
    watch = Watch()
    watch.frames(30)
    watch.frames(12, width_px=4000, height_px=3000, camera="Fernlicht F2")
    assert watch.state.track.cameras.source is not None
    assert watch.state.track.cameras.source.width_px == 4000


def test_a_camera_put_in_the_place_of_another_is_no_stop_and_no_fault_of_its_own() -> None:
    watch = Watch()
    watch.frames(60)
    watch.look = {
        "width_px": 4000, "height_px": 3000, "camera": "Fernlicht F2", "x_px": 1000.0, "radius_px": 300.0,
        "edge_width_px": 7.0, "brightness": 0.1,
    }  # fmt: skip
    for _ in range(120):
        watch.silence(0.5)
        watch.frames(0.5, 30.0)
    # Its lens is another than the one that the settings have, and that is said.
    assert {one.condition for one in watch.said} == {"mixed-cameras", "settings"}


def test_a_few_files_of_another_camera_copied_in_are_no_swap() -> None:
    watch = Watch()
    for _ in range(5):
        watch.frames(20)
        for _ in range(5):
            watch.step(watch.frame(width_px=4000, height_px=3000, camera="Fernlicht F2", time_utc=START))
    assert {one.condition for one in watch.said} == {"mixed-cameras"}
    assert watch.state.track.cameras.source is not None
    assert watch.state.track.cameras.source.width_px == 6000


def test_the_watched_camera_of_two_that_stops_is_told() -> None:
    watch = Watch()
    for n in range(40):
        if n < 30:
            watch.frames(1)
        else:
            watch.silence(1)
        watch.step(watch.frame(width_px=4000, height_px=3000, camera="Fernlicht F2"))
    assert watch.of("no-frames")[0] == ("opened", "now")


def test_an_eclipse_is_a_note_and_mutes_what_it_explains() -> None:
    # 12 August 2026, Reykjavik: total (the sun's own ephemeris computes it; no table is used here).
    watch = Watch(
        datetime(2026, 8, 12, 15, 0, tzinfo=UTC), site={"latitude_deg": 64.15, "longitude_deg": -21.94}
    )
    for minute in range(300):
        share = max(0.0, 1 - abs(minute - 168) / 62)
        watch.frames(1, limb_coverage=1 - 0.6 * share, brightness=0.4 * (1 - 0.3 * share), found=share < 0.97)
    eclipse = watch.opened("eclipse")
    assert eclipse is not None
    assert eclipse.severity is Severity.NOTE
    assert plain(eclipse.detail)["covered_diameter_fraction"] > 0.99
    assert {one.condition for one in watch.said} == {"eclipse"}


def test_a_gap_of_days_and_frames_out_of_order_break_nothing() -> None:
    watch = Watch()
    watch.frames(30)
    late = watch.frame()
    watch.frames(5)
    watch.step(late)
    watch.step(late)
    watch.frames(5)
    assert watch.said == []
    watch.now += timedelta(days=3)
    watch.frames(30)
    assert {one.condition for one in watch.said} <= {"moved"}


def test_a_jump_in_a_long_pause_asks_whether_the_axis_was_unwound() -> None:
    watch = Watch()
    watch.frames(60)
    watch.forecast(axis_turned_deg=200.0, due=(due("axis-limit", watch.now + timedelta(hours=9)),))
    watch.now += timedelta(minutes=30)
    watch.x, watch.y = 1200.0, 1000.0
    watch.frames(6)
    asked = watch.opened("axis-limit")
    assert asked is not None
    assert (asked.severity, plain(asked.detail)["asked"]) == (Severity.NOTE, "unwound")
    watch.mark("unwound")
    watch.frames(2)
    assert watch.of("axis-limit")[-1][0] == "cleared"


def test_a_disc_that_still_runs_after_a_pause_has_not_landed() -> None:
    watch = Watch()
    watch.frames(90)
    watch.frames(60, found=False, brightness=0.003)
    watch.runs(1.0)
    watch.x += 60 * watch.speed[0] * 0.3
    watch.frames(2)
    watch.frames(10, found=False, brightness=0.003)
    assert watch.of("moved") == []


def test_a_disc_elsewhere_after_a_pause_has_moved_once_it_is_steady() -> None:
    watch = Watch()
    watch.frames(90)
    watch.frames(60, found=False, brightness=0.003)
    watch.x += 1500.0
    watch.frames(1)
    assert watch.of("moved") == []
    watch.frames(3)
    assert watch.of("moved") == [("opened", "note")]


def test_what_was_foreseen_while_the_mount_ran_away_does_not_wake_once_it_is_mended() -> None:
    watch = Watch()
    watch.frames(90)
    watch.runs(-1.0)
    soon = watch.now + timedelta(minutes=9)
    watch.frames(3)
    watch.forecast(exit_early_utc=soon, exit_utc=soon, flags=("departed",), departed_utc=watch.now)
    watch.frames(4)
    watch.forecast(exit_early_utc=soon, exit_utc=soon, flags=("departed",), departed_utc=watch.now)
    watch.speed = (2.0, -1.0)
    watch.x, watch.y = 3000.0, 2000.0
    watch.frames(6)
    assert watch.of("runaway")[-1][0] == "cleared"
    assert watch.of("drift-exit") == []


def test_a_mount_seen_to_track_on_past_its_limit_is_asked_about_not_raced_to() -> None:
    watch = Watch()
    watch.frames(60)
    limit = watch.now + timedelta(minutes=20)
    for _ in range(8):
        watch.forecast(due=(due("axis-limit", max(limit, watch.now)),))
        watch.frames(5)
    said = watch.of("axis-limit")
    assert said[0] == ("opened", "now")
    assert said[-1] == ("changed", "note")
    last = [one for one in watch.said if one.condition == "axis-limit"][-1]
    assert plain(last.detail)["tracks_on"] is True


def test_a_mount_that_stops_where_its_axis_ends_is_told_as_such() -> None:
    watch = Watch()
    watch.frames(60)
    watch.forecast(due=(due("axis-limit", watch.now + timedelta(minutes=5)),))
    watch.frames(5)
    watch.runs(1.0)
    watch.frames(3)
    found = watch.opened("runaway")
    assert found is not None
    assert plain(found.detail)["at_axis_limit"] is True


def test_a_place_that_cannot_be_right_is_not_taken_back_and_blames_no_drive() -> None:
    watch = Watch(
        datetime(2026, 6, 21, 15, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 150.0}
    )
    for _ in range(9):
        watch.frames(60)
        for _ in range(3):
            watch.forecast(rate_ratio=1.00270, rate_ratio_sigma=5e-5)
    assert watch.of("wrong-place") == [("opened", "soon")]
    assert "date" in plain(watch.opened("wrong-place").detail)["likely"]  # type: ignore[union-attr]
    assert watch.of("runaway") == []
    assert watch.of("dimmed") == []


def test_a_refocusing_that_made_it_worse_is_told() -> None:
    watch = Watch()
    watch.frames(180)
    watch.mark("refocused")
    watch.frames(60, edge_width_px=7.5)
    assert watch.of("soft-focus")[:1] == [("opened", "soon")]
    watch.mark("refocused")
    watch.frames(60)
    assert watch.of("soft-focus")[-1][0] == "cleared"


def test_the_sun_that_drifted_out_is_told_of_with_its_edge() -> None:
    watch = Watch()
    watch.speed = (12.0, 0.0)
    watch.x = 5000.0
    watch.frames(30)
    out = watch.now + timedelta(minutes=16)
    for _ in range(3):
        watch.forecast(exit_early_utc=out, exit_utc=out, edge="right", arc_h=5.0)
        watch.frames(5)
    while watch.x < 6450.0:
        share = 0.5 + (6000.0 - watch.x) / (2 * RADIUS)
        watch.frames(1, limb_in_frame=share, limb_coverage=share)
    watch.frames(20, found=False, brightness=0.0005)
    lost = watch.opened("lost-disc")
    assert lost is not None
    assert plain(lost.detail)["likely"][0] == "left"
    assert plain(lost.detail)["edge"] == "right"


def test_a_disc_put_elsewhere_that_nears_the_edge_again_is_told_anew() -> None:
    watch = Watch()
    watch.frames(60)
    for put in range(2):
        leaves = watch.now + timedelta(minutes=20)
        for _ in range(3):
            watch.forecast(exit_early_utc=leaves, exit_utc=leaves, edge="top")
            watch.frames(2)
        assert len(watch.of("drift-exit")) == put + 1
        watch.mark("recentred")
    assert [one.severity for one in watch.said if one.condition == "drift-exit"] == [Severity.NOW] * 2


def test_a_camera_set_to_fewer_pictures_is_no_silence_after_the_second() -> None:
    watch = Watch()
    watch.frames(60)
    for _ in range(12):
        watch.silence(9)
        watch.frames(1)
    assert watch.of("no-frames").count(("opened", "now")) <= 2
    watch.said.clear()
    watch.silence(45)
    assert watch.of("no-frames") == [("opened", "now")], "it is still missed when it stops"


def test_a_camera_set_back_to_many_pictures_is_missed_as_soon_as_before() -> None:
    watch = Watch()
    watch.frames(60)
    for _ in range(5):
        watch.silence(9)
        watch.frames(1)
    watch.frames(40)
    last = watch.now
    watch.said.clear()
    watch.silence(10)
    silent = watch.opened("no-frames")
    assert silent is not None
    assert (silent.time_utc - last).total_seconds() <= 211


@pytest.mark.parametrize("missing", [pytest.param(0.1, marks=pytest.mark.slow), 0.3, 0.5])
def test_frames_that_are_lost_one_by_one_are_no_camera_that_has_stopped(missing: float) -> None:
    watch = Watch(seed=3)
    for _ in range(3 * 1440):
        if watch.random.random() < missing:
            watch.silence(1.0)
        else:
            watch.silence(0.5)
            watch.frames(0.5, every_s=30.0)
    # The first half hour, in which nobody knows yet, may err.
    assert len([one for one in watch.said if one.condition == "no-frames" and one.state == "opened"]) <= 1
    watch.said.clear()
    last = watch.now
    watch.silence(40)
    silent = watch.opened("no-frames")
    assert silent is not None
    assert (silent.time_utc - last).total_seconds() <= 60 * {0.1: 7, 0.3: 13, 0.5: 22}[missing]


def test_a_link_that_loses_frames_wakes_nobody_in_the_first_hour_either() -> None:
    """Thirty sessions of an hour, three frames of ten lost; waiting three intervals woke seven times."""
    woken = 0
    for seed in range(30):
        watch = Watch(seed=seed)
        for _ in range(60):
            if watch.random.random() < 0.3:
                watch.silence(1.0)
            else:
                watch.silence(0.5)
                watch.frames(0.5, every_s=30.0)
        woken += watch.opened("no-frames") is not None
    assert woken <= 2


@pytest.mark.parametrize("count", [2, 5])
def test_a_camera_of_bursts_that_stops_is_told_as_soon(count: int) -> None:
    watch = Watch()
    for _ in range(60):
        watch.frames(count * 2 / 60, every_s=2.0)
        watch.silence((60 - 2 * count) / 60)
    assert watch.said == []
    watch.silence(4)
    assert watch.of("no-frames") == [("opened", "now")]


@pytest.mark.parametrize("missing", [0.0, 0.3])
@pytest.mark.parametrize("bracket", [1, 3])
def test_frames_that_are_lost_one_by_one_are_no_clock_that_was_set(missing: float, bracket: int) -> None:
    watch = Watch(seed=5)
    nan = float("nan")
    levels = (0.4, 0.1, 0.9)
    taken = []
    for k in range(900):
        watch.now += timedelta(seconds=60)
        watch.x, watch.y = watch.x + 0.4, watch.y - 0.3
        if watch.random.random() >= missing:
            dark = {"brightness": levels[k % bracket], "exposure_s": nan, "iso": nan, "aperture": nan}
            taken.append(watch.frame(frame=f"{k:06d}.jpg", **dark))
    for event, watch.now in session_events(taken):
        watch.step(event)
    assert watch.of("clock") == []


def test_a_mount_that_stops_while_its_rate_is_wrong_has_an_onset_of_its_own() -> None:
    watch = Watch()
    watch.frames(60)
    for _ in range(3):
        watch.forecast(rate_ratio=1.00270, rate_ratio_sigma=5e-5)
        watch.frames(20)
    stopped = watch.now
    watch.runs(1.0)
    watch.frames(3)
    told = [one for one in watch.said if one.condition == "runaway"]
    assert [(one.state, one.severity) for one in told] == [
        ("opened", Severity.SOON),
        ("changed", Severity.NOW),
    ]
    assert abs((told[1].onset_utc - stopped).total_seconds()) <= 60
