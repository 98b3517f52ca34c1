"""The dark blobs on one picture's disc. Pure: pixels and a measured disc in, places out."""

from dataclasses import dataclass
from itertools import pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from skimage.filters import apply_hysteresis_threshold
from skimage.measure import label, regionprops
from skimage.morphology import h_maxima
from skimage.segmentation import watershed
from skimage.transform import downscale_local_mean

from sentinel.chain.measure.order import spread
from sentinel.sky.arrays import Bools

Light = NDArray[np.float32]

WORKING_RADIUS_PX = 500.0
"""Larger discs are reduced to about this: what seeing and lens leave of them holds no more."""
OUTERMOST = 0.97
"""Radii out to which blobs are looked for: farther out the limb's own edge is as dark."""
EDGE_WIDTHS = 1.5
"""So many widths of the limb's edge are left out at least."""
RINGS = 48
"""In which the disc's own darkening is taken as the median."""
SMOOTH_RADII = 0.12
"""What is darker over much more than this is cloud or vignetting, not a blob."""
_SURFACE_PIXELS = 20_000
LEAST_CONTRAST = 0.02
"""How much darker than its surroundings a blob must be somewhere: less is granulation, or a JPEG's blocks."""
SIGMAS_PEAK, SIGMAS_FOOT = 6.0, 3.0
"""Above the noise, which grows towards the limb: where a blob is seen, and how far it reaches."""
BRIDGE_SHARE = 0.15
"""Of a blob's contrast, by which what lies between two dark places must be brighter, for them to be two."""
LEAST_AREA_PX = 4
LARGEST_SHARE = 0.03
"""Of the disc's area. The largest groups of spots cover half a hundredth of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkBlob:
    """Something dark on the disc, in stored pixels."""

    x_px: float
    """Middle, by the light that is missing."""
    y_px: float
    area_px: float
    contrast: float
    """How much darker than its surroundings its darkest part is, 0 to 1."""

    @property
    def across_px(self) -> float:
        """Diameter of a round one of the same area."""
        return 2 * float(np.sqrt(self.area_px / np.pi))


def dark_blobs(
    light: Light,
    x_px: float,
    y_px: float,
    radius_px: float,
    *,
    edge_width_px: float = 0.0,
    squeeze: tuple[float, float] = (1.0, 0.0),
) -> tuple[DarkBlob, ...]:
    """Return the dark blobs on a disc, the darkest first.

    `light`: (ny, nx) linear light, the whole stored frame or a part that begins at its first pixel.
    `squeeze`: short over long axis of the disc, and the direction of the short one, degrees clockwise from
        up.
    """
    step = max(1, round(radius_px / WORKING_RADIUS_PX))
    left, top = max(0, int(x_px - radius_px) - 2), max(0, int(y_px - radius_px) - 2)
    right, bottom = ceil(x_px + radius_px) + 3, ceil(y_px + radius_px) + 3
    window = light[top:bottom, left:right]
    ny, nx = (side // step * step for side in window.shape)
    if min(ny, nx) < 16 * step:
        return ()
    small = downscale_local_mean(window[:ny, :nx], (step, step)).astype(np.float32) if step > 1 else window
    # The middle of the first reduced pixel, in stored ones.
    origin = left + (step - 1) / 2, top + (step - 1) / 2
    middle = (x_px - origin[0]) / step, (y_px - origin[1]) / step
    off = _radii(small.shape, middle, radius_px / step, squeeze)
    outermost = min(OUTERMOST, 1 - EDGE_WIDTHS * max(edge_width_px, step) / radius_px)
    inside = off < outermost
    if inside.sum() < 200:
        return ()
    missing = _missing(small, off, inside, radius_px / step)
    found = _labelled(missing, off, inside)
    return tuple(
        sorted(
            (
                DarkBlob(
                    x_px=origin[0] + step * float(region.centroid_weighted[1]),
                    y_px=origin[1] + step * float(region.centroid_weighted[0]),
                    area_px=float(region.area) * step * step,
                    contrast=min(float(region.intensity_max), 1.0),
                )
                for region in regionprops(found, intensity_image=missing)
                if LEAST_AREA_PX <= region.area <= LARGEST_SHARE * inside.sum()
            ),
            key=lambda blob: -blob.contrast,
        )
    )


def _radii(
    shape: tuple[int, ...], middle: tuple[float, float], radius: float, squeeze: tuple[float, float]
) -> Light:
    """Return each pixel's distance from the disc's middle in radii, the squeeze undone, (ny, nx)."""
    dx = (np.arange(shape[1], dtype=np.float32) - middle[0])[None, :] / radius
    dy = (np.arange(shape[0], dtype=np.float32) - middle[1])[:, None] / radius
    ratio, direction = squeeze
    up_x, up_y = np.sin(np.radians(direction)), -np.cos(np.radians(direction))
    more = (dx * up_x + dy * up_y) * (1 / ratio - 1)
    return np.asarray(np.hypot(dx + more * up_x, dy + more * up_y), dtype=np.float32)


def _missing(light: Light, off: Light, inside: Bools, radius: float) -> Light:
    """Return the share of light that is missing against the surroundings, (ny, nx); 0 off the disc.

    First the disc's own darkening is divided out, ring by ring; then what is left of cloud, vignetting and
    scatter, smoothed over a good part of the disc, twice: the second time without what was dark.
    """
    # Rings of equal width in 1 - mu: the darkening is steep at the limb alone.
    depth = 1 - np.sqrt(np.maximum(1 - off * off, 0))
    ring = np.minimum((depth * RINGS).astype(np.intp), RINGS - 1)
    middles, levels = [], []
    for number in range(RINGS):
        own = inside & (ring == number)
        if own.any():
            middles.append(float(depth[own].mean()))
            levels.append(float(np.median(light[own])))
    profile = np.interp(depth, middles, levels).astype(np.float32)
    ratio = np.where(inside, light / np.maximum(profile, 1e-6), 0).astype(np.float32)
    ratio /= _slope(ratio, inside)
    weight = inside.astype(np.float32)
    missing = np.zeros_like(ratio)
    for _ in range(2):
        around = _smoothed(ratio * weight, radius) / np.maximum(_smoothed(weight, radius), 1e-3)
        missing = np.where(inside, 1 - ratio / np.maximum(around, 1e-6), 0).astype(np.float32)
        weight = (inside & (np.abs(missing) < LEAST_CONTRAST)).astype(np.float32)
    return np.asarray(gaussian_filter(missing, 0.7), dtype=np.float32)


def _slope(ratio: Light, inside: Bools) -> Light:
    """Return the surface of second order through what lies inside, (ny, nx): cloud dims one side."""
    y, x = (np.linspace(-1, 1, side, dtype=np.float32) for side in ratio.shape)
    x, y = x[None], y[:, None]
    orders = np.ones_like(x), x, y, x**2, y**2, x * y
    terms = [np.broadcast_to(term, ratio.shape) for term in orders]
    rows, columns = (at[:: max(1, inside.sum() // _SURFACE_PIXELS)] for at in np.nonzero(inside))
    at = np.stack([term[rows, columns] for term in terms], axis=1)
    seen = ratio[rows, columns]
    factors = np.linalg.lstsq(at, seen, rcond=None)[0]
    # Once more without what is dark.
    usual = np.abs(seen - at @ factors) < 0.1
    if usual.sum() > len(terms):
        factors = np.linalg.lstsq(at[usual], seen[usual], rcond=None)[0]
    surface = sum(factor * term for factor, term in zip(factors, terms, strict=True))
    return np.maximum(np.asarray(surface, dtype=np.float32), 0.05)


def _smoothed(values: Light, radius: float) -> Light:
    return np.asarray(gaussian_filter(values, SMOOTH_RADII * radius, truncate=2.5), dtype=np.float32)


def _labelled(missing: Light, off: Light, inside: Bools) -> NDArray[np.intp]:
    """Return the blobs, numbered from 1."""
    noise = _noise(missing, off, inside)
    peak = np.maximum(SIGMAS_PEAK * noise, LEAST_CONTRAST)
    over = np.where(inside, missing / peak, 0)
    dark = label(apply_hysteresis_threshold(over, SIGMAS_FOOT / SIGMAS_PEAK, 1.0), connectivity=2)
    return _parted(np.asarray(dark, dtype=np.intp), missing)


def _parted(numbers: NDArray[np.intp], missing: Light) -> NDArray[np.intp]:
    """Return the blobs with those parted whose darkest places a clearly brighter bridge divides."""
    last = int(numbers.max(initial=0))
    for region in regionprops(numbers, intensity_image=missing):
        if region.area < 3 * LEAST_AREA_PX:
            continue
        own, depth = region.image, region.image_intensity
        bridge = max(LEAST_CONTRAST, BRIDGE_SHARE * float(region.intensity_max))
        peaks = label(h_maxima(np.where(own, depth, 0), bridge), connectivity=2)
        if peaks.max() < 2:
            continue
        parts = watershed(-depth, peaks, mask=own)
        view = numbers[region.slice]
        view[parts > 1] = last + parts[parts > 1] - 1
        last += int(peaks.max()) - 1
    return numbers


def _noise(missing: Light, off: Light, inside: Bools) -> Light:
    """Return the scatter of what is no blob, (ny, nx): by zones, since seeing is worst at the limb."""
    edges = (0.0, 0.5, 0.7, 0.85, 0.93, 1.0)
    noise = np.full(missing.shape, np.inf, dtype=np.float32)
    for low, high in pairwise(edges):
        zone = inside & (off >= low) & (off < high)
        if zone.any():
            # What is brighter than its surroundings is noise alone; blobs lie on the other side.
            noise[zone] = spread(missing[zone])
    return noise
