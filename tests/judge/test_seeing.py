"""What is seen and what is not: loss, cloud, cover, focus, light, the filter."""

from datetime import UTC, datetime, timedelta
from math import nan
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from sentinel.chain.judge.optics import FROM_SEEING
from sentinel.core.records import Severity
from sentinel.service.journal.codec import plain
from tests.judge.tracks import Watch


def seen(minutes: float = 60.0, **sections: Any) -> Watch:
    watch = Watch(**sections)
    watch.frames(minutes)
    assert watch.said == []
    return watch


def test_a_cap_is_soon_after_five_minutes_and_now_after_fifteen() -> None:
    watch = seen()
    dark = watch.now + timedelta(minutes=1)
    watch.frames(20, found=False, brightness=0.0)
    told = [one for one in watch.said if one.condition == "lost-disc"]
    assert [(one.state, one.severity) for one in told] == [
        ("opened", Severity.SOON),
        ("changed", Severity.NOW),
    ]
    minutes = [(one.time_utc - dark).total_seconds() / 60 for one in told]
    assert minutes == [pytest.approx(4, abs=1), pytest.approx(14, abs=1)]
    assert told[0].onset_utc == dark
    assert plain(told[1].detail)["likely"][0] == "cap-or-filter"
    _, azimuth_deg = watch.judge.context.sun.altaz_deg(told[1].time_utc.timestamp())
    assert plain(told[1].detail)["azimuth_deg"] == pytest.approx(azimuth_deg, abs=0.1)
    assert watch.frames(1) == []
    assert [one.state for one in watch.frames(1)] == ["cleared"]


def test_a_cap_over_a_faint_midnight_sun_is_told_like_any_other() -> None:
    watch = Watch(datetime(2026, 6, 20, 20, 0, tzinfo=UTC), site={"latitude_deg": 70.0, "longitude_deg": 0.0})
    watch.frames(180, brightness=0.01)
    watch.frames(20, found=False, brightness=0.0)
    assert watch.of("lost-disc") == [("opened", "soon"), ("changed", "now")]


def test_a_faint_setting_sun_that_goes_out_in_the_haze_wakes_nobody() -> None:
    watch = Watch(datetime(2026, 6, 21, 16, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    while watch.judge.context.sun_at(watch.now.timestamp()).altitude_deg > 2.0:
        air = watch.judge.context.sun_at(watch.now.timestamp()).air_mass
        watch.frames(1, brightness=0.5 * 2 ** (-0.33 * air))
    watch.frames(60, found=False, brightness=0.0)
    assert watch.said == []


def test_a_sun_that_drifted_out_is_said_to_have_left() -> None:
    watch = Watch()
    watch.x, watch.speed = 900.0, (-9.0, 0.0)
    watch.frames(60)
    for _ in range(80):
        room = watch.x + 0.5 - 9.0
        inside = float(np.clip((room + 469) / 938, 0, 1))
        watch.frames(1, found=inside > 0.12, limb_in_frame=inside, limb_coverage=inside)
    watch.frames(40, found=False)
    lost = watch.opened("lost-disc")
    assert lost is not None
    assert plain(lost.detail)["likely"] == ["left"]
    assert plain(lost.detail)["edge"] == "left"


@pytest.mark.parametrize("hint", ["fading", "frayed", "glow", "ragged"])
def test_cloud_never_wakes(hint: str) -> None:
    watch = seen()
    if hint == "fading":
        watch.frames(1, brightness=0.3)
    elif hint == "frayed":
        watch.frames(1, limb_coverage=0.8, brightness=0.39)
    elif hint == "ragged":
        for _ in range(6):
            watch.frames(3, found=False)
            watch.frames(2, limb_coverage=0.7, brightness=0.2)
    watch.frames(300, found=False, brightness=0.01 if hint == "glow" else 0.0)
    assert not [one for one in watch.said if one.severity is Severity.NOW]
    told = [(one.state, one.severity) for one in watch.said if one.condition == "unverified"]
    assert told == [("opened", Severity.NOTE), ("changed", Severity.SOON)]
    assert [one.condition for one in watch.said if one.severity is Severity.SOON] == ["unverified"]


def test_without_a_word_about_the_light_nobody_is_woken_for_a_dark_frame() -> None:
    watch = Watch()
    watch.frames(60, brightness=nan)
    watch.frames(60, found=False, brightness=nan)
    assert watch.of("lost-disc") == [("opened", "soon")]


def test_unverified_comes_after_one_hour_and_four() -> None:
    watch = seen()
    watch.frames(2, brightness=0.2)
    dark = watch.now
    watch.frames(250, found=False)
    hours = [
        (one.time_utc - dark).total_seconds() / 3600 for one in watch.said if one.condition == "unverified"
    ]
    assert hours == [pytest.approx(1, abs=0.05), pytest.approx(4, abs=0.05)]
    assert [one.state for one in watch.frames(1)] == ["cleared"]


def test_a_night_is_no_loss() -> None:
    watch = Watch(datetime(2026, 6, 21, 16, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    for _ in range(14 * 60):
        up = watch.judge.context.sun_at((watch.now + timedelta(minutes=1)).timestamp()).clear_deg > -0.3
        watch.frames(1, found=up, brightness=0.4 if up else 0.0)
    assert watch.said == []


def test_a_sun_behind_the_horizon_line_is_no_loss() -> None:
    ridge = [[0, 0], [150, 0], [151, 60], [209, 60], [210, 0]]
    watch = Watch(site={"horizon": ridge})
    for _ in range(6 * 60):
        up = watch.judge.context.sun_at((watch.now + timedelta(minutes=1)).timestamp()).clear_deg > 0
        watch.frames(1, found=up, brightness=0.4 if up else 0.0)
    assert watch.said == []


def test_a_ridge_is_soon_and_ragged_cloud_a_note() -> None:
    watch = seen()
    watch.frames(30, limb_coverage=0.7)
    assert watch.of("covered-limb") == [("opened", "note"), ("changed", "soon")]
    other = Watch()
    other.frames(60)
    for _ in range(60):
        other.frames(1, limb_coverage=float(other.random.uniform(0.2, 0.8)))
    assert other.of("covered-limb") == [("opened", "note")]


def test_cover_flickering_at_the_threshold_is_said_once() -> None:
    watch = seen()
    for _ in range(90):
        watch.frames(1, limb_coverage=float(watch.random.uniform(0.8, 0.9)))
    assert [state for state, _ in watch.of("covered-limb")].count("opened") == 1


def test_soft_focus_is_soon_at_one_and_a_half_and_now_at_twice() -> None:
    watch = seen(180)
    begun = watch.now
    watch.frames(40, edge_width_px=5.0)
    soon = watch.opened("soft-focus")
    assert soon is not None
    assert soon.severity is Severity.SOON
    assert (soon.time_utc - begun).total_seconds() / 60 == pytest.approx(20, abs=2)
    assert plain(soon.detail)["ratio"] == pytest.approx(1.67, abs=0.05)
    watch.frames(60, edge_width_px=7.0)
    now = [one for one in watch.said if one.severity is Severity.NOW]
    assert [one.condition for one in now] == ["soft-focus"]
    assert (now[0].time_utc - begun).total_seconds() / 60 == pytest.approx(85, abs=3)
    watch.frames(30)
    assert watch.of("soft-focus")[-1] == ("cleared", "now")


def test_a_width_just_below_one_and_a_half_is_said_of_nothing() -> None:
    watch = seen(180)
    watch.frames(120, edge_width_px=4.2)
    assert watch.said == []


def test_refocused_begins_anew() -> None:
    watch = seen(180)
    watch.frames(30, edge_width_px=6.0)
    watch.mark("refocused")
    watch.frames(20, edge_width_px=6.0)
    assert watch.of("soft-focus") == [("opened", "soon")], "no better than before: it is not over"
    watch.mark("refocused")
    watch.frames(90, edge_width_px=3.1)
    assert watch.of("soft-focus") == [("opened", "soon"), ("cleared", "soon")]


def test_a_low_midnight_sun_is_no_focus_fault() -> None:
    """Seeing grows like the air mass to the 0.6, dispersion like the air mass: twice round the clock."""
    watch = Watch()
    for _ in range(2 * 24 * 60 // 2):
        air = watch.judge.context.sun_at(watch.now.timestamp()).air_mass
        width = np.sqrt(2.4**2 + (1.09 * 2.5 / 2.02) ** 2 * air**1.2 + (0.7 / 2.02 * air) ** 2)
        watch.frames(2, every_s=120.0, edge_width_px=float(width * np.exp(watch.random.normal(0, 0.03))))
    assert watch.of("soft-focus") == []


def test_the_sides_of_the_limb_are_what_counts() -> None:
    """Smear along the vertical shows in the second harmonic, not at the sides."""
    watch = seen(180)
    watch.frames(60, edge_width_px=6.0, edge_width_cos2_px=2.0, edge_width_sin2_px=-2.236)
    assert watch.of("soft-focus") == []
    watch.frames(60, edge_width_px=6.0, edge_width_cos2_px=0.1, edge_width_sin2_px=0.0)
    assert watch.of("soft-focus") == [("opened", "soon")]


def test_frost_is_soon_after_three_quarters_of_an_hour() -> None:
    watch = seen(180)
    begun = watch.now
    watch.frames(60, brightness=0.24)
    frost = watch.opened("dimmed")
    assert frost is not None
    assert frost.severity is Severity.SOON
    assert (frost.time_utc - begun).total_seconds() / 60 == pytest.approx(48, abs=5)
    assert plain(frost.detail)["light_fraction"] == pytest.approx(0.6, abs=0.03)


def test_a_shorter_exposure_is_no_frost() -> None:
    watch = seen(180)
    watch.frames(120, brightness=0.2, exposure_s=1 / 1000)
    watch.frames(120, brightness=0.1, exposure_s=1 / 1000, aperture=8.0 * 2**0.5)
    assert watch.of("dimmed") == []


def test_brackets_are_kept_apart() -> None:
    watch = Watch()
    for _ in range(240):
        watch.frames(1, brightness=0.4)
        # A tone curve that is no true light: two stops less come out at a sixth, not a quarter.
        watch.frames(1, brightness=0.066, exposure_s=1 / 2000)
    assert watch.of("dimmed") == []


def test_thin_cloud_that_wavers_is_no_frost() -> None:
    watch = seen(180)
    for _ in range(120):
        watch.frames(1, brightness=0.22 * float(np.exp(watch.random.normal(0, 0.15))))
    assert watch.of("dimmed") == []


@pytest.mark.parametrize("minutes", [0.0, 60.0])
def test_a_lost_filter_is_now_on_the_first_frame(minutes: float) -> None:
    watch = Watch()
    watch.frames(minutes)
    said = watch.frames(1, found=False, brightness=1.0, saturated_fraction=0.97)
    assert [(one.condition, one.state, one.severity) for one in said] == [
        ("over-bright", "opened", Severity.NOW)
    ]
    assert plain(said[0].detail)["saturated_fraction"] == 0.97


def test_a_disc_that_burns_out_at_once_is_the_filter_too() -> None:
    watch = seen()
    said = watch.frames(1, brightness=1.0, saturated_fraction=0.99)
    assert [one.condition for one in said] == ["over-bright"]


def test_a_lost_filter_is_not_taken_back_while_the_disc_stays_burnt() -> None:
    watch = seen()
    for _ in range(180):
        watch.frames(1, brightness=1.0, saturated_fraction=float(watch.random.uniform(0.9, 1.0)))
    assert watch.of("over-bright") == [("opened", "now")]
    assert {one.condition for one in watch.said} == {"over-bright"}
    watch.frames(5)
    assert watch.of("over-bright")[-1] == ("cleared", "now")


def test_a_torn_filter_burns_out_part_of_the_disc() -> None:
    watch = seen()
    watch.frames(70)
    said = watch.frames(1, brightness=0.85, saturated_fraction=0.38)
    assert [one.condition for one in said] == ["over-bright"]


def test_a_sun_that_comes_out_of_cloud_with_burnt_spots_is_no_torn_filter() -> None:
    watch = seen()
    for level in (0.38, 0.3, 0.2, 0.15, 0.15, 0.15):
        watch.frames(1, brightness=level)
    watch.frames(10, brightness=0.42, saturated_fraction=0.36)
    assert watch.of("over-bright") == []


def test_a_filter_that_slips_and_covers_part_of_the_rim_is_no_cloud() -> None:
    watch = seen()
    watch.frames(1, brightness=0.8, saturated_fraction=0.2, limb_coverage=0.78)
    watch.frames(80, brightness=1.0, saturated_fraction=1.0, limb_coverage=0.79)
    assert watch.of("over-bright") == [("opened", "now")]


def test_a_lost_filter_is_seen_through_passing_cloud_too() -> None:
    watch = seen()
    for level in (0.38, 0.3, 0.2, 0.25, 0.15, 0.3):
        watch.frames(1, brightness=level, limb_coverage=0.8)
    said = watch.frames(1, brightness=1.0, saturated_fraction=1.0)
    assert [one.condition for one in said if one.severity is Severity.NOW] == ["over-bright"]


def test_a_disc_that_was_bright_before_burns_out_all_the_same() -> None:
    """At full scale nobody knows how much brighter it is."""
    watch = Watch()
    watch.frames(60, brightness=0.7)
    watch.frames(1, brightness=1.0, saturated_fraction=1.0)
    assert watch.of("over-bright") == [("opened", "now")]


def test_the_filter_alarm_stays_while_half_the_disc_is_burnt() -> None:
    watch = seen()
    watch.frames(90, brightness=1.0, saturated_fraction=0.55, limb_coverage=0.7)
    assert watch.of("over-bright") == [("opened", "now")]


def test_a_longer_exposure_is_no_lost_filter() -> None:
    watch = seen()
    watch.frames(3, brightness=1.0, saturated_fraction=0.98, exposure_s=1 / 60)
    watch.frames(3, found=False, brightness=0.9, saturated_fraction=0.5, exposure_s=2.0)
    assert watch.of("over-bright") == []


def test_a_sun_that_climbs_into_overexposure_is_no_lost_filter() -> None:
    watch = seen()
    for level in np.linspace(0.4, 1.0, 120):
        watch.frames(1, brightness=float(level), saturated_fraction=float(max(level - 0.9, 0) * 10))
    assert watch.of("over-bright") == []


def test_nothing_else_is_said_while_the_filter_is_off() -> None:
    watch = seen()
    watch.frames(300, found=False, brightness=1.0, saturated_fraction=0.97)
    assert {one.condition for one in watch.said} == {"over-bright"}


def clouded(level: float, waver: float, minutes: int = 90, **look: Any) -> Watch:
    """Return a watch whose sun went into cloud that lights the frame, unevenly."""
    watch = seen()
    watch.frames(3, brightness=0.25, limb_coverage=0.8)
    for _ in range(minutes):
        lit = level * float(np.exp(watch.random.normal(0, waver)))
        watch.frames(1, found=False, brightness=lit, **look)
    return watch


@pytest.mark.parametrize(("cloud", "sky"), [(0.004, 0.0002), (0.0005, 0.0002), (0.0012, 0.0008)])
@pytest.mark.parametrize(("noise", "after_min"), [(0.0001, 15.0), (0.003, 60.0)])
def test_a_clear_sky_without_a_disc_after_cloud_wakes(
    cloud: float, sky: float, noise: float, after_min: float
) -> None:
    watch = clouded(cloud, 0.2)
    assert [one for one in watch.said if one.severity is Severity.NOW] == []
    cleared = watch.now
    for _ in range(80):
        watch.frames(1, found=False, brightness=sky * float(np.exp(watch.random.normal(0, noise))))
    woken = next(one for one in watch.said if one.severity is Severity.NOW)
    assert woken.condition == "lost-disc"
    assert (woken.time_utc - cleared).total_seconds() / 60 == pytest.approx(after_min, abs=3)
    assert "cloud_gone_utc" in plain(woken.detail)
    assert plain(woken.detail)["likely"][0] == "mount"


@pytest.mark.parametrize("step", [0, 1, 2])
def test_black_steps_of_an_8_bit_file_after_cloud_wake_nobody(step: int) -> None:
    watch = clouded(0.004, 0.2)
    watch.frames(300, found=False, brightness=step / 255 / 12.92)
    assert [one for one in watch.said if one.severity is Severity.NOW] == []


def dark_steps(watch: Watch, minutes: int) -> None:
    """Let cloud wander for some minutes over the darkest steps of an 8-bit file, 0 to 3."""
    wander = 1.5
    for _ in range(minutes):
        wander += 0.1 * (1.5 - wander) + float(watch.random.normal(0, 0.5))
        step = min(max(round(wander), 0), 3)
        watch.frames(1, found=False, brightness=step / 255 / 12.92)


@pytest.mark.parametrize("seed", range(4))
def test_on_a_camera_too_dark_for_cloud_a_sky_that_stays_black_wakes_all_the_same(seed: int) -> None:
    """The mount stopped under it: nothing comes back, and cloud never was that even."""
    watch = Watch(seed=seed)
    watch.frames(60)
    watch.frames(3, brightness=0.25, limb_coverage=0.8)
    dark_steps(watch, 180)
    assert [one for one in watch.said if one.severity is Severity.NOW] == []
    cleared = watch.now
    watch.frames(180, found=False, brightness=0.0)
    woken = next(one for one in watch.said if one.severity is Severity.NOW)
    assert woken.condition == "lost-disc"
    assert 55 <= (woken.time_utc - cleared).total_seconds() / 60 <= 180


@pytest.mark.parametrize("seed", range(4))
def test_on_such_a_camera_cloud_that_goes_on_wakes_nobody(seed: int) -> None:
    watch = Watch(seed=seed)
    watch.frames(60)
    watch.frames(3, brightness=0.25, limb_coverage=0.8)
    dark_steps(watch, 720)
    assert [one for one in watch.said if one.severity is Severity.NOW] == []


def test_cloud_that_grows_thick_still_wavers_and_wakes_nobody() -> None:
    watch = clouded(0.004, 0.2)
    for minute in range(400):
        thick = 0.0002 + 0.0003 * float(np.exp(0.3 * np.sin(minute / 9.0)))
        watch.frames(1, found=False, brightness=thick)
    assert [one for one in watch.said if one.severity is Severity.NOW] == []


def test_cloud_that_goes_down_with_the_sun_wakes_nobody() -> None:
    watch = Watch(datetime(2026, 6, 21, 16, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    watch.frames(60)
    for _ in range(12 * 60):
        up = watch.judge.context.sun_at(watch.now.timestamp()).altitude_deg > 6
        lit = 0.003 * float(np.exp(watch.random.normal(0, 0.2))) if up else 0.0002
        watch.frames(1, found=False, brightness=lit)
    assert [one for one in watch.said if one.severity is Severity.NOW] == []


def test_smoke_that_thickens_while_the_sun_climbs_is_dimmed() -> None:
    """The higher the sun, the less is known of how bright it should be; but it is no less bright."""
    watch = Watch(datetime(2026, 6, 21, 5, 0, tzinfo=UTC), site={"latitude_deg": 78.0, "longitude_deg": 7.0})
    for minute in range(8 * 60):
        air = watch.judge.context.sun_at(watch.now.timestamp()).air_mass
        smoke = max(minute - 90, 0) / 240 * 1.6
        watch.frames(
            1, brightness=0.45 * 2.0 ** (-0.3 * (air - 1) - smoke) * (1 + 0.004 * watch.random.normal())
        )
    dimmed = watch.opened("dimmed")
    assert dimmed is not None
    assert dimmed.severity is Severity.SOON
    assert watch.of("wrong-place") == [], "smoke takes light while the sun climbs: no place explains it"


def climbing(smoke_stops: float) -> Watch:
    """Return a morning in air that takes 0.3 mag for each air mass; smoke comes up over four hours."""
    watch = Watch(datetime(2026, 6, 21, 4, 0, tzinfo=UTC), site={"latitude_deg": 72.0, "longitude_deg": 7.0})
    for minute in range(8 * 60):
        air = watch.judge.context.sun_at(watch.now.timestamp()).air_mass
        smoke = smoke_stops * float(np.clip((minute - 150) / 240, 0, 1))
        stops = -0.3 / 2.5 * np.log2(10) * (air - 1) - smoke
        watch.frames(1, brightness=0.5 * 2.0**stops * (1 + 0.004 * watch.random.normal()))
    return watch


def test_what_the_air_takes_is_learned_so_that_thin_smoke_shows_while_the_sun_climbs() -> None:
    assert climbing(1.1).of("dimmed") == [("opened", "soon")]


def test_a_climbing_sun_alone_is_not_dimmed() -> None:
    assert climbing(0.0).of("dimmed") == []


def sinking(
    smoke_stops: float,
    *,
    air_mag: float = 0.2,
    smoke_h: float = 7.0,
    from_start: float = 0.0,
    clears_h: float = 99.0,
    latitude_deg: float = 72.0,
    begin_h: int = 9,
    hours: int = 12,
) -> Watch:
    """Return a day from before noon on; smoke comes up over three hours."""
    site = {"latitude_deg": latitude_deg, "longitude_deg": 7.0}
    watch = Watch(datetime(2026, 6, 21, begin_h, 0, tzinfo=UTC), site=site)
    for minute in range(hours * 60):
        sun = watch.judge.context.sun_at(watch.now.timestamp())
        up = sun.altitude_deg > 1.0
        smoke = from_start + smoke_stops * float(np.clip((minute / 60 - smoke_h) / 3, 0, 1))
        smoke *= float(np.clip(1 + clears_h - minute / 60, 0, 1))
        stops = -air_mag / 2.5 * np.log2(10) * (sun.air_mass - 1) - smoke
        lit = 0.5 * 2.0**stops * (1 + 0.004 * watch.random.normal())
        watch.frames(1, found=up, brightness=lit if up else 0.0)
    return watch


@pytest.mark.parametrize("air_mag", [0.12, 0.2, 0.32])
def test_smoke_that_thickens_while_the_sun_sinks_is_dimmed(air_mag: float) -> None:
    """Air takes more and more of a sinking sun's light, but by a law that the hours before have shown."""
    assert sinking(1.4, air_mag=air_mag).of("dimmed")[:1] == [("opened", "soon")]


@pytest.mark.parametrize("air_mag", [0.12, 0.32, 0.5])
@pytest.mark.parametrize("latitude_deg", [45.0, 72.0])
def test_a_sinking_sun_alone_is_not_dimmed_in_any_usual_air(air_mag: float, latitude_deg: float) -> None:
    assert sinking(0.0, air_mag=air_mag, latitude_deg=latitude_deg).of("dimmed") == []


def test_haze_that_was_there_from_the_start_is_not_dimmed_and_smoke_upon_it_is() -> None:
    assert sinking(0.0, from_start=1.5).of("dimmed") == []
    assert sinking(1.4, from_start=1.5).of("dimmed")[:1] == [("opened", "soon")]


def test_smoke_at_noon_under_a_high_sun_is_dimmed() -> None:
    told = sinking(0.9, latitude_deg=25.0, begin_h=6, hours=10, smoke_h=4.0).of("dimmed")
    assert told[:1] == [("opened", "soon")]


def test_smoke_that_clears_again_is_over_while_the_sun_sinks_on() -> None:
    assert sinking(1.6, clears_h=11.0, smoke_h=5.0).of("dimmed") == [("opened", "soon"), ("cleared", "soon")]


def test_a_sun_that_sets_behind_the_known_line_is_not_covered() -> None:
    watch = Watch(datetime(2026, 6, 21, 17, 0, tzinfo=UTC), site={"latitude_deg": 45.0, "longitude_deg": 7.0})
    while watch.now < datetime(2026, 6, 21, 21, 0, tzinfo=UTC):
        clear = watch.judge.context.sun_at((watch.now + timedelta(minutes=1)).timestamp()).clear_deg
        share = float(np.clip((clear + 0.27) / 0.54, 0, 1))
        watch.frames(1, found=share > 0.1, limb_coverage=share, brightness=0.4 if share > 0.1 else 0.0)
    assert watch.said == []


def test_an_edge_rises_by_as_much_as_the_seeing_smears_it() -> None:
    """A point of light is a Gaussian: its full width at half maximum against its edge's 10-90 % rise."""
    half_width = np.sqrt(2 * np.log(2))
    rise = norm.ppf(0.9) - norm.ppf(0.1)
    assert pytest.approx(rise / (2 * half_width), abs=0.005) == FROM_SEEING
