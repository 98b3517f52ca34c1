"""How far a fitted limb may be from the truth: what its scatter tells, and what it cannot."""

from math import hypot, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.measure.consensus import NEARLY_ALL
from sentinel.chain.measure.evidence import RINGED, UNEVEN, LimbEvidence
from sentinel.chain.measure.fit import STRETCHES, LimbFit, is_wavy
from sentinel.chain.measure.normal import BLOCKS
from sentinel.chain.measure.order import spread

Array = NDArray[np.float64]

SHORT = 0.4
"""Share of the limb below which every pixel along it is asked: an arc magnifies its errors."""
ARC_DOUBT = 0.3
"""What the errors of a vanishing arc, which are the smooth ones, add to its doubt."""
WAVES, WHOLE = range(4, 14), 0.9
"""Waves round the limb by which the seeing's longest ones, which move the centre, are told; limb needed."""
LONGEST = 2.0
"""Height, squared, of the longest wave of seeing over that of those."""
LEAN_DOUBT = 0.18
"""Of that difference in the blur: what spreads the light on one side alone has seldom a Gaussian's shape."""
GUESSED, LOPSIDED_DOUBT = 1.5, 2.5
"""Brightness of a ray from which its limb is full, and what one side's being so adds to the doubt, in blurs
or pixels: half a filter that is gone moves the limb's foot there by one or two."""
TRAIL_DOUBT = 0.004
"""Of a trail's length: wind does not shake evenly while the shutter is open, and no limb tells how."""
OVAL_PX = 1.0
"""Oval from which the egg's third harmonic is free and its error becomes one of the centre."""
ASKEW_DOUBT = 1.5
"""Of how far the middle of what spread the light may lie away: one in two parts tells less than it moves."""
EGG_DOUBT = 8.0
"""Of the third harmonic, times the oval squared: what the air does to a sun on the horizon beyond it."""
ONE_WAY = 0.75
"""Of the variance in the worst direction, where an arc leaves only one unknown: so much keeps 99 in 100
errors within three sigma, as the mean of two does where both are as well known."""
SIGMA_FLOOR_PX = 0.003
LEAST_TOLD = 0.9
"""Of the oval, by the limb, and not by what held it round."""
OVAL_TRAIL_DOUBT = 0.012
"""Of how much wider the edge is along a trail, in the oval: its ends are no Gaussian's."""
CLOUD_DOUBT = 1.3
"""More of it where cloud or moon leaves less of the profile to be seen."""
FEW_CODES = 20.0
"""Stored steps from sky to disc below which their edges, and a JPEG's blocks, are seen for the limb."""
STRETCH_PX = 40.0
"""Length of limb that they move as one: a few of a JPEG's blocks."""
APART_PX = 4.0
"""Rays so far apart share no pixel, and seldom its noise."""


def centre_sigma(fit: LimbFit, evidence: LimbEvidence, trail_px: float) -> float:
    """One-sigma uncertainty of the centre, px; by `trail_px` the edge is wider one way than the other.

    That of one coordinate: the distance from the truth is 1.41 times as much.
    """
    variance = np.diag(fit.covariance)
    limb = fit.state.limb
    oval_px = hypot(*limb.oval)
    beyond_px = EGG_DOUBT * hypot(*limb.egg) * (oval_px / limb.mean_px) ** 2
    egg = variance[5] + variance[6] + 2.0 * beyond_px**2 if oval_px > OVAL_PX else 0.0
    lesser, greater = np.linalg.eigvalsh(fit.covariance[:2, :2])
    coordinate = max((lesser + greater + egg) / 2, ONE_WAY * greater)
    if evidence.full:
        # Only the limb's foot is seen, and where other light lies on it, it seems to stand farther out.
        coordinate += (fit.state.sigma_px * _to_one_side(fit.sky, fit.angle)) ** 2
    if evidence.runs_over:
        # How bright a ray is beyond full scale is a guess, and the brighter it is, the farther out its foot.
        lopsided = _to_one_side(np.minimum(fit.brightness, GUESSED), fit.angle)
        coordinate += (LOPSIDED_DOUBT * max(fit.state.sigma_px, 1.0) * lopsided) ** 2
    coordinate += (LEAN_DOUBT * fit.state.sigma_px * fit.state.lean) ** 2
    if np.isfinite(trail_px):
        coordinate += (TRAIL_DOUBT * trail_px) ** 2
    if evidence.coverage > WHOLE and evidence.uneven < UNEVEN:
        # Of part of a limb, or under cloud, what is left over has other reasons.
        coordinate += (ASKEW_DOUBT * fit.askew_px) ** 2
    return _beyond_noise(fit, evidence, coordinate, fit.leverage)


def oval_sigma(fit: LimbFit, evidence: LimbEvidence, trail_px: float) -> float:
    """One-sigma uncertainty of either term of the oval, px; NaN where the limb does not tell it.

    Of part of a limb an oval is a shift and another radius.
    """
    if evidence.coverage < NEARLY_ALL or fit.oval_told < LEAST_TOLD:
        return nan
    lesser, greater = np.linalg.eigvalsh(fit.covariance[3:5, 3:5])
    term = max((lesser + greater) / 2, ONE_WAY * greater)
    if np.isfinite(trail_px):
        term += (OVAL_TRAIL_DOUBT * trail_px) ** 2
    return _beyond_noise(fit, evidence, term, fit.leverage)


def _beyond_noise(fit: LimbFit, evidence: LimbEvidence, variance: float, leverage: float) -> float:
    """Return the uncertainty of a term of the shape of which the limb's scatter tells the `variance`.

    `leverage`: of errors of the edges on it, over that on a whole limb.
    """
    if evidence.coverage > WHOLE:
        variance = max(variance, (LONGEST if is_wavy(fit) else 1.0) * _waves(fit))
    # Neighbouring rays share pixels on an arc, and its errors are the smooth ones.
    doubt = 1.0 + ARC_DOUBT * max(0.0, 1.0 - evidence.coverage / SHORT)
    # What noise does not explain, cloud before the edge, goes one way over long stretches.
    ringed = evidence.evenness > RINGED
    # Noise is uneven too.
    clouded = evidence.uneven > UNEVEN + fit.noise / evidence.step and not ringed
    cloud_px = evidence.scatter * evidence.radius_px if clouded else 0.0
    # Noise of a step and more hides the steps.
    stepped = evidence.codes < FEW_CODES and fit.noise < evidence.step / evidence.codes
    if evidence.uneven > UNEVEN or stepped:
        # Cloud, and the steps in which light is stored, move a stretch of the limb as one.
        common = spread(fit.offset_px) ** 2 if stepped else _together(fit)
        stretches = min(max(2 * np.pi * evidence.radius_px / STRETCH_PX, STRETCHES), BLOCKS)
        variance = max(variance, leverage * common * 2.0 / stretches)
    doubt *= CLOUD_DOUBT if clouded or ringed else 1.0
    return doubt * sqrt(cloud_px**2 + variance + SIGMA_FLOOR_PX**2)


def _to_one_side(light: Array, angle: Array) -> float:
    """How much more of it there is on one side of the limb than on the other."""
    return float(2.0 * abs(np.mean((light - light.mean()) * np.exp(1j * angle))))


def _waves(fit: LimbFit) -> float:
    """Variance of one coordinate of the centre, from the waves that the limb shows.

    Seeing bends long stretches of the limb as one. Its longest wave is a shift of the centre and cannot be
    seen; the next ones are a little lower.
    """
    far = 4.0 * spread(fit.offset_px)
    offset = np.clip(fit.offset_px, -far, far)
    heights = 2.0 * np.abs(np.exp(1j * np.outer(WAVES, fit.angle)) @ offset) / offset.size
    return float(np.mean(heights**2) / 2)


def _together(fit: LimbFit) -> float:
    """Variance (px squared) that the edges of rays a little apart have in common: noise has none."""
    far = 4.0 * spread(fit.offset_px)
    offset = np.clip(fit.offset_px, -far, far)
    apart = min(round(APART_PX * offset.size / (2 * np.pi * fit.state.limb.mean_px)) + 1, offset.size - 1)
    return max(float(np.mean(offset * np.roll(offset, apart))), 0.0)
