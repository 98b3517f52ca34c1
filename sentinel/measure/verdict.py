"""Is it the sun? What a limb must look like before a circle of edges is called a disc."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sentinel.measure.fit import Fit
from sentinel.measure.levels import Levels
from sentinel.measure.rays import cast

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for and against a fitted limb being the sun's."""

    coverage: float
    """Fraction of the whole circumference seen as a clean edge."""
    in_frame: float
    relative_width: float
    """Edge blur over radius."""
    step: float
    """Median height of the limb's edge, linear light, in units of the profile."""
    sky: float
    """Median light just outside, linear."""
    roughness: float
    """Root mean square residual over the height of the edge."""
    dimming: float
    """Light near the limb over light deeper inside, where both are seen; 1 is even."""
    offset_px: float
    """Robust spread of the clean rays' own edges about the limb."""


def gather(levels: Levels, fit: Fit, clean: NDArray[np.bool_], in_frame: float) -> Evidence:
    """Collect the evidence on the clean rays."""
    limb = fit.state.limb
    angle = fit.rays.angle[clean]
    depths = np.array([0.94, 0.9, 0.86, 0.82]), np.array([0.7, 0.62, 0.54, 0.46])
    near, deep = (
        cast(levels, limb.x_px, limb.y_px, angle, limb.at(angle)[:, None] * shares) for shares in depths
    )
    both = near.inside.all(1) & deep.inside.all(1)
    ratio = np.median(near.light, axis=1) / np.maximum(np.median(deep.light, axis=1), 1e-6)
    step = float(np.median(fit.brightness[clean])) if clean.any() else 0.0
    return Evidence(
        coverage=float(clean.mean()) * in_frame,
        in_frame=in_frame,
        relative_width=fit.state.sigma_px / limb.mean_px,
        step=step,
        sky=float(np.median(fit.sky[clean])) if clean.any() else 0.0,
        roughness=fit.noise / max(step, 1e-9),
        dimming=float(np.median(ratio[both])) if both.sum() > 4 else float("nan"),
        offset_px=1.4826 * float(np.median(np.abs(fit.offset_px[clean]))) if clean.any() else float("inf"),
    )
