"""The fit's parts: which rolls are counted, and which are kept in mind."""

from datetime import timedelta
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy.special import i0e

from sentinel.chain.following import Following
from sentinel.chain.forecast.fit import Solved, roll_grid
from sentinel.chain.forecast.geometry import NO_SLOW_CHANGE, Geometry, Points
from sentinel.chain.forecast.roll_prior import USUAL_ROLLS, RollPrior
from sentinel.chain.track import Context
from sentinel.sky import refraction_sigma_deg
from sentinel.sky.mount import separation_deg
from tests.forecast.sessions import Session, random_session
from tests.forecast.watching import feed
from tests.forecasts import axis_of


def about_roll(roll_rad: float, sharpness: float, cells: int) -> Solved:
    """A posterior that knows nothing but the roll, seen from several cells."""
    wave = np.zeros((1, cells, 3, 3))
    wave[:, :, 0, 2] = wave[:, :, 2, 0] = -sharpness * np.cos(roll_rad)
    wave[:, :, 1, 2] = wave[:, :, 2, 1] = -sharpness * np.sin(roll_rad)
    wave[:, :, 2, 2] = 2 * sharpness
    empty = np.zeros((1, cells, 0, 0))
    log_norm = np.zeros((1, cells))
    return Solved(
        USUAL_ROLLS, np.zeros(1, dtype=np.intp), empty, empty, wave, log_norm, empty, np.zeros((1, 2, 2))
    )


@pytest.mark.parametrize("roll_deg", [0.0, 12.0, 14.9, 15.0, 17.0])
def test_a_roll_between_two_cells_is_counted_once(roll_deg: float) -> None:
    sharpness, roll = 3000.0, np.radians(roll_deg)
    solved = about_roll(float(roll), sharpness, 2)
    log = roll_grid(solved, np.radians([0.0, 30.0]), np.radians([15.0, 15.0]))[1]
    expected = np.exp(USUAL_ROLLS.log(np.array(roll))) * np.sqrt(2 * np.pi / sharpness)
    assert np.exp(log).sum() == pytest.approx(expected, rel=0.08)


def test_the_true_roll_and_rate_stay_in_mind_while_a_quiet_hour_speaks_against_them() -> None:
    # For an hour its slow flexure looks like a drive on the star rate, then like what it is.
    session = random_session(6, watched_h=1.6, rolls="any")
    forecaster = Following(Context(session.settings, session.sun))
    feed(forecaster, session.frames())
    points = forecaster.forecaster._estimator._nodes.points
    off = np.abs((np.degrees(points.roll_rad) - session.roll_deg + 180) % 360 - 180)
    assert ((off < 15) & (points.base_arcsec_s == 15.0)).any()


@pytest.mark.parametrize("minutes", [420, 760])
def test_two_discs_before_a_long_night_of_cloud_rule_nothing_out(minutes: int) -> None:
    session = Session(watched_h=13, altitude_error_deg=0.1)
    frames = session.frames()
    forecaster = Following(Context(session.settings, session.sun))
    forecasts = feed(forecaster, frames[:2] + frames[minutes : minutes + 4])
    assert forecasts[-1].time_utc >= frames[0].time_utc + timedelta(minutes=minutes)
    assert axis_of(forecasts[-1]).altitude_error_deg == pytest.approx(0.1, abs=0.5)


def test_the_sun_is_followed_at_the_middle_between_its_limbs() -> None:
    session = Session(latitude_deg=67.5)
    geometry = Geometry(session.sun.site, session.sun)
    low_s = session.start_s + 9.5 * 3600 + np.arange(0, 3600, 600.0)
    aims = geometry.aims(low_s, float(low_s[0]))
    altitude = session.sun.altaz_deg(low_s)[0]
    assert altitude.max() < 3
    assert np.array_equal(aims.direction, session.sun.middle_direction(low_s))
    sigma = np.degrees(np.linalg.norm(aims.air, axis=1))
    assert sigma == pytest.approx(refraction_sigma_deg(altitude, 1010, 5), rel=0.01)
    # What the air may do it does along the vertical.
    lifted = aims.direction + aims.air
    lifted /= np.linalg.norm(lifted, axis=1, keepdims=True)
    assert separation_deg(aims.direction, lifted) == pytest.approx(sigma, rel=1e-3)
    zero, pose = np.zeros(1), np.zeros((1, 1))
    points = Points(zero, zero, zero, zero, zero, low_s[:1], pose, pose, NO_SLOW_CHANGE)
    assert geometry.linear(aims, np.zeros(6, dtype=np.intp), points)[0].shape == (1, 6, 2)


@pytest.mark.parametrize("sharpness", [0.0, 6.0, 299.0, 301.0, 1e5])
def test_how_rolls_are_spread_beforehand_adds_up_to_one(sharpness: float) -> None:
    """Against SciPy's Bessel function, and by adding it up over the circle."""
    prior = RollPrior(np.array([[0.9]]), np.array([[0.3]]), np.array([[sharpness]]))
    rolls = np.linspace(0, 2 * np.pi, 200_001)[None, :-1]
    density = np.exp(prior.log(rolls))[0]
    assert density.mean() * 2 * np.pi == pytest.approx(1, abs=1e-7)
    top = 0.9 / (2 * np.pi * i0e(sharpness)) + 0.1 / (2 * np.pi)
    assert np.exp(prior.log(np.array([[0.3]])))[0, 0] == pytest.approx(top, rel=1e-7)


@pytest.mark.parametrize("sigma_rad", [2e-4, 1e-3, 5e-3, 0.02, 0.1])
@pytest.mark.parametrize("height", [-40.0, 0.0, 40.0])
def test_rolls_are_looked_at_where_they_are_likely_however_narrow_that_is(
    sigma_rad: float, height: float
) -> None:
    """The weights add up to the integral of a Gaussian in the cell, and tell its middle and width."""
    middle_rad = 0.37
    solved = SimpleNamespace(log_density=lambda rolls: height - 0.5 * ((rolls - middle_rad) / sigma_rad) ** 2)
    centre, half = np.array([0.3]), np.array([0.5])
    rolls, log_weight = roll_grid(cast(Solved, solved), centre, half)
    weight = np.exp(log_weight - height)
    assert weight.sum() == pytest.approx(sigma_rad * np.sqrt(2 * np.pi), rel=0.01)
    mean = (rolls * weight).sum() / weight.sum()
    assert mean == pytest.approx(middle_rad, abs=0.02 * sigma_rad)
    assert np.sqrt(((rolls - mean) ** 2 * weight).sum() / weight.sum()) == pytest.approx(sigma_rad, rel=0.02)
