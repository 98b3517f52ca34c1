"""What the eye may know before it looks."""

from dataclasses import replace
from datetime import UTC, datetime
from math import isnan

import pytest

from sentinel.chain.intake.session_discs import COLOUR_KEPT, ENOUGH, LENS_SHARE, SESSION_SHARE, SessionDiscs
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.solar_size import YEAR_ARCSEC, solar_radius_arcsec
from sentinel.core.times import utc_s
from sentinel.sky import Sun

JUNE = datetime(2027, 6, 21, 12, tzinfo=UTC)


def frame(radius_px: float, *, coverage: float = 1.0, x_px: float = 500.0) -> MeasuredFrame:
    disc = Disc(found=True, x_px=x_px, y_px=400.0, radius_px=radius_px, limb_coverage=coverage)
    return MeasuredFrame(frame="a", time_utc=JUNE, width_px=3000, height_px=2000, disc=disc)


@pytest.mark.parametrize("month", range(1, 13))
def test_the_short_formula_agrees_with_the_ephemeris(month: int) -> None:
    sun = Sun(Site(latitude_deg=70.0, longitude_deg=31.0))
    for year in (1975, 2027, 2039):
        time_s = utc_s(datetime(year, month, 3, 5, tzinfo=UTC))
        assert solar_radius_arcsec(time_s) == pytest.approx(
            float(sun.angular_radius_arcsec(time_s)), rel=5e-4
        )


def test_before_any_disc_lens_and_date_say_the_size() -> None:
    expected = SessionDiscs(2.0).prior.expected(JUNE)
    assert expected.radius_px == pytest.approx(944.2 / 2, rel=1e-3)  # aphelion is two weeks away
    assert expected.share == LENS_SHARE
    assert expected.place_px is None


def test_the_session_s_own_discs_outweigh_the_settings() -> None:
    session_discs = SessionDiscs(2.0)
    for _ in range(ENOUGH):
        session_discs.learn(frame(660.0))
    expected = session_discs.prior.expected(JUNE)
    assert expected.radius_px == pytest.approx(660.0)
    assert expected.share == SESSION_SHARE
    assert expected.place_px == (500.0, 400.0)


def test_half_hidden_and_missing_discs_teach_nothing() -> None:
    session_discs = SessionDiscs(2.0)
    for _ in range(ENOUGH):
        session_discs.learn(frame(660.0, coverage=0.4))
        session_discs.learn(
            MeasuredFrame(frame="b", time_utc=JUNE, width_px=3000, height_px=2000, disc=Disc(found=False))
        )
    # As text: no number is like none, and Python 3.13 takes records apart to compare them.
    assert repr(session_discs.prior) == repr(SessionDiscs(2.0).prior)


def test_colours_are_remembered_for_a_while_and_then_looked_at_anew() -> None:
    session_discs = SessionDiscs(2.0)
    plain = frame(470.0)
    session_discs.learn(replace(plain, disc=replace(plain.disc, limb_coverage=0.2, channel_ratio=1.7)))
    for _ in range(COLOUR_KEPT - 1):
        session_discs.learn(plain)
    assert session_discs.prior.expected(JUNE).channel_ratio == 1.7
    session_discs.learn(plain)
    assert isnan(session_discs.prior.expected(JUNE).channel_ratio)


def test_on_squares_of_sensor_pixels_size_and_place_shrink() -> None:
    session_discs = SessionDiscs(2.0)
    session_discs.learn(frame(470.0, x_px=500.5))
    half = session_discs.prior.expected(JUNE, step=2)
    assert half.radius_px == pytest.approx(session_discs.prior.expected(JUNE).radius_px / 2)
    assert half.place_px == (250.0, 199.75)


def test_the_year_s_radii_are_the_least_and_the_most_of_its_days() -> None:
    radii = [solar_radius_arcsec(1_800_000_000.0 + day * 86_400) for day in range(366)]
    assert (min(radii), max(radii)) == pytest.approx(YEAR_ARCSEC, rel=1e-5)
