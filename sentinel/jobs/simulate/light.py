"""What the sun does to its light: limb darkening."""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

F = TypeVar("F", np.float32, np.float64)

# Neckel H., Labs D. 1994, Solar Physics 153, 91: P5(mu) = sum of A_i mu^i, i = 0..5, continuum, by wavelength
# in nm. The digits come from a transcription of that table; each row sums to 1 within 1e-4.
NECKEL_LABS_1994: dict[float, tuple[float, ...]] = {
    443.885: (0.16220, 1.24893, -0.92165, 0.89978, -0.50148, 0.11220),
    519.930: (0.23695, 1.29927, -1.28034, 1.37760, -0.85054, 0.21706),
    541.760: (0.26073, 1.27428, -1.30352, 1.47085, -0.96618, 0.26384),
    559.950: (0.26892, 1.34319, -1.58427, 1.91271, -1.31350, 0.37295),
    579.880: (0.28392, 1.36896, -1.75998, 2.22154, -1.56074, 0.44630),
    610.975: (0.30854, 1.36620, -1.83572, 2.33221, -1.63082, 0.45959),
    669.400: (0.34685, 1.37539, -2.04425, 2.70493, -1.94290, 0.55999),
}
_WAVELENGTHS_NM = np.array(list(NECKEL_LABS_1994))
_COEFFICIENTS = np.array(list(NECKEL_LABS_1994.values()))


def limb_darkening_coefficients(wavelength_nm: float) -> NDArray[np.float64]:
    """Return A0..A5 of Neckel and Labs, interpolated linearly between the tabulated wavelengths.

    Raises `ValueError` outside the tabulated 443.885 to 669.4 nm.
    """
    if not _WAVELENGTHS_NM[0] <= wavelength_nm <= _WAVELENGTHS_NM[-1]:
        raise ValueError(f"no limb darkening at {wavelength_nm} nm; give 443.885 to 669.4 nm")
    return np.array([np.interp(wavelength_nm, _WAVELENGTHS_NM, column) for column in _COEFFICIENTS.T])


def limb_darkening(mu: NDArray[F], wavelength_nm: float = 550.0) -> NDArray[F]:
    """Return I(mu)/I(1), mu the cosine of the heliocentric angle (1 at the centre, 0 at the limb)."""
    total = np.zeros_like(mu)
    for coefficient in limb_darkening_coefficients(wavelength_nm)[::-1]:
        total *= mu
        total += mu.dtype.type(coefficient)
    return total
