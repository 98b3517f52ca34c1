"""Refraction as nature has it: monotone, gentle below the horizon, undone by its inverse."""

import numpy as np
import pytest

from sentinel.sky import (
    disc_axes,
    flattening,
    refraction_deg,
    refraction_sigma_deg,
    true_altitude_deg,
    unit_vector,
)
from sentinel.sky.refraction import lifted
from sentinel.sky.sun import altaz_deg

ALL_ALTITUDES = np.linspace(-90, 90, 36_001)
WEATHER = [(1010.0, 10.0), (1085.0, -50.0), (820.0, 11.0), (500.0, 30.0)]


@pytest.mark.parametrize(("pressure", "temperature"), WEATHER)
def test_nothing_explodes_from_nadir_to_zenith(pressure: float, temperature: float) -> None:
    lift = refraction_deg(ALL_ALTITUDES, pressure, temperature)
    assert np.isfinite(lift).all()
    assert lift.max() < 1.1
    assert lift.min() > -0.001
    # What is higher is seen higher: the sun's path is never folded.
    assert (np.diff(ALL_ALTITUDES + lift) > 0).all()
    # No kink, at the seam below the horizon or elsewhere: halve the step, and the change of slope halves.
    fine = refraction_deg(np.linspace(-3, 0, 12_001), pressure, temperature)
    coarse_kink, fine_kink = (np.abs(np.diff(lifts, 2)).max() for lifts in (fine[::2], fine))
    assert fine_kink < 0.3 * coarse_kink


@pytest.mark.parametrize(("pressure", "temperature"), WEATHER)
def test_the_inverse_undoes_it(pressure: float, temperature: float) -> None:
    true = true_altitude_deg(ALL_ALTITUDES, pressure, temperature)
    back = true + refraction_deg(true, pressure, temperature)
    assert np.abs(back - ALL_ALTITUDES).max() < 1e-6


def test_without_air_there_is_none() -> None:
    assert (refraction_deg(ALL_ALTITUDES, 0, 10) == 0).all()
    assert true_altitude_deg(3.0, 0, 10) == 3.0
    assert flattening(0.0, 0, 10) == 1.0
    assert refraction_sigma_deg(0.0, 0, 10) == 0.0


def test_it_grows_with_pressure_and_cold() -> None:
    assert refraction_deg(1.0, 1030, 10) > refraction_deg(1.0, 1000, 10)
    assert refraction_deg(1.0, 1010, -30) > refraction_deg(1.0, 1010, 20)
    assert refraction_deg(5.0, 505, 10) == pytest.approx(refraction_deg(5.0, 1010, 10) / 2)


def test_shapes_are_kept() -> None:
    assert np.shape(refraction_deg(5.0)) == ()
    assert refraction_deg(np.zeros((2, 3))).shape == (2, 3)
    assert true_altitude_deg(np.zeros((2, 3))).shape == (2, 3)
    assert flattening(np.zeros((2, 3))).shape == (2, 3)


def test_a_direction_is_lifted_straight_up() -> None:
    altitude, azimuth = np.meshgrid([-30.0, -1.0, 0.0, 4.0, 45.0, 89.0], [0.0, 100.0, 359.0])
    seen_altitude, seen_azimuth = altaz_deg(lifted(unit_vector(altitude, azimuth), 1010, 10))
    assert seen_altitude == pytest.approx(altitude + refraction_deg(altitude), abs=1e-9)
    assert seen_azimuth == pytest.approx(azimuth, abs=1e-9)
    seen = lifted(np.array([0.0, 0.0, 1.0]), 1010, 10)
    assert np.linalg.norm(seen) == pytest.approx(1, abs=1e-12)
    assert seen[2] == pytest.approx(1, abs=1e-9)


def test_the_disc_is_rounder_the_higher_it_stands() -> None:
    ratios = flattening(np.linspace(0.3, 60, 500))
    assert (np.diff(ratios) > 0).all()
    assert 0.8 < ratios[0] < 0.87
    assert ratios[-1] == pytest.approx(1, abs=1e-4)
    vertical, horizontal = disc_axes(np.array([10.0, 30.0, 60.0]))
    assert (vertical < 1).all()
    # Verticals draw together by the refraction constant, 0.03 %, at any altitude but the lowest.
    assert horizontal == pytest.approx(0.9997, abs=5e-5)


def test_trust_ends_near_the_horizon() -> None:
    arcmin = refraction_sigma_deg(np.array([0.0, 1.0, 2.0, 4.0, 10.0, 45.0])) * 60
    assert (np.diff(arcmin) < 0).all()
    assert 8 < arcmin[0] < 12
    assert arcmin[1] > 1
    assert arcmin[3] < 0.3
    assert arcmin[5] < 0.02
