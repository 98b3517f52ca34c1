"""The tabulated edge against a disc blurred by brute force."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from sentinel.chain.measure.edge import NECKEL_LABS_550, darkening, profile


def blurred_disc(radius: float, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Distance from the limb and light of every pixel of a blurred disc, drawn four times too large."""
    scale = 4
    size = int((radius + 6 * sigma) * 2) * scale
    axis = (np.arange(size) - (size - 1) / 2) / scale
    r = np.hypot(axis[:, None], axis[None, :])
    mu = np.sqrt(np.clip(1 - (r / radius) ** 2, 0, 1))
    light = gaussian_filter(np.where(r < radius, darkening(mu)[..., 0], 0), sigma * scale, truncate=6)
    return r - radius, light


@pytest.mark.parametrize(("radius", "sigma"), [(60.0, 1.0), (60.0, 3.0), (30.0, 1.5)])
def test_the_profile_is_that_of_a_disc_blurred_in_two_dimensions(radius: float, sigma: float) -> None:
    distance, light = blurred_disc(radius, sigma)
    table = profile(radius, sigma, 0.5 * radius, 5 * sigma)
    near = np.abs(distance) < 4 * sigma
    model = np.interp(distance[near], table.distance_px, table.value[:, 0])
    # The drawn disc has stairs for an edge; they scatter about the profile.
    assert np.sqrt(np.mean((model - light[near]) ** 2)) < 0.0015
    assert abs(np.mean(model - light[near])) < 0.0007


def test_slope_and_blur_columns_are_derivatives_of_the_value() -> None:
    table = profile(200.0, 2.0, 60.0, 12.0)
    dense = table.distance_px > -15
    slope = np.gradient(table.value[:, 0], table.distance_px)
    assert np.abs(slope - table.slope[:, 0])[dense].max() < 2e-3
    wider, narrower = (profile(200.0, 2.0 * np.exp(d), 60.0, 12.0) for d in (0.04, -0.04))
    at = np.linspace(-10, 8, 50)
    change = (
        np.interp(at, wider.distance_px, wider.value[:, 0])
        - np.interp(at, narrower.distance_px, narrower.value[:, 0])
    ) / 0.08
    assert np.abs(change - np.interp(at, table.distance_px, table.per_log_sigma[:, 0])).max() < 2e-3


def test_the_law_is_one_at_the_centre_and_the_variations_pivot_near_the_limb() -> None:
    centre, pivot = darkening(np.array([1.0, 0.25]))
    assert centre[0] == pytest.approx(1.0)
    assert sum(NECKEL_LABS_550) == pytest.approx(1.0, abs=1e-3)
    assert abs(pivot[1]) < 0.02
    assert abs(pivot[2]) < 0.02
