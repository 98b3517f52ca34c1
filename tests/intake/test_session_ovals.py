"""How flat the coming disc will be: foretold from discs that another hand flattened, on a sky that turns."""

import warnings
from datetime import UTC, datetime, timedelta
from math import nan

import numpy as np
import pytest
from skyfield.api import Loader, wgs84
from skyfield_data import get_skyfield_data_path

from sentinel.chain.intake.disc_prior import OvalAhead
from sentinel.chain.intake.session_discs import SessionDiscs
from sentinel.chain.intake.session_ovals import AHEAD_H, ENOUGH, KEPT, WHOLE, SessionOvals, air_over
from sentinel.chain.measure import KnownOval
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Settings
from sentinel.core.times import utc_s
from tests.report.sessions import settings as some_settings

START = datetime(2027, 6, 20, 20, tzinfo=UTC)
RADIUS_PX, SIGMA_PX = 80.0, 0.05


def settings(**mount: object) -> Settings:
    site = {"latitude_deg": 70.0, "longitude_deg": 31.0, "pressure_hpa": 1010.0, "temperature_c": 5.0}
    return some_settings(site=site, mount=mount)


def frame(at: datetime, oval: complex, *, coverage: float = 1.0, sigma_px: float = SIGMA_PX) -> MeasuredFrame:
    """A disc whose oval is so much of its radius."""
    disc = Disc(
        found=True, x_px=500.0, y_px=400.0, radius_px=RADIUS_PX, limb_coverage=coverage,
        oval_cos2_px=oval.real * RADIUS_PX, oval_sin2_px=oval.imag * RADIUS_PX, oval_sigma_px=sigma_px,
    )  # fmt: skip
    return MeasuredFrame(frame="a", time_utc=at, width_px=1500, height_px=1000, disc=disc)


def minutes(count: int, step: int = 1) -> list[datetime]:
    return [START + timedelta(minutes=step * k) for k in range(count)]


def seen(ovals: SessionOvals, times: list[datetime], shape: list[complex], seed: int = 1) -> None:
    rng = np.random.default_rng(seed)
    for at, oval in zip(times, shape, strict=True):
        noise = complex(*rng.normal(0, SIGMA_PX / RADIUS_PX, 2))
        ovals.learn(frame(at, oval + noise))


def away(ahead: OvalAhead | None, at: datetime, oval: complex) -> tuple[float, float]:
    """Return how far the foretold oval is from the true one, px, and what it is said to be off."""
    assert ahead is not None
    known = ahead.at(utc_s(at), RADIUS_PX)
    assert known is not None
    return abs(complex(*known.px) - oval * RADIUS_PX), known.sd_px


def sky_above(times: list[datetime]) -> tuple[list[float], list[float]]:
    """Altitude and the zenith's direction at the sun from north through east, by another library, degrees."""
    with warnings.catch_warnings():
        # The package warns that its Earth-rotation file grows old; only its ephemeris is used here.
        warnings.simplefilter("ignore", RuntimeWarning)
        load = Loader(get_skyfield_data_path(), verbose=False)
    planets, scale = load("de421.bsp"), load.timescale(builtin=True)
    place = planets["earth"] + wgs84.latlon(70.0, 31.0)
    altitudes, turns = [], []
    for at in times:
        apparent = place.at(scale.from_datetime(at)).observe(planets["sun"]).apparent()
        altitude, _, _ = apparent.altaz(temperature_C=5.0, pressure_mbar=1010.0)
        hour, declination, _ = apparent.hadec()
        h, d, f = hour.radians, declination.radians, np.radians(70.0)
        turns.append(float(np.degrees(np.arctan2(np.sin(h), np.tan(f) * np.cos(d) - np.sin(d) * np.cos(h)))))
        altitudes.append(float(altitude.degrees))
    planets.close()
    return altitudes, turns


def bennett_flat(altitude_deg: float) -> float:
    """Half the share by which the disc is shortened: Bennett 1982 (J. Navigation 35, 255), limb to limb."""

    def lift(apparent_deg: float) -> float:
        return float(1 / 60 / np.tan(np.radians(apparent_deg + 7.31 / (apparent_deg + 4.4))))

    half = 0.2625
    return float((lift(altitude_deg - half) - lift(altitude_deg + half)) / (4 * half))


def drawn(times: list[datetime], roll_deg: float, *, turns: bool = True) -> list[complex]:
    """What another almanac and another formula of refraction make of a midnight sun."""
    altitudes, zenith_deg = sky_above(times)
    shapes = []
    for altitude_deg, from_north_deg in zip(altitudes, zenith_deg, strict=True):
        # Down is +y: counter-clockwise angles count negative.
        upward_rad = np.radians(roll_deg - (from_north_deg if turns else 0.0))
        shapes.append(-bennett_flat(altitude_deg) * np.exp(2j * upward_rad))
    return shapes


@pytest.mark.parametrize("roll_deg", [0.0, 63.0, 200.0])
@pytest.mark.parametrize("drive", ["solar", "none"])
def test_a_midnight_sun_two_hours_on_is_as_flat_as_foretold(roll_deg: float, drive: str) -> None:
    times = [*minutes(15), START + timedelta(hours=1), START + timedelta(hours=2)]
    shape = drawn(times, roll_deg, turns=drive == "solar")
    ovals = SessionOvals(air_over(settings(tracking=drive)))
    seen(ovals, times[:15], shape[:15])
    for at, oval in zip(times[15:], shape[15:], strict=True):
        off_px, said_px = away(ovals.ahead(), at, oval)
        assert off_px < 0.15  # of 1.2 px; 0.6 to 1.0 were they taken for what they were
        assert off_px < 2 * said_px < 1.5
        if drive == "solar":
            assert off_px < 0.5 * abs(oval - shape[14]) * RADIUS_PX


def test_doubt_grows_with_time_and_ends_in_silence() -> None:
    ovals = SessionOvals(air_over(settings()))
    seen(ovals, minutes(15), drawn(minutes(15), 20.0))
    ahead = ovals.ahead()
    said = [away(ahead, START + timedelta(minutes=m), 0j)[1] for m in (16, 45, 90, 150)]
    assert said == sorted(said)
    assert said[-1] > 5 * said[0]
    assert ahead is not None
    assert ahead.at(utc_s(START) + (AHEAD_H + 1) * 3600, RADIUS_PX) is None
    assert ahead.at(utc_s(START) - 60, RADIUS_PX) is None


def test_too_little_seen_foretells_nothing() -> None:
    ovals = SessionOvals(air_over(settings()))
    times = minutes(40)
    shape = drawn(times, 0.0)
    for at, oval in zip(times, shape, strict=True):
        ovals.learn(frame(at, oval, coverage=WHOLE - 0.01))
        ovals.learn(frame(at, oval, sigma_px=nan))
        ovals.learn(MeasuredFrame(frame="b", time_utc=at, width_px=9, height_px=9, disc=Disc(found=False)))
    seen(ovals, times[: ENOUGH - 1], shape[: ENOUGH - 1])
    assert ovals.ahead() is None
    seen(ovals, times[ENOUGH - 1 : ENOUGH], shape[ENOUGH - 1 : ENOUGH])
    assert ovals.ahead() is not None


def test_a_camera_that_was_turned_widens_the_doubt_until_its_own_discs_tell() -> None:
    ovals = SessionOvals(air_over(settings()))
    times = minutes(15 + KEPT)
    before, after = drawn(times, 0.0), drawn(times, 70.0)
    seen(ovals, times[:15], before[:15])
    sure = away(ovals.ahead(), times[15], before[15])[1]
    for k in range(KEPT):
        seen(ovals, times[15 + k : 16 + k], after[15 + k : 16 + k], seed=k)
        off_px, said_px = away(ovals.ahead(), times[15 + k], after[15 + k])
        assert off_px < 4 * said_px
    assert off_px < 0.1
    assert said_px < 2 * sure


def test_a_place_on_the_other_side_of_the_world_is_doubted_within_half_an_hour_as_much_as_it_errs() -> None:
    """The settings may be wrong: there the sun is climbing to noon."""
    wrong = settings()
    wrong = wrong.model_copy(
        update={"site": wrong.site.model_copy(update={"latitude_deg": -60.0, "longitude_deg": -149.0})}
    )
    ovals = SessionOvals(air_over(wrong))
    times = minutes(60)
    shape = drawn(times, 35.0)
    seen(ovals, times[:15], shape[:15])
    for k in (16, 30):
        off_px, said_px = away(ovals.ahead(), times[k], shape[k])
        assert off_px < 4 * said_px


def test_on_squares_of_sensor_pixels_the_oval_shrinks_with_the_disc() -> None:
    discs = SessionDiscs.of(settings())
    for at, oval in zip(minutes(15), drawn(minutes(15), 0.0), strict=True):
        discs.learn(frame(at, oval))
    one, two = (discs.prior.expected(START + timedelta(minutes=20), step).oval for step in (1, 2))
    assert isinstance(one, KnownOval)
    assert isinstance(two, KnownOval)
    assert np.allclose(np.divide(one.px, two.px), 2.0)
    assert one.sd_px == pytest.approx(2 * two.sd_px)


def test_what_is_foretold_is_what_the_discs_of_a_session_teach() -> None:
    discs = SessionDiscs.of(settings())
    before = discs.prior
    for at, oval in zip(minutes(15), drawn(minutes(15), 0.0), strict=True):
        discs.learn(frame(at, oval))
    after = discs.prior
    assert before.oval is None
    assert before.expected(START).oval is None
    assert after.oval is not None
    assert after.expected(START).oval == after.oval.at(utc_s(START), after.expected(START).radius_px)
