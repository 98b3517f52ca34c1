"""What is expected of a limb before a pixel is seen."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.model import LimbState

Array = NDArray[np.float64]

HELD_SD = 1e-6
"""Standard deviation of what is not free."""


@dataclass(frozen=True, slots=True)
class KnownRadius:
    """The long half-axis as it is known before the frame is looked at."""

    px: float
    sd_px: float


@dataclass(frozen=True, slots=True)
class Priors:
    """Standard deviations of what is expected of the shared parameters before a pixel is seen."""

    oval_px: float
    egg_px: float
    radius: KnownRadius | None = None
    log_sigma: float = 5.0
    fall: float = 0.15
    rim: float = 0.05
    lean: float = HELD_SD
    trail: float = HELD_SD
    holds_law: bool = True
    """Whether the law of darkening is held where cloud or seeing may hide it."""

    def weights(self) -> Array:
        """Inverse variances in the order of the parameters."""
        radius_px = np.inf if self.radius is None else self.radius.sd_px
        sd = [np.inf, np.inf, radius_px] + [self.oval_px] * 2 + [self.egg_px] * 2
        return (
            np.array([*sd, self.log_sigma, self.fall, self.rim, *[self.lean] * 2, *[self.trail] * 2]) ** -2.0
        )

    def departure(self, state: LimbState, start: LimbState) -> Array:
        """Return how far the shared parameters are from what is expected."""
        limb, blur = state.limb, np.log(state.sigma_px / start.sigma_px)
        larger_px = 0.0 if self.radius is None else limb.half_axes_px[0] - self.radius.px
        return np.array([0, 0, larger_px, *limb.oval, *limb.egg, blur, state.fall, state.rim, *state.unlike])
