"""Rising, setting, and the line of the ground."""

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, parse_utc, utc_s
from sentinel.sky import (
    Daylight,
    HorizonLine,
    Sun,
    above_line,
    above_line_deg,
    altitude_crossings,
    daylight,
    hour_angle_times_s,
    refraction_deg,
    shown_altitude_deg,
)

JUNE_S = utc_s(parse_utc("2026-06-20T00:00:00Z"))
DECEMBER_S = utc_s(parse_utc("2026-12-20T00:00:00Z"))


def site(latitude: float, horizon: tuple[tuple[float, float], ...] = ()) -> Site:
    return Site(latitude_deg=latitude, longitude_deg=0.0, horizon=horizon)


def always_up(day: Daylight) -> bool:
    return bool(day.spans) and not day.rises_s and not day.sets_s


def test_the_line_runs_straight_between_its_points_and_round_through_north() -> None:
    line = HorizonLine([(270.0, 4.0), (90.0, 0.0), (350.0, 8.0), (10.0, 2.0)])
    assert line.altitude_deg(90) == 0
    assert line.altitude_deg(310) == pytest.approx(6)
    assert line.altitude_deg(0) == pytest.approx(5)
    assert line.altitude_deg(np.array([-10.0, 370.0, 360.0])) == pytest.approx([8, 2, 5])
    assert HorizonLine([]).altitude_deg(123.0) == 0
    assert (HorizonLine([(200.0, 3.0)]).altitude_deg(np.linspace(0, 360, 7)) == 3).all()


def test_polar_day_and_polar_night_are_proper_answers() -> None:
    sun = Sun(site(72))
    day = daylight(sun, JUNE_S, JUNE_S + 3 * DAY_S)
    assert always_up(day)
    assert day.spans == ((JUNE_S, JUNE_S + 3 * DAY_S),)
    night = daylight(sun, DECEMBER_S, DECEMBER_S + 3 * DAY_S)
    assert not night.spans
    assert not night.spans + night.rises_s + night.sets_s
    south = Sun(site(-72))
    assert not daylight(south, JUNE_S, JUNE_S + DAY_S).spans
    assert always_up(daylight(south, DECEMBER_S, DECEMBER_S + DAY_S))


@pytest.mark.parametrize("latitude", [50.0, -50.0, 0.0])
def test_day_and_night_alternate_elsewhere(latitude: float) -> None:
    sun = Sun(site(latitude))
    found = daylight(sun, JUNE_S, JUNE_S + 3 * DAY_S)
    assert len(found.rises_s) == len(found.sets_s) == 3
    hours = np.diff(np.array(found.spans)[:, :]).ravel() / 3600
    expected = {50.0: 16.2, -50.0: 7.9, 0.0: 12.05}[latitude]
    assert hours == pytest.approx(expected, abs=0.15)
    assert above_line_deg(sun, np.array(found.rises_s + found.sets_s)) == pytest.approx(0, abs=1e-3)


def test_the_upper_limb_rises_first_and_sets_last() -> None:
    sun = Sun(site(50))
    upper, centre, lower = (
        daylight(sun, JUNE_S, JUNE_S + DAY_S, limb) for limb in ("upper", "centre", "lower")
    )
    assert upper.rises_s[0] < centre.rises_s[0] < lower.rises_s[0]
    assert lower.sets_s[0] < centre.sets_s[0] < upper.sets_s[0]
    # The disc takes its height over the speed it rises at: about four minutes here.
    assert lower.rises_s[0] - upper.rises_s[0] == pytest.approx(230, abs=40)


def test_a_ridge_in_the_north_hides_the_midnight_sun() -> None:
    open_sun = Sun(site(70))
    ridge = Sun(site(70, ((330.0, 0.0), (340.0, 5.0), (20.0, 5.0), (30.0, 0.0))))
    assert always_up(daylight(open_sun, JUNE_S, JUNE_S + 2 * DAY_S))
    behind = daylight(ridge, JUNE_S + DAY_S / 2, JUNE_S + 3 * DAY_S / 2)
    assert len(behind.sets_s) == len(behind.rises_s) == 1
    sets, rises = behind.sets_s[0], behind.rises_s[0]
    middle = (sets + rises) / 2
    assert middle == pytest.approx(JUNE_S + DAY_S, abs=600)
    assert not above_line(ridge, middle)
    assert above_line(ridge, np.array([sets - 1, sets + 1, rises + 1])).tolist() == [True, False, True]


def test_a_sun_that_just_dips_below_the_line_for_minutes_is_seen_to_do_so() -> None:
    lowest = Sun(site(70)).altaz_deg(JUNE_S + DAY_S + np.arange(-3600, 3600, 10))[0].min()
    grazed = Sun(site(70, ((0.0, float(lowest) + 1e-4),)))
    found = daylight(grazed, JUNE_S + DAY_S / 2, JUNE_S + 3 * DAY_S / 2)
    assert len(found.sets_s) == len(found.rises_s) == 1
    assert 0 < found.rises_s[0] - found.sets_s[0] < 600
    missed = Sun(site(70, ((0.0, float(lowest) - 1e-4),)))
    assert always_up(daylight(missed, JUNE_S + DAY_S / 2, JUNE_S + 3 * DAY_S / 2))


def test_altitudes_and_hour_angles_are_passed_once_a_day_each_way() -> None:
    sun = Sun(site(50))
    passed = altitude_crossings(sun, 20.0, JUNE_S, JUNE_S + 2 * DAY_S)
    assert passed.rising.tolist() == [True, False, True, False]
    assert sun.altaz_deg(passed.times_s)[0] == pytest.approx(20, abs=1e-3)
    for hour_angle in (0.0, 90.0, 179.9, -135.0):
        times = hour_angle_times_s(sun, hour_angle, JUNE_S, JUNE_S + 3 * DAY_S)
        assert len(times) == 3
        assert sun.hour_angle_deg(times) == pytest.approx(hour_angle, abs=1e-3)
    noon = hour_angle_times_s(sun, 0.0, JUNE_S, JUNE_S + DAY_S)[0]
    assert noon - JUNE_S - DAY_S / 2 == pytest.approx(-sun.equation_of_time_s(noon), abs=1)


def test_a_sun_that_is_down_is_told_without_refraction_and_one_that_is_up_with_it() -> None:
    """Against `refraction_deg` by hand, at a site whose own line dips below the level too."""
    for line_deg in (0.0, 5.0, -2.0):
        site = Site(latitude_deg=-41.0, longitude_deg=175.0, horizon=((0.0, line_deg),))
        sun = Sun(site)
        times = utc_s(parse_utc("2026-12-20T07:00:00Z")) + np.arange(0, 4 * 3600, 60.0)
        true, (apparent, _) = sun.true_altitude_deg(times), sun.altaz_deg(times)
        shown = shown_altitude_deg(sun, times)
        upper = true + sun.angular_radius_arcsec(times) / 3600
        seen = upper + refraction_deg(upper) >= min(line_deg, 0.0)
        assert seen.any()
        assert not seen.all()
        assert shown[seen] == pytest.approx(apparent[seen], abs=1e-9)
        assert shown[~seen] == pytest.approx(true[~seen], abs=1e-9)
        assert np.diff(shown).max() < 0, "a setting sun never rises in the telling"
