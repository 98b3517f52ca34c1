"""The moon and what it covers of the sun."""

import numpy as np
import pytest

from sentinel.core.settings import Site
from sentinel.core.times import DAY_S, parse_utc, utc_s
from sentinel.sky import Eclipses, Moon, Sun
from sentinel.sky.moon import _overlap_area


def at(text: str) -> float:
    return utc_s(parse_utc(text))


@pytest.fixture(scope="module")
def leon() -> Eclipses:
    return Eclipses(Sun(Site(latitude_deg=42.6, longitude_deg=-5.57, elevation_m=840)))


def test_the_area_common_to_two_circles_has_the_right_limits() -> None:
    one = np.array(1.0)
    assert _overlap_area(one, one, np.array(0.0)) == pytest.approx(np.pi, rel=1e-6)
    assert _overlap_area(one, one, np.array(2.0)) == pytest.approx(0, abs=1e-6)
    assert _overlap_area(one, one, np.array(9.0)) == pytest.approx(0, abs=1e-6)
    assert _overlap_area(one, 0.3 * one, np.array(0.1)) == pytest.approx(0.09 * np.pi, rel=1e-6)
    assert _overlap_area(0.3 * one, one, np.array(0.1)) == pytest.approx(0.09 * np.pi, rel=1e-6)
    # Two equal circles through each other's centres: 2 pi / 3 - sqrt(3) / 2.
    assert _overlap_area(one, one, one) == pytest.approx(2 * np.pi / 3 - np.sqrt(3) / 2, rel=1e-9)


def test_a_total_eclipse_runs_through_its_contacts_in_order(leon: Eclipses) -> None:
    (eclipse,) = leon.between(at("2026-08-12T00:00:00Z"), at("2026-08-13T00:00:00Z"))
    assert eclipse.total
    assert eclipse.central is not None
    second, third = eclipse.central
    assert eclipse.first_contact_s < second < eclipse.maximum_s < third < eclipse.last_contact_s
    assert 60 < third - second < 150
    assert eclipse.covered_diameter == pytest.approx(1, abs=1e-9)
    assert eclipse.obscuration == pytest.approx(1, abs=1e-9)
    assert 5 < eclipse.altitude_deg < 15
    ends = np.array([eclipse.first_contact_s, eclipse.last_contact_s])
    assert leon.covered_diameter(ends) == pytest.approx(0, abs=1e-4)
    times = np.linspace(eclipse.first_contact_s, second, 50)
    assert (np.diff(leon.obscuration(times)) > 0).all()
    # Early and late in the eclipse the area covered is less than the diameter's share.
    assert leon.obscuration(times[10]) < leon.covered_diameter(times[10])


def test_it_is_found_from_within_it_and_not_on_other_days(leon: Eclipses) -> None:
    middle = at("2026-08-12T18:30:00Z")
    assert len(leon.between(middle, middle + 60)) == 1
    assert leon.between(at("2026-08-14T00:00:00Z"), at("2026-08-20T00:00:00Z")) == ()


def test_elsewhere_it_is_partial() -> None:
    north = Eclipses(Sun(Site(latitude_deg=70.37, longitude_deg=31.1)))
    (eclipse,) = north.between(at("2026-08-12T12:00:00Z"), at("2026-08-12T20:00:00Z"))
    assert eclipse.central is None
    assert not eclipse.total
    assert 0.7 < eclipse.obscuration < eclipse.covered_diameter < 0.95


def test_an_annular_eclipse_leaves_a_ring() -> None:
    ring = Eclipses(Sun(Site(latitude_deg=39.53, longitude_deg=-119.81)))
    (eclipse,) = ring.between(at("2012-05-20T22:00:00Z"), at("2012-05-21T03:00:00Z"))
    assert eclipse.central is not None
    assert not eclipse.total
    # Diameter covered is the moon's over the sun's, area its square.
    assert 0.92 < eclipse.covered_diameter < 0.97
    assert eclipse.obscuration == pytest.approx(eclipse.covered_diameter**2, abs=1e-3)


def test_the_moon_moves_and_is_as_large_as_it_should_be() -> None:
    moon = Moon(Site(latitude_deg=0.0, longitude_deg=0.0))
    times = at("2026-01-01T00:00:00Z") + np.arange(0, 28 * DAY_S, 2 * DAY_S)
    radius = moon.angular_radius_arcsec(times)
    assert 870 < radius.min() < 910
    assert 985 < radius.max() < 1025
    assert np.linalg.norm(moon.direction(times), axis=-1) == pytest.approx(1)
