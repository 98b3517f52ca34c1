"""The sun's track through the frame: what nature, the axis, the drive and the air each do to it."""

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, parse_utc, utc_s
from sentinel.sky import (
    Optics,
    Sun,
    axis_vector,
    hour_angle_times_s,
    in_mount_frame,
    pose_seeing,
    project,
    rate_arcsec_s,
    up_angle_deg,
)
from sentinel.sky.arrays import Array
from sentinel.sky.mount import Tracking

LENS = Optics(400.0, 3.92, 6000, 4000)
JUNE_S = utc_s(parse_utc("2026-06-21T00:00:00Z"))
SEASONS = {"north": JUNE_S, "south": utc_s(parse_utc("2026-12-21T00:00:00Z"))}


def site(latitude: float, pressure: float = 0.0) -> Site:
    return Site(latitude_deg=latitude, longitude_deg=15.0, pressure_hpa=pressure, temperature_c=5.0)


def track(
    sun: Sun,
    times: Array,
    tracking: Tracking = "solar",
    errors: tuple[float, float] = (0.0, 0.0),
    roll: float = 0.0,
) -> tuple[Array, Array]:
    """Pixels of a camera that saw the sun in the middle at the first of the times."""
    south = sun.site.latitude_deg < 0
    theta = np.radians(rate_arcsec_s(tracking) / 3600) * (times - times[0])
    mounted = in_mount_frame(
        sun.direction(times), axis_vector(sun.site.latitude_deg, *errors), theta, south=south
    )
    pose = pose_seeing(mounted[0], *LENS.middle_px, LENS, roll_deg=roll)
    return project(mounted, pose, LENS)


def drift_px_min(sun: Sun, hour_angle: float, errors: tuple[float, float], start_s: float) -> Array:
    """Speed (right, up) at an hour angle, less what a true axis shows then."""
    at = hour_angle_times_s(sun, hour_angle, start_s, start_s + 1.1 * DAY_S)[0]
    times = np.asarray([at - 300.0, at + 300.0], dtype=np.float64)
    wrong, true = (track(sun, times, errors=e) for e in (errors, (0.0, 0.0)))
    return np.array([np.diff(wrong[0] - true[0])[0], -np.diff(wrong[1] - true[1])[0]]) / 10


@pytest.fixture(scope="module")
def north() -> Sun:
    return Sun(site(70.0))


@pytest.fixture(scope="module")
def south() -> Sun:
    return Sun(site(-70.0))


def test_a_true_axis_and_the_mean_rate_leave_equation_of_time_and_declination(north: Sun, south: Sun) -> None:
    """Airless, over whole days (so that parallax returns), at a solstice and at an equinox."""
    for start in ("2026-06-19T00:00:00Z", "2026-03-19T00:00:00Z", "2026-12-22T00:00:00Z"):
        times = utc_s(parse_utc(start)) + DAY_S * np.arange(3.0)
        for sun, side in ((north, 1), (south, -1)):
            x, y = track(sun, times)
            declination = sun.declination_deg(times)
            west_arcsec = 15 * np.diff(sun.equation_of_time_s(times)) * np.cos(np.radians(declination[0]))
            north_arcsec = np.diff(declination) * 3600
            assert side * np.diff(x) * LENS.scale_arcsec_px == pytest.approx(west_arcsec, abs=2.5)
            assert -side * np.diff(y) * LENS.scale_arcsec_px == pytest.approx(north_arcsec, abs=2.5)


def test_what_an_axis_error_shows_near_midsummer(north: Sun) -> None:
    # px a minute at 2.02 arcsec a pixel for half a degree at 70 north; computed for the project's design.
    altitude, azimuth = (0.0, 0.5), (0.5, 0.0)
    assert np.abs(drift_px_min(north, -90, altitude, JUNE_S)) == pytest.approx([0.0, 3.9], abs=0.06)
    assert np.abs(drift_px_min(north, -90, azimuth, JUNE_S)) == pytest.approx([0.5, 0.0], abs=0.06)
    assert np.abs(drift_px_min(north, 0, altitude, JUNE_S)) == pytest.approx([1.6, 0.0], abs=0.06)
    assert np.abs(drift_px_min(north, 0, azimuth, JUNE_S)) == pytest.approx([0.0, 1.3], abs=0.06)
    # An axis too high: the eastern sun climbs in the frame, the western one sinks.
    assert drift_px_min(north, -90, altitude, JUNE_S)[1] > 0
    assert drift_px_min(north, 90, altitude, JUNE_S)[1] < 0
    # An axis east of the pole: the noon sun sinks, the midnight sun climbs.
    assert drift_px_min(north, 0, azimuth, JUNE_S)[1] < 0
    assert drift_px_min(north, 180, azimuth, JUNE_S)[1] > 0


def test_the_south_is_the_north_seen_in_a_mirror(north: Sun, south: Sun) -> None:
    # East and west stay, the poles change places: an axis too high does the same to the picture's up and
    # down; "clockwise" turns it the other way about the pole, and the picture's x runs the other way too.
    for hour_angle in (-90.0, -30.0, 0.0, 60.0):
        for errors in ((0.0, 0.5), (0.5, 0.0)):
            here = drift_px_min(north, hour_angle, errors, JUNE_S)
            there = drift_px_min(south, hour_angle, (-errors[0], errors[1]), SEASONS["south"])
            assert there == pytest.approx(here * [-1, 1], abs=0.02)


def test_a_stopped_mount_loses_the_sun_in_minutes(north: Sun) -> None:
    times = JUNE_S + np.arange(0, 601, 1.0)
    x, y = track(north, times, "none")
    # 409 px a minute; the limb touches after 6.2 min, the disc is gone after 8.5 (by the design's figures).
    assert np.hypot(x[60] - x[0], y[60] - y[0]) == pytest.approx(409, abs=1)
    radius_px = north.angular_radius_arcsec(JUNE_S) / LENS.scale_arcsec_px
    touches_min = np.argmax(x + radius_px > 5999.5) / 60
    gone_min = np.argmax(x - radius_px > 5999.5) / 60
    assert touches_min == pytest.approx(6.2, abs=0.06)
    assert gone_min == pytest.approx(8.5, abs=0.06)


def test_a_drive_that_turns_back_doubles_the_speed(north: Sun) -> None:
    times = JUNE_S + np.array([0.0, 60.0])
    mounted = in_mount_frame(
        north.direction(times), axis_vector(70.0), np.radians(-15 / 3600) * (times - JUNE_S), south=False
    )
    x, _ = project(mounted, pose_seeing(mounted[0], *LENS.middle_px, LENS), LENS)
    assert x[1] - x[0] == pytest.approx(2 * 409, abs=2)


def test_refraction_alone_moves_the_disc_ten_arcminutes_in_a_day_of_midnight_sun() -> None:
    sun = Sun(site(70.0, 1010.0))
    times = JUNE_S + np.arange(0, DAY_S, 600)
    x, y = track(sun, times)
    airless = track(Sun(site(70.0)), times)
    moved_arcmin = np.hypot(x - airless[0], y - airless[1]) * LENS.scale_arcsec_px / 60
    assert np.ptp(moved_arcmin) == pytest.approx(10, abs=1.5)


@pytest.mark.parametrize(("latitude", "swing"), [(70.0, 21.9), (45.0, 50.4), (-70.0, 21.9)])
def test_a_camera_on_an_equatorial_mount_rolls_against_the_vertical(latitude: float, swing: float) -> None:
    southern = latitude < 0
    sun = Sun(site(latitude))
    times = SEASONS["south" if southern else "north"] + np.arange(0, DAY_S, 300)
    s, axis = sun.direction(times), axis_vector(latitude)
    theta = np.radians(15 / 3600) * (times - times[0])
    mounted = in_mount_frame(s, axis, theta, south=southern)
    pose = pose_seeing(mounted[0], *LENS.middle_px, LENS)
    up = up_angle_deg(s, axis, theta, pose, LENS, south=southern)
    up = up[sun.altaz_deg(times)[0] > 0]
    assert up.max() == pytest.approx(swing, abs=0.2)
    assert up.min() == pytest.approx(-swing, abs=0.2)


def test_roll_only_turns_the_track(north: Sun) -> None:
    times = JUNE_S + np.arange(0, DAY_S, 3600)
    level, rolled = (track(north, times, errors=(0.4, -0.2), roll=roll) for roll in (0.0, 90.0))
    middle_x, middle_y = LENS.middle_px
    assert rolled[0] - middle_x == pytest.approx(level[1] - middle_y, abs=1e-6)
    assert rolled[1] - middle_y == pytest.approx(-(level[0] - middle_x), abs=1e-6)


@pytest.mark.parametrize("latitude", [89.9, 90.0, -90.0])
def test_at_a_pole_the_axis_is_vertical_and_nothing_breaks(latitude: float) -> None:
    sun = Sun(site(latitude))
    times = SEASONS["south" if latitude < 0 else "north"] + np.arange(0, DAY_S, 3600)
    x, y = track(sun, times, errors=(0.0, 0.3))
    assert np.isfinite(x + y).all()
    # A vertical axis tipped by 0.3 degrees: the sun swings by 0.3 degrees up and down in a day.
    assert np.ptp(y) * LENS.scale_arcsec_px / 3600 == pytest.approx(0.6, abs=0.02)
