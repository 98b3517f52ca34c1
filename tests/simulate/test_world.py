"""The truth: both hemispheres, the drive, and what happens to the mount."""

from datetime import UTC, datetime

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.jobs.simulate.conditions import conditions
from sentinel.jobs.simulate.events import (
    AnyEvent,
    Cap,
    CloudBank,
    DriveStop,
    FilterLost,
    FocusDrift,
    Frost,
    InventedEclipse,
    Knock,
    Rate,
    Realign,
    Recentre,
    Resume,
    Reverse,
    Sink,
    Snag,
    Wind,
)
from sentinel.jobs.simulate.scenario import Scenario
from sentinel.jobs.simulate.visibility import limb_in_frame, visibility
from sentinel.jobs.simulate.world import Truth, World
from sentinel.sky import Eclipses
from sentinel.sky.refraction import air_mass
from tests.simulate.worlds import BINNED, FINE, midsummer


def track(scenario: Scenario, hours: np.ndarray | list[float]) -> Truth:
    return World(scenario).at(scenario.start_s + 3600 * np.asarray(hours, dtype=float))


def step_px_min(truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    minutes = np.diff(truth.utc_s) / 60
    return np.diff(truth.x_px) / minutes, np.diff(truth.y_px) / minutes


@pytest.mark.parametrize(("latitude_deg", "sign"), [(70.37, 1), (-70.37, -1)])
def test_a_stopped_mount_lets_the_sun_go_at_409_px_a_minute(latitude_deg: float, sign: int) -> None:
    """400 mm, 3.92 um: 15 arcsec/s times cos(23.4 deg), to the west, which is right in the north."""
    still = midsummer(DriveStop(at=0.5), latitude_deg=latitude_deg, camera=FINE)
    x, y = step_px_min(track(still, [0.5 + i / 60 for i in range(6)]))
    assert x == pytest.approx(np.full(5, sign * 409.0), abs=2.0)
    assert np.abs(y).max() < 25
    back = midsummer(Reverse(at=0.5), latitude_deg=latitude_deg, camera=FINE)
    x, _ = step_px_min(track(back, [0.5 + i / 60 for i in range(3)]))
    assert x == pytest.approx(np.full(2, sign * 817.0), abs=4.0)


def test_the_times_to_the_edge_of_a_stopped_mount() -> None:
    """From the middle of the frame the limb touches after 6.2 min, and the disc is gone after 8.5."""
    truth = track(midsummer(DriveStop(at=0.0), camera=FINE), np.arange(0, 600) / 3600)
    touches = np.argmax(truth.x_px + truth.radius_px > 5999.5) / 60
    gone = np.argmax(truth.x_px - truth.radius_px > 5999.5) / 60
    assert (touches, gone) == pytest.approx((6.2, 8.5), abs=0.06)


@pytest.mark.parametrize(("latitude_deg", "day_longer_s"), [(70.37, 13.1), (-70.37, 29.8), (45.0, 13.1)])
def test_without_air_a_perfect_mount_loses_only_the_equation_of_time(
    latitude_deg: float, day_longer_s: float
) -> None:
    airless = Site(latitude_deg=latitude_deg, longitude_deg=31.1, pressure_hpa=0)
    scenario = midsummer(latitude_deg=latitude_deg, site=airless)
    truth = track(scenario, np.linspace(0, 24, 49))
    # The true solar day is 24 h + 13.1 s about 19 June, + 29.9 s on 22 December (published): the sun falls
    # behind the drive.
    expected_px = 15 * day_longer_s * np.cos(np.radians(23.44)) / (23.52 / 400 * 206.265)
    behind = (truth.x_px[0] - truth.x_px[-1]) * (1 if latitude_deg > 0 else -1)
    assert behind == pytest.approx(expected_px, abs=0.3)
    assert np.abs(truth.y_px - truth.y_px[0]).max() < 1.0


def test_refraction_alone_moves_a_midnight_sun_ten_minutes_of_arc() -> None:
    truth = track(midsummer(), np.linspace(0, 24, 97))
    moved = np.ptp(truth.y_px) * 23.52 / 400 * 206.265 / 60
    assert moved == pytest.approx(10.5, abs=0.7)


def test_the_camera_rolls_against_the_vertical_by_21_degrees() -> None:
    truth = track(midsummer(), np.linspace(0, 24, 97))
    assert (truth.zenith_deg.min(), truth.zenith_deg.max()) == pytest.approx((-21, 21), abs=0.6)


@pytest.mark.parametrize("latitude_deg", [70.0, -70.0])
def test_drift_by_an_axis_error_is_upward_or_sideways_by_hour_angle(latitude_deg: float) -> None:
    """Half a degree too high, 2.02 arcsec/px, sun six hours before the meridian: 3.9 px/min up-down."""
    scenario = midsummer(
        latitude_deg=latitude_deg,
        camera=FINE,
        mount={"altitude_error_deg": 0.5},
        site=Site(latitude_deg=latitude_deg, longitude_deg=0.0, pressure_hpa=0),
        start_utc=datetime(2027, 6 if latitude_deg > 0 else 12, 21, 6, tzinfo=UTC),
    )
    x, y = step_px_min(track(scenario, [0.0, 0.25]))
    assert abs(y[0]) == pytest.approx(3.9, abs=0.1)
    assert abs(x[0]) < 0.4


@pytest.mark.parametrize("roll_deg", [0.0, 40.0])
def test_recentring_lands_where_it_says(roll_deg: float) -> None:
    noisy = {"roll_deg": roll_deg, "flexure_arcsec": 20.0, "worm_arcsec": 20.0, "altitude_error_deg": 0.4}
    truth = track(midsummer(Recentre(at=3.0, to_px=(400, 250)), mount=noisy), [2.999, 3.0, 3.001])
    assert (truth.x_px[1], truth.y_px[1]) == pytest.approx((400, 250), abs=0.02)
    assert np.hypot(truth.x_px[0] - 400, truth.y_px[0] - 250) > 300


def test_a_hand_misses_by_its_error() -> None:
    misses = []
    for seed in range(30):
        event = Recentre(at=0.5, to_px=(700, 450), hand_error_px=10)
        truth = track(midsummer(event, seed=seed, hours=1.0), [0.5])
        misses += [truth.x_px[0] - 700, truth.y_px[0] - 450]
    assert np.std(misses) == pytest.approx(10, rel=0.3)


@pytest.mark.parametrize(
    ("event", "moves"),
    [
        (Knock(at=1.0, arcmin=5, toward_deg=0), (0, -24.74)),
        (Knock(at=1.0, arcmin=5, toward_deg=90), (24.74, 0)),
        (Knock(at=1.0, arcmin=5, toward_deg=225), (-17.49, 17.49)),
    ],
)
def test_a_knock_moves_the_disc_once(event: AnyEvent, moves: tuple[float, float]) -> None:
    struck, calm = (track(midsummer(*e), [0.99, 1.0, 4.0]) for e in ((event,), ()))
    dx, dy = struck.x_px - calm.x_px, struck.y_px - calm.y_px
    assert (dx[0], dy[0]) == (0, 0)
    assert (dx[1], dy[1]) == pytest.approx(moves, abs=0.1)
    assert (dx[2], dy[2]) == pytest.approx(moves, abs=0.6)


def test_a_snag_slows_evenly_and_turns_back_until_resumed() -> None:
    scenario = midsummer(Snag(at=1.0, until=1.2, to=-1.0), Resume(at=1.5))
    turn = World(scenario).drive.turn_arcsec(
        scenario.start_s + 3600 * np.array([1.0, 1.1, 1.2, 1.3, 1.5, 1.6])
    )
    hour = 15.0 * 3600
    # Area under a speed that falls from 1 to -1: back where it was, a quarter of the way out at half time.
    assert turn == pytest.approx(hour * np.array([1.0, 1.05, 1.0, 0.9, 0.7, 0.8]), rel=1e-6)


def test_a_stop_that_ends_and_a_rate_that_is_switched() -> None:
    scenario = midsummer(DriveStop(at=1.0, until=1.5), Rate(at=2.0, tracking="sidereal"))
    turn = World(scenario).drive.turn_arcsec(scenario.start_s + 3600 * np.array([1.0, 1.5, 2.0, 3.0]))
    assert turn / 3600 == pytest.approx([15.0, 15.0, 22.5, 22.5 + 15.041_068_6], rel=1e-9)


@pytest.mark.parametrize(("at_limit", "after"), [("stop", 30.0), ("reverse", 15.0), ("ignore", 45.0)])
def test_the_axis_limit(at_limit: str, after: float) -> None:
    mount = {"axis_limit_deg": 130.0, "axis_start_deg": 100.0, "at_limit": at_limit}
    drive = World(scenario := midsummer(mount=mount)).drive
    turned = drive.turn_arcsec(scenario.start_s + 3600 * np.array([2.0, 3.0])) / 3600
    assert turned == pytest.approx([30.0, after], rel=1e-9)
    reached = None if at_limit == "ignore" else scenario.start_s + 7200
    assert drive.limit_reached_s == pytest.approx(reached) if reached else drive.limit_reached_s is None


def test_unwinding_lets_the_drive_run_on() -> None:
    mount = {"axis_limit_deg": 30.0}
    event = Recentre(at=2.5, to_px=(700, 500), unwound=True)
    drive = World(scenario := midsummer(event, mount=mount)).drive
    times = scenario.start_s + 3600 * np.array([2.4, 3.5, 4.4, 5.0])
    assert drive.turn_arcsec(times) / 3600 == pytest.approx([30, 45, 58.5, 60.0], rel=1e-9)


def test_unwound_by_whole_turns_the_axis_comes_to_its_limit_a_day_later() -> None:
    """540 degrees, of which 505 are behind it: a turn comes off at 535, and 365 more are too many."""
    mount = {"axis_limit_deg": 540.0, "axis_start_deg": 505.0}
    event = Recentre(at=2.0, to_px=(700, 500), unwound=True)
    drive = World(scenario := midsummer(event, mount=mount).changed(hours=40.0)).drive
    assert drive.limit_reached_s is not None
    assert (drive.limit_reached_s - scenario.start_s) / 3600 == pytest.approx(35 / 15 + 24, rel=1e-9)


def test_an_hour_angle_limit_stops_the_drive() -> None:
    scenario = midsummer(mount={"hour_angle_limit_deg": (-90, 30)})
    world = World(scenario)
    stops_s = world.drive.limit_reached_s
    assert stops_s is not None
    assert world.sun.hour_angle_deg(stops_s) == pytest.approx(30, abs=0.05)


def test_bolts_and_sinking_change_the_axis() -> None:
    scenario = midsummer(
        Sink(at=1.0, until=3.0, altitude_deg=-0.2),
        Realign(at=5.0, azimuth_error_deg=0.1, altitude_error_deg=0.05),
        mount={"azimuth_error_deg": 0.5, "altitude_error_deg": 0.4},
    )
    world = World(scenario)
    azimuth, altitude = world.axis_errors_deg(scenario.start_s + 3600 * np.array([0.5, 2.0, 4.0, 6.0]))
    assert azimuth == pytest.approx([0.5, 0.5, 0.5, 0.1])
    assert altitude == pytest.approx([0.4, 0.3, 0.2, 0.05])
    truth = world.at(scenario.start_s + 3600 * np.array([4.9999, 5.0]))
    assert truth.x_px[1] == pytest.approx(truth.x_px[0], abs=0.05)


def test_worm_wind_and_flexure_are_as_large_as_said() -> None:
    mount = {"worm_arcsec": 20.0, "wind_arcsec": 4.0, "flexure_arcsec": 15.0}
    scale = 23.52 / 400 * 206.265
    hours = np.arange(0, 24, 1 / 60)
    calm = track(midsummer(), hours)
    worm = track(midsummer(mount={"worm_arcsec": 20.0}), hours)
    assert np.ptp(worm.x_px - calm.x_px) * scale == pytest.approx(2 * 20 * np.cos(np.radians(23.4)), rel=0.02)
    windy = track(midsummer(mount={"wind_arcsec": 4.0}), hours)
    assert np.std(windy.y_px - calm.y_px) * scale == pytest.approx(4.0, rel=0.05)
    gusty = track(midsummer(Wind(at=5, until=10, arcsec=30), mount=mount), hours)
    gusts = np.diff(gusty.y_px)[310:590]
    assert np.std(gusts) * scale == pytest.approx(30 * np.sqrt(2), rel=0.1)
    wander = [
        np.std(track(midsummer(mount={"flexure_arcsec": 15.0}, seed=seed), hours).y_px - calm.y_px)
        for seed in range(12)
    ]
    assert np.sqrt(np.mean(np.square(wander))) * scale == pytest.approx(15, rel=0.3)


def test_light_fails_and_edges_widen_with_air() -> None:
    # Kasten and Young 1989: 1 in the zenith, 37.9 on the horizon (from memory); 12 at 4 degrees.
    assert air_mass(np.array([90.0, 4.0, 0.0])) == pytest.approx([1.0, 12.35, 37.9], rel=0.01)
    scenario = midsummer()
    world = World(scenario)
    truth = world.at(scenario.start_s + 3600 * np.array([0.0, 12.0]))
    state = conditions(world, truth)
    assert state.level[0] / state.level[1] > 3
    assert state.vertical_blur_px[1] > 10 * state.vertical_blur_px[0]
    seeing = np.sqrt(state.blur_px**2 - scenario.camera.blur_px**2)
    assert seeing[1] / seeing[0] == pytest.approx(3.6, abs=0.3)


def test_spells_begin_and_end() -> None:
    scenario = midsummer(
        Cap(at=1.0, until=1.1),
        FilterLost(at=2.0, until=2.1),
        Frost(at=3.0, until=5.0, dimming=0.4, ramp_min=60),
        FocusDrift(at=6.0, until=8.0, sigma_px=4.8),
        CloudBank(at=10.0, until=11.0, transmission=0.001, patchiness=0.1, edge_min=5),
    )
    world = World(scenario)
    hours = np.array([0.9, 1.05, 2.05, 2.2, 4.5, 5.1, 7.0, 9.0, 10.5])
    truth = world.at(scenario.start_s + 3600 * hours)
    state = conditions(world, truth)
    seen = visibility(scenario.camera, truth, state)
    assert state.capped.tolist() == [False, True] + [False] * 7
    assert np.nonzero(state.filter_lost)[0].tolist() == [2]
    clear = conditions(World(midsummer()), truth)
    assert state.level / clear.level == pytest.approx([1, 1, 1, 1, 0.6, 1, 1, 1, 1])
    focus = np.sqrt(state.blur_px**2 - (clear.blur_px**2 - 0.8**2))
    assert focus == pytest.approx([0.8] * 6 + [2.8, 4.8, 4.8])
    assert seen.found.tolist() == [True, False, False, True, True, True, True, True, False]


def test_an_invented_eclipse_covers_what_it_says() -> None:
    scenario = midsummer(InventedEclipse(at=1.0, until=3.0, magnitude=0.8))
    world = World(scenario)
    truth = world.at(scenario.start_s + 3600 * np.linspace(0.9, 3.1, 133))
    state = conditions(world, truth)
    apart = np.hypot(state.moon_x_px - truth.x_px, state.moon_y_px - truth.y_px)
    covered = (truth.radius_px + state.moon_radius_px - apart) / (2 * truth.radius_px)
    assert np.nanmax(covered) == pytest.approx(0.8, abs=0.01)
    touching = np.nonzero(np.isfinite(covered))[0]
    assert covered[touching[[0, -1]]] == pytest.approx([0, 0], abs=0.03)
    assert np.isnan(covered[0])


def test_the_true_moon_comes_when_asked() -> None:
    """The total eclipse of 2027-08-02 over southern Spain: the sky room says how much is covered."""
    site = Site(latitude_deg=36.5, longitude_deg=-5.0)
    scenario = midsummer(site=site, start_utc=datetime(2027, 8, 2, 8, 30, tzinfo=UTC), hours=1.0, moon=True)
    world = World(scenario)
    times = scenario.start_s + np.arange(0, 3600, 60.0)
    truth = world.at(times)
    state = conditions(world, truth)
    apart = np.hypot(state.moon_x_px - truth.x_px, state.moon_y_px - truth.y_px)
    covered = np.nan_to_num((truth.radius_px + state.moon_radius_px - apart) / (2 * truth.radius_px))
    expected = Eclipses(world.sun).covered_diameter(times)
    partial = expected < 0.95
    assert covered[partial] == pytest.approx(expected[partial], abs=0.004)
    assert covered.max() > 1.0


def test_the_horizon_hides_what_is_below_it() -> None:
    site = Site(latitude_deg=70.37, longitude_deg=31.1, horizon=((0, 4.05), (180, 4.05)))
    scenario = midsummer(site=site)
    world = World(scenario)
    truth = world.at(scenario.start_s + 3600 * np.array([6.0, 12.0]))
    seen = visibility(scenario.camera, truth, conditions(world, truth))
    assert seen.limb_coverage[0] == 1.0
    assert 0.3 < seen.limb_coverage[1] < 0.6
    assert seen.limb_in_frame.tolist() == [1.0, 1.0]


def test_a_mid_latitude_night_has_no_disc() -> None:
    scenario = midsummer(latitude_deg=45.0)
    world = World(scenario)
    hours = np.array([0.0, 14.0])
    truth = world.at(scenario.start_s + 3600 * hours)
    state = conditions(world, truth)
    assert visibility(scenario.camera, truth, state).found.tolist() == [True, False]
    assert state.night.tolist() == [False, True]


@pytest.mark.parametrize(
    ("x_px", "y_px", "fraction"),
    [
        (750.0, 500.0, 1.0),
        (-0.5, 500.0, 0.5),
        (-0.5, -0.5, 0.25),
        (1499.5 + 50.0, 500.0, np.arccos(50 / 100) / np.pi),
        (-200.0, 500.0, 0.0),
    ],
)
def test_limb_in_frame_is_geometry(x_px: float, y_px: float, fraction: float) -> None:
    one = np.ones(1)
    truth = Truth(
        utc_s=one,
        x_px=x_px * one,
        y_px=y_px * one,
        radius_px=100 * one,
        flattening=0 * one,
        egg=0 * one,
        zenith_deg=17 * one,
        altitude_deg=30 * one,
        azimuth_deg=10 * one,
        local_scale_arcsec_px=one,
        north_deg=one,
        central_latitude_deg=one,
        central_longitude_deg=one,
    )
    assert limb_in_frame(BINNED, truth) == pytest.approx([fraction], abs=0.001)
