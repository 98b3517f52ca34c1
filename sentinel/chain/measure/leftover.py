"""What the profile leaves unexplained along the rays: whether it is noise, and whether it leans."""

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.model import EDGE, LOCAL, RAY_BLUR
from sentinel.chain.measure.rays import Samples

Array = NDArray[np.float64]

_ITS_OWN = [*range(LOCAL), LOCAL + EDGE, LOCAL + RAY_BLUR]
"""What every ray was free to choose, its edge and blur among it."""
_RIDGE = 1e-9
PLAIN = 4.0
"""How much more than by chance it must be, squared, to be told."""


def _left_over(every: Samples, own_best: Array) -> Samples:
    """Return what the model, (n, LOCAL + SEEN + 1, m), leaves of the light, the rays' own at their best."""
    own = own_best[:, None].astype(np.float32)
    return np.asarray(every[:, -1] - np.matmul(own, every[:, :LOCAL])[:, 0])


def together(every: Samples, own_best: Array, rays: int) -> float:
    """Correlation of neighbouring samples along the rays: 0 for noise, 1 for what the model leaves out."""
    left = _left_over(every, own_best).reshape(rays, -1)
    product = float((left[:, 1:] * left[:, :-1]).sum())
    return product / max(float((left * left).sum()), 1e-30)


def askew_px(every: Samples, own_best: Array, depth: Samples, angle: Array, weight: Array) -> float:
    """Return how far the middle of what spread the light may lie from the fitted centre.

    A picture that was shaken, or jumped, while it was taken is spread more to one side. The Gaussian that the
    edge is fitted with then settles beside the middle of its way, by an amount that what is left tells.

    `depth`: (n, m), distance outside the limb in blurs.

    Notes
    -----
    A spread of skewness g adds g/6 (z^2 - 1) phi(z) to the edge; the Gaussian takes g/12 phi(z) of it for a
    shift, and (z^2 - 1/2) phi(z) is left: twice as much of it as of that shift.

    """
    lean = (depth * depth - np.float32(0.5)) * every[:, LOCAL + EDGE]
    own = every[:, _ITS_OWN].astype(float)
    square = np.matmul(own, own.transpose(0, 2, 1)) + _RIDGE * np.eye(len(_ITS_OWN))
    taken = np.linalg.solve(square, np.matmul(own, lean[..., None]))
    lean = lean - np.matmul(own.transpose(0, 2, 1), taken)[..., 0]
    much = (lean * _left_over(every, own_best)).sum(1) / ((lean * lean).sum(1) + 1e-30)
    weight = weight / weight.sum()
    # A shift of the middle shows once round the limb, and where the spread is long and thin, thrice.
    told = sum(abs(np.sum(weight * much * np.exp(n * 1j * angle))) ** 2 for n in (1, 3))
    by_chance = 2.0 * float((weight**2 * (much - np.sum(weight * much)) ** 2).sum())
    return sqrt(told - by_chance) if told > PLAIN * by_chance else 0.0
