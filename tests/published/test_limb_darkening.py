"""The limb darkening of rendered discs against published values."""

import numpy as np
import pytest

from sentinel.jobs.simulate.light import NECKEL_LABS_1994, limb_darkening
from sentinel.jobs.simulate.render import render
from sentinel.jobs.simulate.scene import Blur, Scene, SunDisc

MU = np.array([1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1])

# Neckel H., Labs D. 1994, Solar Physics 153, 91: I(mu)/I(1) by their P5, coefficients from a transcription of
# the table (second-hand); the row for 550 nm is interpolated.
NECKEL_LABS = {
    443.885: [1, 0.9329, 0.8635, 0.7919, 0.7178, 0.6409, 0.5602, 0.4744, 0.3816, 0.2787],
    541.760: [1, 0.9459, 0.8897, 0.8309, 0.7690, 0.7037, 0.6340, 0.5582, 0.4738, 0.3765],
    550.0: [1, 0.9465, 0.8912, 0.8333, 0.7724, 0.7080, 0.6391, 0.5641, 0.4800, 0.3822],
    579.880: [1, 0.9494, 0.8971, 0.8421, 0.7840, 0.7225, 0.6567, 0.5846, 0.5027, 0.4053],
    669.400: [1, 0.9567, 0.9115, 0.8634, 0.8122, 0.7577, 0.6990, 0.6341, 0.5589, 0.4665],
}

# Mean over centre intensity, the same source, as printed beside the coefficients (second-hand).
MEAN_OVER_CENTRE = {
    443.885: 0.7588,
    519.930: 0.7925,
    541.760: 0.8002,
    559.950: 0.8061,
    579.880: 0.8125,
    610.975: 0.8221,
    669.400: 0.8360,
}

# Cox (ed.), Allen's Astrophysical Quantities, 4th ed. 2000, 550 nm: 0.30 + 0.93 mu - 0.23 mu^2 (seen).
COX_2000_550 = 0.30 + 0.93 * MU - 0.23 * MU**2

# Linear law of the textbooks (Eddington), (2 + 3 mu) / 5 (seen).
EDDINGTON = (2 + 3 * MU) / 5

# "Observed" column of a table for a university course in solar physics (seen).
OBSERVED = np.array([1, 0.944, 0.898, 0.842, 0.788, 0.750, 0.670, 0.602, 0.522, 0.450])


def rendered_profile(wavelength_nm: float) -> np.ndarray:
    """I(mu)/I(1) read off a rendered disc, without blur and noise."""
    sun = SunDisc(x_px=520.0, y_px=520.0, radius_px=500.0, brightness=1.0, wavelength_nm=wavelength_nm)
    image = render(Scene(width_px=1041, height_px=1041, sun=sun, sky=0.0, blur=Blur(sigma_px=0), noise=None))
    columns = 520 + 500 * np.sqrt(1 - MU**2)
    row = image[520].astype(float)
    return np.asarray(np.interp(columns, np.arange(1041), row))


@pytest.mark.parametrize("wavelength_nm", NECKEL_LABS)
def test_rendered_disc_against_neckel_and_labs(wavelength_nm: float) -> None:
    assert rendered_profile(wavelength_nm) == pytest.approx(NECKEL_LABS[wavelength_nm], abs=0.002)


@pytest.mark.parametrize("wavelength_nm", MEAN_OVER_CENTRE)
def test_mean_over_centre_intensity(wavelength_nm: float) -> None:
    mu = (np.arange(2000) + 0.5) / 2000
    mean = np.mean(2 * limb_darkening(mu, wavelength_nm) * mu)
    assert mean == pytest.approx(MEAN_OVER_CENTRE[wavelength_nm], abs=2e-4)


def test_rendered_flux_is_the_published_mean() -> None:
    sun = SunDisc(x_px=110.3, y_px=109.6, radius_px=100.0, brightness=1.0, wavelength_nm=579.88)
    image = render(Scene(width_px=221, height_px=221, sun=sun, sky=0.0, noise=None))
    mean = image.sum(dtype=float) / (np.pi * 100.0**2)
    assert mean == pytest.approx(MEAN_OVER_CENTRE[579.880], abs=2e-4)


def test_coefficients_sum_to_one() -> None:
    for coefficients in NECKEL_LABS_1994.values():
        assert sum(coefficients) == pytest.approx(1.0, abs=1e-4)


def test_rendered_disc_against_another_compilation() -> None:
    # 0.03 is the tolerance between laws, not of one of them; the two differ most at the limb.
    assert rendered_profile(550.0) == pytest.approx(COX_2000_550, abs=0.01)


def test_rendered_disc_against_observed_and_linear_law_away_from_the_limb() -> None:
    inner = MU >= 0.3
    profile = rendered_profile(550.0)[inner]
    assert profile == pytest.approx(EDDINGTON[inner], abs=0.03)
    # A broad visible band, three digits; its entry at 0.5 lies 0.04 above every other source's.
    assert profile == pytest.approx(OBSERVED[inner], abs=0.045)
