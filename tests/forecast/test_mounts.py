"""What the fit finds out about mounts of every kind, on tracks with known truth."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from sentinel.core.times import utc_s
from sentinel.sky.mount import Tracking
from tests.forecast.sessions import Session
from tests.forecast.watching import watched
from tests.forecasts import axis_of, mount_of

NORTH = Session(
    azimuth_error_deg=0.6, altitude_error_deg=-0.5, watched_h=4, interval_s=120, width_px=9000, height_px=6000
)
SOUTH = replace(
    NORTH, latitude_deg=-72.0, longitude_deg=12.0, start_utc=datetime(2026, 12, 20, 8, tzinfo=UTC)
)
MIDDLE = replace(NORTH, latitude_deg=45.0, longitude_deg=8.0, start_utc=datetime(2026, 5, 3, 7, tzinfo=UTC))
MIDDLE_SOUTH = replace(MIDDLE, latitude_deg=-43.0, start_utc=datetime(2026, 2, 3, 8, tzinfo=UTC))


@pytest.mark.parametrize(
    "session", [NORTH, pytest.param(SOUTH, marks=pytest.mark.slow), MIDDLE, MIDDLE_SOUTH]
)
def test_a_clean_track_gives_axis_roll_and_rate(session: Session) -> None:
    session = replace(session, roll_deg=-20.0, rate_error=1e-4)
    last = watched(session)[-1]
    assert axis_of(last).azimuth_error_deg == pytest.approx(0.6, abs=0.05)
    assert axis_of(last).altitude_error_deg == pytest.approx(-0.5, abs=0.03)
    assert mount_of(last).roll_deg == pytest.approx(-20.0, abs=3.0)
    assert mount_of(last).rate_ratio == pytest.approx(1.0001, abs=3e-4)
    sigmas = axis_of(last).fit_sigma_deg
    assert sigmas is not None
    assert sigmas[1] < 0.1


@pytest.mark.slow
@pytest.mark.parametrize("roll_deg", [90.0, 215.0])
def test_any_roll_is_found_in_time(roll_deg: float) -> None:
    session = replace(MIDDLE, roll_deg=roll_deg, worm_arcsec=15, wind_arcsec=2, watched_h=6)
    last = watched(session)[-1]
    assert (mount_of(last).roll_deg - roll_deg + 180) % 360 - 180 == pytest.approx(0, abs=3.0)
    assert axis_of(last).altitude_error_deg == pytest.approx(-0.5, abs=0.05)


def test_a_drive_left_on_the_star_rate_is_recognised() -> None:
    session = replace(NORTH, true_tracking="sidereal", worm_arcsec=10, wind_arcsec=2, watched_h=5)
    last = watched(session)[-1]
    assert mount_of(last).rate_ratio == pytest.approx(1.00274, abs=3e-4)
    assert "rate" in last.flags
    assert "sidereal" in last.basis


def test_a_drive_left_on_what_some_call_the_moon_rate_is_recognised() -> None:
    """Some drives call 14.685 arcsec/s lunar (common practice, no source): 7.5 degrees a day from the sun."""
    session = replace(NORTH, rate_error=14.685 / 15 - 1, wind_arcsec=2, watched_h=1.5, interval_s=60)
    session = replace(session, width_px=20_000, height_px=20_000)
    last = watched(session)[-1]
    assert mount_of(last).rate_ratio == pytest.approx(14.685 / 15, abs=3e-4)
    assert "lunar" in last.basis
    true = session.true_exit_s(1.5) - utc_s(last.time_utc)
    assert last.exit.safe_utc is not None
    assert 0.7 * true < utc_s(last.exit.safe_utc) - utc_s(last.time_utc) < true


@pytest.mark.slow
def test_a_drive_told_to_run_on_the_moon_rate_is_followed() -> None:
    session = replace(NORTH, tracking="lunar", width_px=20_000, height_px=20_000, wind_arcsec=2)
    last = watched(session)[-1]
    assert mount_of(last).rate_ratio == pytest.approx(14.492 / 15, abs=3e-4)
    assert "rate" not in last.flags


@pytest.mark.parametrize("told", ["none", "solar"])
def test_a_fixed_tripod_loses_the_sun_when_it_is_said_to(told: Tracking) -> None:
    session = Session(true_tracking="none", tracking=told, interval_s=10, watched_h=0.08, wind_arcsec=2)
    last = watched(session)[-1]
    assert last.exit.median_utc is not None
    assert utc_s(last.exit.median_utc) == pytest.approx(session.true_exit_s(0.0), abs=6)
    assert mount_of(last).rate_ratio == 0.0
    assert mount_of(last).axis is None


def test_low_sun_makes_the_interval_wider_and_says_so() -> None:
    high = Session(
        latitude_deg=74.0, altitude_error_deg=0.2, watched_h=0.3, wind_arcsec=2, focal_length_mm=700
    )
    low = replace(high, latitude_deg=67.5)
    assert "low-sun" not in watched(high)[-1].flags
    last = watched(low)[-1]
    assert "low-sun" in last.flags
    # It is low at midnight, not now.
    assert last.pointing is not None
    assert last.pointing.sun_altitude_deg > 3
    assert "low sun within 12 h: refraction is then uncertain" in last.basis
