"""Dark blobs on discs drawn here by formula: another renderer than the simulator's."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from sentinel.jobs.spots.blobs import DarkBlob, dark_blobs

Light = NDArray[np.float32]


def disc(
    radius: float,
    *blobs: tuple[float, float, float, float],
    middle: tuple[float, float] = (0.31, -0.22),
    squeeze: float = 1.0,
    noise: float = 0.003,
    seed: int = 1,
) -> tuple[Light, float, float]:
    """A darkened disc with Gaussian dark blobs (x, y in radii, sigma in radii, depth); light, x and y."""
    half = int(1.2 * radius) + 5
    x0, y0 = half + middle[0], half + middle[1]
    yy, xx = np.mgrid[: 2 * half, : 2 * half].astype(float)
    rho2 = ((xx - x0) ** 2 + ((yy - y0) / squeeze) ** 2) / radius**2
    light = np.where(rho2 < 1, 0.4 + 0.6 * np.sqrt(np.maximum(1 - rho2, 0)), 0.0)
    for x, y, sigma, depth in blobs:
        off2 = ((xx - x0) / radius - x) ** 2 + ((yy - y0) / radius - y) ** 2
        light *= 1 - depth * np.exp(-off2 / (2 * sigma**2))
    light = gaussian_filter(0.6 * light, 0.9)
    light += np.random.default_rng(seed).normal(0, noise, light.shape)
    return light.astype(np.float32), x0, y0


def nearest(found: tuple[DarkBlob, ...], x: float, y: float) -> float:
    return min((float(np.hypot(one.x_px - x, one.y_px - y)) for one in found), default=np.inf)


@pytest.mark.parametrize("radius", [60.0, 180.0, 470.0, 1400.0])
def test_spots_are_found_where_they_are_at_any_size(radius: float) -> None:
    blobs = ((0.2, 0.3, 0.025, 0.5), (-0.5, 0.1, 0.03, 0.3), (0.0, -0.75, 0.03, 0.4))
    light, x, y = disc(radius, *blobs)
    found = dark_blobs(light, x, y, radius, edge_width_px=2.3)
    assert len(found) == 3, found
    for bx, by, _, _ in blobs:
        assert nearest(found, x + bx * radius, y + by * radius) < 0.25 + 0.002 * radius


def test_a_clean_disc_has_none() -> None:
    for seed in range(8):
        light, x, y = disc(200.0, noise=0.004 * (1 + seed), seed=seed)
        assert dark_blobs(light, x, y, 200.0, edge_width_px=2.3) == ()


def test_contrast_and_size() -> None:
    light, x, y = disc(300.0, (0.1, 0.1, 0.04, 0.6))
    (blob,) = dark_blobs(light, x, y, 300.0, edge_width_px=2.3)
    assert blob.contrast == pytest.approx(0.6, abs=0.05)
    assert 2 * 12 < blob.across_px < 6 * 12


def test_cloud_that_dims_one_side_is_no_blob() -> None:
    light, x, y = disc(250.0, (0.3, 0.2, 0.02, 0.4))
    dimmed = light * np.linspace(0.3, 1.0, light.shape[1], dtype=np.float32)[None]
    found = dark_blobs(dimmed, x, y, 250.0, edge_width_px=2.3)
    assert len(found) == 1
    assert nearest(found, x + 75, y + 50) < 0.5


def test_two_spots_close_together_are_two() -> None:
    light, x, y = disc(78.0, (-0.50, 0.1, 0.03, 0.6), (-0.62, 0.1, 0.025, 0.45))
    found = dark_blobs(light, x, y, 78.0, edge_width_px=2.3)
    assert len(found) == 2
    light, x, y = disc(78.0, (-0.50, 0.1, 0.03, 0.6))
    assert len(dark_blobs(light, x, y, 78.0, edge_width_px=2.3)) == 1


def test_a_low_squeezed_disc_shows_no_blobs_at_its_upper_and_lower_limb() -> None:
    light, x, y = disc(200.0, (0.2, 0.1, 0.03, 0.4), squeeze=0.85)
    found = dark_blobs(light, x, y, 200.0, edge_width_px=2.3, squeeze=(0.85, 0.0))
    assert len(found) == 1
    # Laid on its side, the squeeze's direction decides.
    found = dark_blobs(np.ascontiguousarray(light.T), y, x, 200.0, edge_width_px=2.3, squeeze=(0.85, 90.0))
    assert len(found) == 1


def test_cut_by_the_frame() -> None:
    light, x, y = disc(200.0, (0.4, 0.0, 0.03, 0.4))
    part = light[:, int(x) - 100 :]
    found = dark_blobs(part, x - int(x) + 100, y, 200.0, edge_width_px=2.3)
    assert nearest(found, x - int(x) + 100 + 80, y) < 0.5
    assert dark_blobs(light[:3, :3], -300.0, -300.0, 200.0) == ()
