"""How the disc is turned, against constructions of its own."""

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, parse_utc, utc_s
from sentinel.sky import Orientation, Sun, parallactic_angle_deg, unit_vector

NEW_YEAR_S = utc_s(parse_utc("2026-01-01T00:00:00Z"))


@pytest.fixture(scope="module")
def orientation() -> Orientation:
    return Orientation(Sun(Site(latitude_deg=70.0, longitude_deg=0.0)))


def test_the_year_round(orientation: Orientation) -> None:
    times = NEW_YEAR_S + np.arange(0, 366, 6) * DAY_S
    p = orientation.position_angle_deg(times)
    b = orientation.central_latitude_deg(times)
    assert p.max() == pytest.approx(26.3, abs=0.1)
    assert p.min() == pytest.approx(-26.3, abs=0.1)
    assert b.max() == pytest.approx(7.25, abs=0.02)
    assert b.min() == pytest.approx(-7.25, abs=0.02)
    assert times[np.argmax(b)] == pytest.approx(utc_s(parse_utc("2026-09-08T00:00:00Z")), abs=4 * DAY_S)


def test_carrington_longitude_falls_by_13_degrees_a_day_through_every_midnight(
    orientation: Orientation,
) -> None:
    times = NEW_YEAR_S + np.arange(0, 30 * DAY_S, DAY_S / 24)
    longitude = orientation.central_longitude_deg(times)
    assert (longitude >= 0).all()
    assert (longitude < 360).all()
    assert -np.diff(longitude) % 360 * 24 == pytest.approx(13.2, abs=0.1)


@pytest.mark.parametrize("latitude", [70.0, -35.0, 0.0, 90.0])
def test_the_parallactic_angle_is_the_angle_at_the_sun_between_pole_and_zenith(latitude: float) -> None:
    sun = Sun(Site(latitude_deg=latitude, longitude_deg=12.0, pressure_hpa=0))
    times = NEW_YEAR_S + np.arange(0, DAY_S, 3000)
    s = sun.true_direction(times)
    pole = unit_vector(latitude, 0.0)
    east, zenith = np.cross(pole, s), np.array([0.0, 0.0, 1.0])
    north = np.cross(s, east)
    expected = np.degrees(np.arctan2(east @ zenith, north @ zenith))
    assert (sun.parallactic_angle_deg(times) - expected + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)


def test_the_zenith_swings_as_at_the_latitude() -> None:
    # Greatest where sin q = cos(latitude) / cos(declination): 21.9 degrees at 70, 50.4 at 45, at midsummer.
    hour_angles = np.linspace(-180, 180, 3601)
    assert parallactic_angle_deg(hour_angles, 23.44, 70.0).max() == pytest.approx(21.9, abs=0.1)
    assert parallactic_angle_deg(hour_angles[900:2700], 23.44, 45.0).max() == pytest.approx(50.4, abs=0.1)


def test_solar_north_in_a_level_picture_of_a_noon_sun(orientation: Orientation) -> None:
    noon_s = utc_s(parse_utc("2026-04-07T12:02:00Z"))
    p = orientation.position_angle_deg(noon_s)
    assert orientation.north_from_vertical_deg(noon_s) == pytest.approx(p, abs=0.3)
    # P is -26: solar north leans to the west, which is on the right: clockwise.
    assert orientation.north_in_picture_deg(noon_s, 0.0) == pytest.approx(26.2, abs=0.3)
    assert orientation.north_in_picture_deg(noon_s, 170.0) == pytest.approx(-163.8, abs=0.3)
