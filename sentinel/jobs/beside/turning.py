"""By how much one picture of the sun is turned to another, as the spots in both tell it. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.core.angles import half_turn_deg

Places = NDArray[np.complex128]
"""Spots as right + i up of the disc's middle, in radii."""

NEAR_RADII = 0.05
"""Two spots laid over one another are one if they are so near."""
STEP_DEG = 0.5
LEAST_OFF_MIDDLE = 0.15
"""Radii: a spot nearer to the middle tells nothing of the turn."""
FEWEST = 2
"""Spots: one can be laid over any other."""
LEAST_SIGMA_DEG = 0.05
"""However many agree: centres, squeeze and the pixels' own size are not better known. A judgement."""


@dataclass(frozen=True, slots=True)
class ImageTurn:
    """A turn, degrees clockwise; NaN: not known."""

    deg: float
    sigma_deg: float
    spots: int = 0
    """That lay over one another."""


def turn_between(one: Places, other: Places) -> ImageTurn:
    """Return by how much `one` is turned clockwise against `other`: all turns are tried, the best match wins.

    Where two turns far apart match alike, none is told.
    """
    one, other = one[np.abs(one) > LEAST_OFF_MIDDLE], other[np.abs(other) > LEAST_OFF_MIDDLE]
    if min(len(one), len(other)) < FEWEST:
        return ImageTurn(nan, nan)
    turns = np.radians(np.arange(-180, 180, STEP_DEG))
    laid = other[None, :] * np.exp(-1j * turns)[:, None]
    apart = np.abs(laid[:, :, None] - one[None, None, :])
    # The nearest to each; mutual by the smaller number of spots.
    near = np.minimum(
        (apart.min(axis=2) < NEAR_RADII).sum(axis=1), (apart.min(axis=1) < NEAR_RADII).sum(axis=1)
    )
    loss = np.where(near == near.max(), np.minimum(apart.min(axis=2), NEAR_RADII).sum(axis=1), np.inf)
    best = int(np.argmin(loss))
    alike = np.abs(half_turn_deg(np.degrees(turns - turns[best]))) > 10
    if near[best] < FEWEST or (near[alike] >= near[best]).any():
        return ImageTurn(nan, nan)
    return _refined(one, other, float(turns[best]))


def _refined(one: Places, other: Places, turn_rad: float) -> ImageTurn:
    laid = other * np.exp(-1j * turn_rad)
    pairs = [(int(np.abs(one - place).argmin()), k) for k, place in enumerate(laid)]
    pairs = [(i, k) for i, k in pairs if abs(one[i] - laid[k]) < NEAR_RADII]
    products = np.array([one[i] * np.conj(laid[k]) for i, k in pairs])
    rest_rad = float(np.angle(products.sum()))
    off_rad = np.angle(products * np.exp(-1j * rest_rad))
    weight = np.abs(products)
    scatter = sqrt(float((weight * off_rad**2).sum() / weight.sum()))
    sigma_deg = max(float(np.degrees(scatter)) / sqrt(max(len(pairs) - 1, 1)), LEAST_SIGMA_DEG)
    return ImageTurn(float(half_turn_deg(np.asarray(np.degrees(turn_rad - rest_rad)))), sigma_deg, len(pairs))


def mean_turn(turns: Sequence[ImageTurn]) -> ImageTurn:
    """Return the mean of turns that are known, with the scatter of them; NaN: none is."""
    known = [turn for turn in turns if np.isfinite(turn.deg)]
    if not known:
        return ImageTurn(nan, nan)
    middle = known[0].deg
    off = half_turn_deg(np.array([turn.deg for turn in known]) - middle)
    own = float(np.mean([turn.sigma_deg for turn in known])) / sqrt(len(known))
    scatter = float(np.std(off)) / sqrt(max(len(known) - 1, 1))
    deg = float(half_turn_deg(np.asarray(middle + np.mean(off))))
    return ImageTurn(deg, max(own, scatter, LEAST_SIGMA_DEG), max(turn.spots for turn in known))
