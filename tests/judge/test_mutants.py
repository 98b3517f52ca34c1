"""Small changes of the rules that once went unnoticed: each of these fails for one of them."""

from datetime import timedelta

import pytest

from sentinel.chain.forecast.forecaster import Forecaster
from sentinel.chain.forecast.visits import SuppliesUsed
from sentinel.core.foreseen import Due
from sentinel.core.records import Mark
from sentinel.service.journal.codec import plain
from sentinel.sky import Sun
from tests.judge.tracks import RADIUS, Watch

SIDES = [0.05, 0.06, 0.07]
"""Of the limb that cloud covers: clear enough to judge the focus, too much to judge the light."""


def test_a_limb_covered_by_more_than_a_twentieth_says_nothing_of_the_light() -> None:
    """0.05 -> 0.30: what covers part of the rim also dims the rest."""
    watch = Watch()
    watch.frames(120)
    for minute in range(180):
        watch.frames(1, limb_coverage=1.0 - SIDES[minute % 3], brightness=0.2)
    assert watch.of("dimmed") == []


def test_a_limb_covered_by_more_than_a_twentieth_says_nothing_of_the_lens() -> None:
    """0.05 -> 0.30: a circle through part of the rim is another one."""
    watch = Watch()
    watch.frames(30)
    watch.frames(30, limb_coverage=0.8, radius_px=1.03 * RADIUS)
    assert watch.of("lens") == []
    watch.frames(10, radius_px=1.03 * RADIUS)
    assert watch.of("lens") == [("opened", "soon")]


@pytest.mark.parametrize("coverage", [0.4, 0.2])
def test_of_a_disc_seen_in_part_the_centre_is_doubted_more_than_it_says(coverage: float) -> None:
    """The doubt added under cloud off: a seen fifth of the limb would count as much as half of it."""
    watch = Watch()
    forecaster = Forecaster(watch.settings, Sun(watch.settings.site))
    frame = watch.frame(centre_sigma_px=1.0, limb_coverage=coverage)
    sight = forecaster._tracked_disc(frame, frame.time_utc.timestamp())
    assert sight is not None
    assert sight.sigma_px == pytest.approx(1.0 + 2.0 * (0.5 - coverage))


@pytest.mark.parametrize("mark", ["timer", "battery", "mount-battery"])
def test_a_mark_resets_its_own_supply_and_no_other(mark: str) -> None:
    watch = Watch(
        supplies={"card_frames": 900, "timer_frames": 900, "camera_battery_h": 15.0, "mount_battery_h": 15.0}
    )
    end = watch.now + timedelta(hours=5)
    reasons = ("card", "timer", "battery", "mount-battery")
    watch.frames(5)
    watch.forecast(due=tuple(Due(time_utc=end, reason=reason) for reason in reasons))
    watch.frames(5)
    told = {plain(one.detail)["supply"] for one in watch.said if one.condition == "supply"}
    assert told == {"card", "timer", "camera-battery", "mount-battery"}
    watch.mark(mark)
    watch.frames(5)
    cleared = [plain(one.detail)["supply"] for one in watch.said if one.state == "cleared"]
    assert cleared == [{"battery": "camera-battery"}.get(mark, mark)]


def test_a_timer_that_is_set_anew_leaves_the_card_as_full_as_it_was() -> None:
    watch = Watch(supplies={"card_frames": 900, "timer_frames": 900})
    used = SuppliesUsed.begun(watch.now.timestamp(), watch.settings).taken().taken()
    after = used.marked(Mark(time_utc=watch.now, kind="timer"), watch.settings.mount)
    assert (after.card_frames, after.timer_frames) == (2, 0)
    after = used.marked(Mark(time_utc=watch.now, kind="card"), watch.settings.mount)
    assert (after.card_frames, after.timer_frames) == (0, 2)


def test_a_very_soft_edge_under_cloud_is_no_reason_to_wake() -> None:
    """Cloud softens an edge as well: only what is soft in clear air is worth waking for."""
    watch = Watch()
    watch.frames(120)
    for _ in range(40):
        watch.frames(3, edge_width_px=8.0)
        watch.frames(1, limb_coverage=0.7, edge_width_px=8.0, brightness=0.3)
    assert watch.opened("soft-focus") is not None
    assert "now" not in {severity for _, severity in watch.of("soft-focus")}


def test_one_frame_without_glare_does_not_end_the_filter_alarm() -> None:
    """The settling removed: the alarm would go off and on with each gust."""
    watch = Watch()
    watch.frames(60)
    watch.frames(5, brightness=1.0, saturated_fraction=0.97)
    said = watch.frames(1, brightness=0.4)
    assert [one.state for one in said if one.condition == "over-bright"] == []
    watch.frames(3, brightness=0.4)
    assert watch.of("over-bright")[-1][0] == "cleared"


def test_a_mount_that_stopped_at_its_limit_is_not_asked_why_it_tracks_on() -> None:
    watch = Watch()
    watch.frames(60)
    limit = watch.now + timedelta(minutes=20)
    watch.speed = (0.0, 0.0)
    for step in range(10):
        if step == 4:
            watch.x, watch.y = 600.0, 2000.0
            watch.runs(1.0, way_deg=0.0)
        watch.forecast(due=(Due(time_utc=max(limit, watch.now), reason="axis-limit"),))
        watch.frames(5)
    assert watch.opened("runaway") is not None
    asked = [
        one for one in watch.said if one.condition == "axis-limit" and plain(one.detail).get("tracks_on")
    ]
    assert asked == []


@pytest.mark.parametrize(("jumps", "pause_min"), [(False, 30), (True, 0), (True, 30)])
def test_an_axis_that_nears_its_limit_was_perhaps_unwound_where_a_long_pause_ended_in_a_jump(
    jumps: bool, pause_min: int
) -> None:
    """Always, never, or after any jump."""
    watch = Watch()
    watch.frames(60)
    watch.forecast(axis_turned_deg=200.0)
    watch.now += timedelta(minutes=pause_min)
    if jumps:
        watch.x, watch.y = 1200.0, 1000.0
    watch.frames(6)
    limit_utc = watch.now + timedelta(minutes=30)
    watch.forecast(axis_turned_deg=200.0, due=(Due(time_utc=limit_utc, reason="axis-limit"),))
    watch.frames(2)
    told = [one for one in watch.said if one.condition == "axis-limit"][-1]
    assert plain(told.detail).get("perhaps_unwound", False) is (jumps and pause_min > 0)
