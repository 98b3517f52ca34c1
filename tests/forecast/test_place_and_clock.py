"""Settings of which place or clock are wrong: what light and track tell of it, and what nothing can tell."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sentinel.chain.following import Following
from sentinel.chain.forecast.estimate import TELLING_ARC_S
from sentinel.chain.forecast.geometry import Geometry, OtherSky
from sentinel.chain.forecast.nodes import every_node
from sentinel.chain.forecast.place_and_clock import Mistake, PlaceAndClock, SettingsDoubt, mistakes
from sentinel.chain.forecast.rates import first_rates
from sentinel.chain.forecast.roll_prior import USUAL_ROLLS
from sentinel.chain.forecast.sun_path import SunPath, sun_path
from sentinel.chain.track import Context
from sentinel.core.foreseen import Contradiction
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Camera, Settings, Site
from sentinel.core.times import from_utc_s
from sentinel.sky.arrays import Array
from sentinel.sky.refraction import air_mass
from sentinel.sky.sun import Sun
from tests.forecast.sessions import Session

NORTH = Site(latitude_deg=72.0, longitude_deg=50.0)
START_S = datetime(2026, 6, 20, 18, tzinfo=UTC).timestamp()


def told_by_light(
    true: Site, hours_late: float = 0.0, *, hours: float = 6.0, stops_an_hour: float = 0.0, held: bool = False
) -> PlaceAndClock:
    """Return what light at a place tells of `NORTH`; the clock shows a time that many hours too late."""
    rng = np.random.default_rng(5)
    sun, known = Sun(true), PlaceAndClock(NORTH, Sun(NORTH))
    times_s = START_S + np.arange(0, hours * 3600, 120.0)
    air = air_mass(sun.altaz_deg(times_s)[0])
    for i, at_s in enumerate(times_s):
        stops = -1.0 + stops_an_hour * (at_s - START_S) / 3600 - (0.0 if held else 0.3 * air[i])
        level = float(2 ** (stops + 0.01 * rng.normal()))
        disc = Disc(found=True, limb_coverage=1.0, brightness=level, saturated_fraction=0.0)
        at = from_utc_s(at_s + hours_late * 3600)
        known.see(MeasuredFrame(frame="a", time_utc=at, width_px=6, height_px=4, disc=disc, exposure_s=0.001))
    known.weigh_light()
    return known


def seen_through(depth_stops: Array, jitter_stops: Array) -> PlaceAndClock:
    """Return what light under a right sky tells through cloud so deep, from frame to frame so unsteady."""
    rng = np.random.default_rng(3)
    sun, known = Sun(NORTH), PlaceAndClock(NORTH, Sun(NORTH))
    times_s = START_S + 120.0 * np.arange(len(depth_stops))
    air = air_mass(sun.altaz_deg(times_s)[0])
    for i, at_s in enumerate(times_s):
        level = float(2 ** (-1.0 - 0.3 * air[i] - depth_stops[i] + jitter_stops[i] * rng.normal()))
        disc = Disc(found=True, limb_coverage=1.0, brightness=level, saturated_fraction=0.0)
        at = from_utc_s(at_s)
        known.see(MeasuredFrame(frame="a", time_utc=at, width_px=6, height_px=4, disc=disc, exposure_s=0.001))
    known.weigh_light()
    return known


@pytest.mark.parametrize("veil_stops", [0.25, 0.5, 1.0])
def test_a_veil_that_cloud_leaves_behind_tells_nothing(veil_stops: float) -> None:
    hours = np.arange(0, 8.5, 1 / 30)
    depth = np.where(hours < 5, 0.0, np.where(hours < 7.5, 2.0, veil_stops))
    jitter = np.where((hours >= 5) & (hours < 7.5), 0.5, 0.005)
    clear = seen_through(np.zeros(150), np.full(150, 0.005))
    assert seen_through(depth, jitter).doubt().wrong < clear.doubt().wrong + 0.02


def test_light_that_is_steadier_from_frame_to_frame_tells_more() -> None:
    """Of a right place: what is far from it is ruled out by so much the more."""
    steady, unsteady = (
        seen_through(np.zeros(300), np.full(300, jitter)).doubt().log_odds for jitter in (0.002, 0.03)
    )
    far = [abs(one.hours) >= 4 for one in mistakes(NORTH)]
    assert steady[far].max() < unsteady[far].max() - 3


def contradiction(known: PlaceAndClock) -> Contradiction:
    found = known.doubt().contradiction()
    assert found is not None
    return found


@pytest.mark.parametrize("hours", [-5.0, 5.0, 11.0])
def test_a_clock_hours_off_is_told_by_the_light_with_the_hours(hours: float) -> None:
    found = contradiction(told_by_light(NORTH, hours))
    assert "time-zone" in found.likely
    assert -hours in found.hours


def test_a_longitude_of_the_wrong_sign_is_told_by_the_light() -> None:
    found = contradiction(told_by_light(Site(latitude_deg=72.0, longitude_deg=-50.0), hours=8.0))
    assert "longitude-sign" in found.likely


def test_a_sun_that_should_be_down_is_told_with_the_hemisphere() -> None:
    known = PlaceAndClock(
        Site(latitude_deg=-72.0, longitude_deg=50.0), Sun(Site(latitude_deg=-72.0, longitude_deg=50.0))
    )
    disc = Disc(found=True, limb_coverage=1.0, brightness=0.4, saturated_fraction=0.0)
    for i in range(60):
        at = from_utc_s(START_S + 120.0 * i)
        known.see(MeasuredFrame(frame="a", time_utc=at, width_px=6000, height_px=4000, disc=disc))
    known.weigh_light()
    assert contradiction(known).likely[0] == "latitude-sign"


@pytest.mark.parametrize("how", [{}, {"held": True}, {"stops_an_hour": -0.4}, {"stops_an_hour": -0.15}])
def test_the_right_settings_are_not_contradicted_by_clear_air_held_exposure_or_smoke(
    how: dict[str, float],
) -> None:
    assert told_by_light(NORTH, **how).doubt().contradiction() is None  # type: ignore[arg-type]


def test_a_right_clear_sky_rules_out_what_is_far_off() -> None:
    before, after = PlaceAndClock(NORTH, Sun(NORTH)).doubt(), told_by_light(NORTH, hours=10.0).doubt()
    far = [abs(one.hours) >= 4 for one in mistakes(NORTH)]
    assert after.weights[far].sum() < 0.1 * before.weights[far].sum()
    assert after.wrong < before.wrong < 0.05


def test_an_axis_is_as_wide_as_the_clock_is_doubtful() -> None:
    """By a clock five hours off the same track is drawn by an axis turned about the pole by 75 degrees."""
    doubt = told_by_light(NORTH, 5.0).doubt()
    # On the sky: 1 degree of azimuth at 72 degrees is 0.31; turned by 75 degrees it is mostly altitude.
    sigma = doubt.sigma_deg((1.0, 0.0), np.zeros((2, 2)))
    assert sigma[1] > 0.25 * 0.31
    assert sigma[0] > 0.2


def off_by_mistake_deg(known: PlaceAndClock, at_deg: tuple[float, float], hours: float) -> Array:
    """Return where the axis stands with the sun so many hours later, azimuth and altitude, less `at_deg`."""
    which = [one.hours == hours and one.kind == "time-zone" for one in known.mistakes].index(True)
    axis = known.skies[which].axis_errors_deg(np.array([at_deg[0]]), np.array([at_deg[1]]))
    return np.asarray(np.concatenate(axis) - np.array(at_deg))


@pytest.mark.parametrize("hours", [-3.0, -1.0, 2.0])
def test_until_something_speaks_against_a_mistake_its_axis_lies_within_two_sigmas(hours: float) -> None:
    """Under a midnight sun an hour's light hardly tells one hour from another."""
    at_deg = (-1.2, 0.4)
    for known in (PlaceAndClock(NORTH, Sun(NORTH)), told_by_light(NORTH, hours, hours=1.5)):
        sigma = known.doubt().sigma_deg(at_deg, 1e-4 * np.eye(2))
        # The sun stands where the settings have it so many hours later: the clock shows as much less.
        assert (np.abs(off_by_mistake_deg(known, at_deg, -hours)) <= 2.1 * sigma).all()


def test_what_the_settings_make_look_mirrored_need_not_be_unless_the_roll_is_told() -> None:
    """The air tells a roll from the opposite one, by where the settings have the sun."""
    known, at_deg = PlaceAndClock(NORTH, Sun(NORTH)), (-3.0, 0.4)
    only = np.array([0.0 if one.kind == "none" or one.hours == 3.0 else -50.0 for one in known.mistakes])
    mirrored_deg = np.abs(off_by_mistake_deg(known, (3.0, -0.4), 3.0) + 2 * np.array([3.0, -0.4]))
    open_roll, told_roll = (
        replace(known.doubt(roll_told=told), log_odds=only).sigma_deg(at_deg, 1e-4 * np.eye(2))
        for told in (False, True)
    )
    assert (mirrored_deg <= 2.5 * open_roll).all()
    assert told_roll[0] < 0.5 * open_roll[0]


def test_an_axis_is_known_as_well_as_the_fit_knows_it_once_light_has_excluded_every_mistake() -> None:
    covariance = np.array([[4e-4, 1e-4], [1e-4, 1e-4]])
    doubt = told_by_light(NORTH, hours=22.0).doubt()
    sigma = doubt.sigma_deg((-1.2, 0.4), covariance)
    assert sigma == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-6)


def test_an_axis_turned_with_the_sky_comes_back() -> None:
    for place in PlaceAndClock(NORTH, Sun(NORTH)).skies:
        azimuth, altitude = place.axis_errors_deg(np.array([1.3]), np.array([-0.4]))
        tilt = np.hypot(azimuth * np.cos(np.radians(72.0)), altitude)
        assert tilt == pytest.approx(np.hypot(1.3 * np.cos(np.radians(72.0)), 0.4), rel=0.03)


def test_a_mirrored_camera_stands_beside_the_likeliest_mount() -> None:
    """What the settings make look mirrored need not be: both are tried with the sun elsewhere."""
    nodes = every_node(first_rates("solar"), 72.0, USUAL_ROLLS).taken(np.array([0]))
    points = replace(nodes.points, azimuth_deg=np.array([1.5]), altitude_deg=np.array([-0.2]))
    both = replace(
        nodes, points=Geometry(NORTH, Sun(NORTH)).posed(points, START_S, np.zeros(2))
    ).with_mirrored()
    assert both.points.azimuth_deg.tolist() == [1.5, -1.5]
    assert both.points.altitude_deg.tolist() == [-0.2, 0.2]
    assert np.diff(both.points.roll_rad) == pytest.approx(np.pi)
    assert len(both.prior.mean) == len(both.centre_rad) == 2


@pytest.mark.parametrize("step_h", [-5.0, 5.0])
def test_a_clock_that_is_set_takes_the_contradiction_back(step_h: float) -> None:
    known = told_by_light(NORTH, 5.0)
    assert known.doubt().contradiction() is not None
    disc = Disc(found=True, limb_coverage=1.0, brightness=0.4, saturated_fraction=0.0)
    came_s = START_S + 6 * 3600
    for later_s, off_h in ((0.0, 0.0), (60.0, 0.0), (120.0, step_h)):
        known.see(
            MeasuredFrame(
                frame="a",
                time_utc=from_utc_s(came_s + later_s + off_h * 3600),
                arrived_utc=from_utc_s(came_s + later_s),
                width_px=6,
                height_px=4,
                disc=disc,
            )
        )
        assert (known.doubt().contradiction() is None) == (off_h != 0.0)


def test_all_places_at_once_are_told_of_as_each_alone_and_a_short_track_tells_of_none() -> None:
    session = Session(azimuth_error_deg=0.6, altitude_error_deg=-0.4, watched_h=3.0, followed_h=4.0, seed=4)
    forecaster = Following(Context(session.settings, session.sun))
    places = PlaceAndClock(session.settings.site, session.sun).skies
    estimator = forecaster.forecaster._estimator
    for frame in session.frames():
        forecaster.feed(frame, frame.time_utc)
        if frame.time_utc.timestamp() - session.start_s < TELLING_ARC_S:
            assert estimator.evidence(places) is None
    together = estimator.evidence(places)
    assert together is not None
    alone = [estimator.evidence([place]) for place in places]
    assert together == pytest.approx(np.ravel(np.array(alone, dtype=float)), abs=1e-6)
    assert np.ptp(together) > 0.5


def test_the_track_is_asked_only_of_what_it_could_give_weight() -> None:
    known = told_by_light(NORTH, hours=10.0)
    hopeless = known.doubt().weights < 1e-8
    assert 0 < hopeless.sum() < len(hopeless)
    asked: list[OtherSky] = []

    def track(places: Sequence[OtherSky]) -> Array:
        asked.extend(places)
        # Whatever is not nought it speaks for as loudly as it may.
        return np.where(np.arange(len(places)) > 0, 100.0, 0.0)

    known.weigh(START_S + 10 * 3600, track)
    spared = np.array([place not in asked for place in known.skies])
    assert spared[hopeless].all()
    assert not spared[0]
    assert known.doubt().weights[spared].sum() < 1e-3
    asked.clear()
    known.weigh(START_S + 10.5 * 3600, track)
    assert not asked


NIGHT = Site(latitude_deg=50.0, longitude_deg=-60.0)


def two_days(site: Site, noon_h: float = 16.0) -> tuple[PlaceAndClock, SunPath]:
    """Return one that has seen nothing, and the sun's coming two days from local noon on."""
    sun = Sun(site)
    start_s = datetime(2026, 9, 20, tzinfo=UTC).timestamp() + noon_h * 3600
    settings = Settings(site=site, camera=Camera(focal_length_mm=400.0, pixel_pitch_um=4.0))
    return PlaceAndClock(site, sun), sun_path(settings, sun, start_s)


def only(doubt: SettingsDoubt, *kept: Mistake, odds: float = 0.0) -> SettingsDoubt:
    """Return the same with all mistakes excluded but some, which are told so much the likelier (log)."""
    told = [0.0 if one.kind == "none" else odds if one in kept else -50.0 for one in doubt.mistakes]
    return replace(doubt, log_odds=np.array(told))


@pytest.mark.parametrize("hours", [-3.0, 2.0])
def test_the_sun_may_be_up_when_any_clock_that_is_not_excluded_has_it_up(hours: float) -> None:
    known, coming = two_days(NIGHT)
    one = next(m for m in known.mistakes if m.kind == "time-zone" and m.hours == hours)
    doubt = only(known.doubt(), one)
    up = known.possible_day(coming, doubt).up
    there = Sun(NIGHT).altaz_deg(coming.times_s + hours * 3600)[0] > 0
    assert up[coming.day.up | there].all()
    # Between two times looked at a rising is not known: the one before counts too, and no other.
    assert not up[:-1][~(coming.day.up | there)[:-1] & ~(coming.day.up | there)[1:]].any()
    assert not np.array_equal(up, coming.day.up)
    assert known.likely_day(coming, doubt) is coming.day


def test_the_night_is_the_settings_own_once_every_mistake_is_excluded() -> None:
    known, coming = two_days(NIGHT)
    doubt = only(known.doubt())
    assert known.possible_day(coming, doubt) is coming.day
    assert known.possible(doubt) == []


def test_of_a_mistake_that_is_likely_every_time_is_told() -> None:
    known, coming = two_days(NIGHT)
    one = next(m for m in known.mistakes if m.kind == "latitude-sign")
    assert known.likely_day(coming, only(known.doubt(), one, odds=4.0)).up.sum() > coming.day.up.sum()


def test_with_settings_contradicted_nobody_knows_when_it_is_night() -> None:
    known, coming = two_days(NIGHT)
    doubt = only(known.doubt(), known.mistakes[1], odds=20.0)
    assert doubt.contradicted
    assert known.likely_day(coming, doubt).up.all()
    assert not coming.day.up.all()


def followed_session() -> Following:
    session = Session(azimuth_error_deg=0.9, altitude_error_deg=-0.5, watched_h=4.0, followed_h=5.0, seed=4)
    following = Following(Context(session.settings, session.sun))
    for frame in session.frames():
        following.feed(frame, frame.time_utc)
    return following


def test_the_sun_where_it_is_draws_the_same_track_and_elsewhere_about_the_same() -> None:
    """Without air a clock that is off draws the same track on an axis turned with the sky."""
    forecaster = followed_session().forecaster
    estimator, draws = forecaster._estimator, forecaster._draws
    assert draws is not None
    ahead_s = 3600.0 * np.array([0.0, 1.0, 2.0])
    own = np.median(draws.tracks_arcsec(draws.fitted_s, ahead_s), axis=2)
    moved = np.abs(own - own[:, :1]).max()
    places = {one.later_s: one for one in forecaster._place_and_clock.skies if not one.across}
    for later_s, most in ((0.0, 0.03), (3600.0, 0.1), (-3 * 3600.0, 0.2)):
        (there,) = estimator.under_other_skies([places[later_s]])
        track = np.median(there.tracks_arcsec(there.fitted_s, ahead_s), axis=2)
        assert np.abs(track - own).max() < most * moved
    (across,) = estimator.under_other_skies([one for one in forecaster._place_and_clock.skies if one.across])
    track = np.median(across.tracks_arcsec(across.fitted_s, ahead_s), axis=2)
    assert np.abs(track - own).max() < 0.5 * moved


def test_across_the_equator_the_roll_that_the_air_excluded_is_possible() -> None:
    """By the air of the other side it is the other roll that is likely: draws hold what may be."""
    forecaster = followed_session().forecaster
    assert forecaster._draws is not None
    (across,) = forecaster._estimator.under_other_skies(
        [one for one in forecaster._place_and_clock.skies if one.across]
    )
    far_h = [one for one in forecaster._place_and_clock.skies if abs(one.later_s) == 6 * 3600]
    (far,) = forecaster._estimator.under_other_skies(far_h)
    for ensemble in (across, far):
        upright = np.cos(ensemble.roll_rad) > 0
        assert 0.02 < upright.mean() < 0.98
