"""What is expected of a limb before a pixel is seen."""

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.limb import OVAL, RADIUS, Limb
from sentinel.chain.measure.model import GLOBAL, LimbState

Array = NDArray[np.float64]

HELD_SD = 1e-6
"""Standard deviation of what is not free."""


CONTRADICTED = 4.0
"""Of its own standard deviations; chance makes so much in either term in one of three thousand."""


@dataclass(frozen=True, slots=True)
class KnownOval:
    """The oval of a limb, as `Limb` has it, and how well it is known before the frame is looked at."""

    px: tuple[float, float] = (0.0, 0.0)
    sd_px: float = HELD_SD
    """Of either term."""

    @property
    def stretch_px(self) -> float:
        """How much longer than the mean the long half-axis is."""
        return hypot(*self.px)


@dataclass(frozen=True, slots=True)
class KnownLimb:
    """The long half-axis, and the oval where it is, as known before the frame is looked at."""

    radius_px: float
    sd_px: float
    oval: KnownOval | None = None

    def contradicted_by(self, limb: Limb) -> bool:
        """Whether a limb is of another oval, though it was held to this one: the camera was turned."""
        if self.oval is None:
            return False
        return float(np.hypot(*np.subtract(limb.oval, self.oval.px))) > CONTRADICTED * self.oval.sd_px


@dataclass(frozen=True, slots=True)
class Priors:
    """Standard deviations of what is expected of the shared parameters before a pixel is seen."""

    oval: KnownOval
    egg_px: float
    known: KnownLimb | None = None
    log_sigma: float = 5.0
    fall: float = 0.15
    rim: float = 0.05
    lean: float = HELD_SD
    trail: float = HELD_SD
    holds_law: bool = True
    """Whether the law of darkening is held where cloud or seeing may hide it."""

    def weights(self) -> Array:
        """Inverse variances in the order of the parameters."""
        radius_px = np.inf if self.known is None else self.known.sd_px
        sd = [np.inf, np.inf, radius_px] + [self.oval.sd_px] * 2 + [self.egg_px] * 2
        return (
            np.array([*sd, self.log_sigma, self.fall, self.rim, *[self.lean] * 2, *[self.trail] * 2]) ** -2.0
        )

    def known_px(self) -> Array:
        """Return the standard deviations of what is known of this very limb, in that order; nought else."""
        sd = np.zeros(GLOBAL)
        if self.known is not None:
            sd[RADIUS] = self.known.sd_px
            sd[OVAL] = self.oval.sd_px if self.oval is self.known.oval else 0.0
        return sd

    def departure(self, state: LimbState, start: LimbState) -> Array:
        """Return how far the shared parameters are from what is expected."""
        limb, blur = state.limb, np.log(state.sigma_px / start.sigma_px)
        larger_px = 0.0 if self.known is None else limb.half_axes_px[0] - self.known.radius_px
        oval = np.subtract(limb.oval, self.oval.px)
        return np.array([0, 0, larger_px, *oval, *limb.egg, blur, state.fall, state.rim, *state.unlike])
