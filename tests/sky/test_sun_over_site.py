"""The sun over a site: interpolated, offline, right for any year and either hemisphere."""

import pickle
import subprocess
import sys
import textwrap

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, parse_utc, utc_s
from sentinel.sky import Sun, altaz_deg, ephemeris, refraction_deg, separation_deg
from sentinel.sky.arrays import Array
from sentinel.sky.ephemeris import moon_vectors_km, sun_vectors_km
from tests.sky.by_astropy import body_km, equation_of_time_s

VARDO = Site(latitude_deg=70.37, longitude_deg=31.1, elevation_m=20, pressure_hpa=1010, temperature_c=5)
MOUNTAIN = Site(latitude_deg=19.8, longitude_deg=-155.5, elevation_m=4200)
AIRLESS = Site(latitude_deg=-45.0, longitude_deg=170.0, pressure_hpa=0)
SOLSTICE_S = utc_s(parse_utc("2026-06-21T00:00:00Z"))


@pytest.fixture(scope="module")
def vardo() -> Sun:
    return Sun(VARDO)


@pytest.fixture(scope="module")
def airless() -> Sun:
    return Sun(AIRLESS)


def test_shapes_follow_the_times(vardo: Sun) -> None:
    for shape in [(), (3,), (2, 3), (0,)]:
        times = SOLSTICE_S + np.arange(np.prod(shape, dtype=int)).reshape(shape) * 60.0
        assert vardo.direction(times).shape == (*shape, 3)
        assert vardo.true_direction(times).shape == (*shape, 3)
        for values in (
            *vardo.altaz_deg(times),
            vardo.hour_angle_deg(times),
            vardo.declination_deg(times),
            vardo.parallactic_angle_deg(times),
            vardo.angular_radius_arcsec(times),
            vardo.equation_of_time_s(times),
            vardo.distance_km(times),
        ):
            assert np.shape(values) == shape


def test_interpolation_keeps_to_the_ephemeris(vardo: Sun) -> None:
    times = SOLSTICE_S + np.random.default_rng(3).uniform(0, 2 * DAY_S, 60)
    directly = sun_vectors_km(VARDO, times)
    assert separation_deg(vardo.true_direction(times), floats_of(directly)).max() * 3600 < 0.05


def floats_of(vectors: Array) -> Array:
    unit: Array = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    return unit


@pytest.mark.parametrize("place", [VARDO, AIRLESS, MOUNTAIN])
@pytest.mark.parametrize(
    ("first", "last", "arcsec"),
    [("1974-01-01", "2026-06-01", 0.1), ("1970-01-01", "1972-12-01", 0.5), ("2028-01-01", "2039-12-31", 0.5)],
)
def test_sun_and_moon_stand_where_another_library_has_them(
    place: Site, first: str, last: str, arcsec: float
) -> None:
    """Within the Earth-rotation tables; outside them the two differ in where they hold the pole."""
    begin_s, end_s = (utc_s(parse_utc(f"{day}T00:00:00Z")) for day in (first, last))
    times = np.random.default_rng(5).uniform(begin_s, end_s, 200)
    for ours, theirs in (
        (sun_vectors_km(place, times), body_km("sun", place, times)),
        (moon_vectors_km(place, times), body_km("moon", place, times)),
    ):
        assert separation_deg(floats_of(ours), floats_of(theirs)).max() * 3600 < arcsec
        far = np.linalg.norm(theirs, axis=-1)
        assert np.abs(np.linalg.norm(ours, axis=-1) / far - 1).max() < 1e-7
    assert np.abs(ephemeris.equation_of_time_s(times)[:, 0] - equation_of_time_s(times)).max() < 0.002


def test_a_leap_second_moves_no_sun() -> None:
    """Across the end of 2016 UT1 less UTC jumps by a second, and the Earth does not."""
    midnight_s = utc_s(parse_utc("2017-01-01T00:00:00Z"))
    before, after = floats_of(sun_vectors_km(VARDO, np.array([midnight_s - 120.0, midnight_s + 120.0])))
    # By POSIX seconds 240 s, by a clock that never stops 241; the sun goes 15 degrees an hour.
    turned_s = float(separation_deg(before, after)) / np.cos(np.radians(23.03)) * 240.0
    assert turned_s == pytest.approx(241.0, abs=0.3)


def test_a_watch_needs_no_library_for_all_of_astronomy() -> None:
    code = """
        import sys
        from sentinel.core.settings import Site
        from sentinel.sky import Eclipses, Sun
        sun = Sun(Site(latitude_deg=70.37, longitude_deg=31.1))
        sun.direction(1.8e9), sun.equation_of_time_s(1.8e9), sun.across_equator().direction(1.8e9)
        print([name for name in sys.modules if name.split(".")[0] == "astropy"])
    """
    ran = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=True, timeout=120
    )
    assert ran.stdout.strip() == "[]"


@pytest.mark.parametrize("place", [VARDO, AIRLESS])
def test_the_sun_across_the_equator_is_that_of_an_ephemeris_computed_there(place: Site) -> None:
    there, times = (
        Sun(place.model_copy(update={"latitude_deg": -place.latitude_deg})),
        np.arange(0, DAY_S, 997),
    )
    across = Sun(place).across_equator()
    assert across.site == there.site
    apart_deg = separation_deg(
        across.true_direction(SOLSTICE_S + times), there.true_direction(SOLSTICE_S + times)
    )
    assert apart_deg.max() * 3600 < 0.05
    # The place itself is thousands of kilometres away: by a forgotten way the disc's size would show it.
    gap_km = across.distance_km(SOLSTICE_S + times) - there.distance_km(SOLSTICE_S + times)
    assert np.abs(gap_km).max() < 1.0
    assert across.direction(SOLSTICE_S) == pytest.approx(there.direction(SOLSTICE_S), abs=1e-6)


def test_the_midnight_sun_over_vardo(vardo: Sun) -> None:
    # Polar day: lowest due north at 90 - latitude below the pole's mirror, highest due south.
    times = SOLSTICE_S + np.arange(0, DAY_S, 60)
    altitude, azimuth = vardo.altaz_deg(times)
    low, high = np.argmin(altitude), np.argmax(altitude)
    assert altitude[low] == pytest.approx(70.37 + 23.44 - 90 + 0.17, abs=0.05)
    assert altitude[high] == pytest.approx(90 - 70.37 + 23.44, abs=0.05)
    assert min(azimuth[low], 360 - azimuth[low]) < 0.3
    assert azimuth[high] == pytest.approx(180, abs=0.5)
    # Its daily path runs through the east in the morning.
    assert azimuth[(low + 360) % times.size] == pytest.approx(90, abs=12)


def test_the_southern_sun_stands_north_at_noon_and_rises_in_the_east(airless: Sun) -> None:
    times = SOLSTICE_S + np.arange(0, DAY_S, 60)
    altitude, azimuth = airless.altaz_deg(times)
    noon = np.argmax(altitude)
    assert min(azimuth[noon], 360 - azimuth[noon]) < 0.5
    assert altitude[noon] == pytest.approx(45 - 23.44, abs=0.05)
    rise = np.flatnonzero((altitude[1:] > 0) & (altitude[:-1] <= 0))[0]
    assert 50 < azimuth[rise] < 60
    hour_angle = airless.hour_angle_deg(times)
    assert hour_angle[noon] == pytest.approx(0, abs=0.3)
    assert hour_angle[rise] < 0


def test_hour_angle_grows_by_15_degrees_an_hour(airless: Sun) -> None:
    times = SOLSTICE_S + np.arange(0, 2 * DAY_S, 3600)
    steps = np.diff(airless.hour_angle_deg(times)) % 360
    # Less the growth of the equation of time and, within the day, parallax.
    assert steps == pytest.approx(15, abs=0.004)
    assert steps[:24].mean() == pytest.approx(15 - 13.1 / 240 / 24, abs=1e-4)


@pytest.mark.parametrize("latitude", [90.0, -90.0, 0.0])
def test_poles_and_equator_are_no_exception(latitude: float) -> None:
    sun = Sun(Site(latitude_deg=latitude, longitude_deg=0.0, pressure_hpa=0))
    times = SOLSTICE_S + np.arange(0, DAY_S, 7200)
    altitude, azimuth = sun.altaz_deg(times)
    for values in (altitude, azimuth, sun.hour_angle_deg(times), sun.parallactic_angle_deg(times)):
        assert np.isfinite(values).all()
    if latitude:
        assert altitude == pytest.approx(np.sign(latitude) * sun.declination_deg(times), abs=1e-6)
        assert np.abs(np.diff(azimuth) % 360 - (30 if latitude > 0 else 330)).max() < 0.01


def test_air_lifts_the_sun(vardo: Sun) -> None:
    midnight_s = SOLSTICE_S - 2 * 3600
    apparent, true = vardo.altaz_deg(midnight_s)[0], vardo.true_altitude_deg(midnight_s)
    assert 0.15 < apparent - true < 0.22


def test_the_middle_of_a_low_disc_stands_above_its_centre(vardo: Sun) -> None:
    midnight_s, noon_s = SOLSTICE_S - 2 * 3600, SOLSTICE_S + 10 * 3600
    centre, middle = vardo.direction(midnight_s), vardo.middle_direction(midnight_s)
    assert separation_deg(centre, middle) * 3600 == pytest.approx(1.5, abs=0.1)
    assert middle[2] > centre[2]
    # As the limbs themselves say, each lifted by its own refraction.
    radius = vardo.angular_radius_arcsec(midnight_s) / 3600
    limbs = vardo.true_altitude_deg(midnight_s) + radius * np.array([-1, 1])
    seen = limbs + refraction_deg(limbs, VARDO.pressure_hpa, VARDO.temperature_c)
    assert altaz_deg(middle)[0] == pytest.approx(seen.mean(), abs=0.1 / 3600)
    assert separation_deg(vardo.direction(noon_s), vardo.middle_direction(noon_s)) * 3600 < 0.01
    airless = Sun(AIRLESS)
    assert np.array_equal(airless.middle_direction(noon_s), airless.true_direction(noon_s))


def test_a_sun_can_be_handed_to_another_process(vardo: Sun) -> None:
    again = pickle.loads(pickle.dumps(vardo))
    assert np.array_equal(again.direction(SOLSTICE_S), vardo.direction(SOLSTICE_S))


OFFLINE = """
    import datetime, socket, warnings
    warnings.simplefilter("error")

    def refuse(*args, **kwargs):
        raise AssertionError("tried the network")
    socket.socket.connect = socket.create_connection = socket.getaddrinfo = refuse

    class Frozen(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return cls({year}, 6, 21, 12, tzinfo=tz)
        @classmethod
        def utcnow(cls):
            return cls({year}, 6, 21, 12)
        @classmethod
        def today(cls):
            return cls({year}, 6, 21, 12)
    datetime.datetime = Frozen

    import numpy as np
    from sentinel.core.settings import Site
    from sentinel.sky import Moon, Orientation, Sun
    from sentinel.core.times import DAY_S
    site = Site(latitude_deg=70.37, longitude_deg=31.1)
    sun = Sun(site)
    for year in (1970, 1985, 2026, 2028, 2040):
        start_s = (year - 1970) * 365.2425 * DAY_S + 171 * DAY_S
        altitude = sun.altaz_deg(start_s + np.arange(0, DAY_S, 600))[0]
        assert 3.7 < altitude.min() < 4.1, (year, altitude.min())
        assert 43 < altitude.max() < 43.2, (year, altitude.max())
        assert abs(sun.equation_of_time_s(start_s) + 95) < 30
        assert abs(Orientation(sun).position_angle_deg(start_s) + 7) < 2
        assert np.isfinite(Moon(site).direction(start_s)).all()
    assert datetime.datetime.now().year == {year}
"""


SLOW = pytest.mark.slow


@pytest.mark.parametrize("year", [2028, pytest.param(1970, marks=SLOW), pytest.param(2040, marks=SLOW)])
def test_any_year_without_network_whatever_the_clock_says(year: int) -> None:
    code = textwrap.dedent(OFFLINE).replace("{year}", str(year))
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
