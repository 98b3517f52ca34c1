"""A scene -> the linear light a sensor records, in the order in which nature does it.

Sun behind cloud, before it ridge, cable or moon; blurred by air and optics; shadowed by dust on the sensor;
exposed; noise. Edges are averaged over the pixel, so that centre and radius are true to a thousandth of a
pixel. Only the surroundings of the disc are computed densely.
"""

from dataclasses import dataclass
from math import ceil, cos, hypot, radians, sin

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy import fft
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from sentinel.jobs.simulate.fields import Field, smooth_field, smooth_series
from sentinel.jobs.simulate.light import F, limb_darkening
from sentinel.jobs.simulate.scene import (
    Blur,
    Caption,
    Cloud,
    Dust,
    MoonDisc,
    Noise,
    Ridge,
    Scene,
    Spot,
    SunDisc,
)

_RIM_PX = 2.5  # nearer to the limb than this, pixels are averaged over sub-pixels
_SUB = 4  # sub-pixels a side; each has soft coverage, so the steps are far finer than 1/16
_BARE_FROM = 10.0  # filter factor
_GLARE = 0.008  # share of a bare sun's light that a lens spreads over the frame: common practice, no source
_VEIL = 4e-6  # brightness of the sky close to the sun, of the disc's: what shows when the filter is gone


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of pixels, which may reach beyond the frame: left <= x < right, top <= y < bottom."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def x(self) -> NDArray[np.float64]:
        """Column centres."""
        return np.arange(self.left, self.right, dtype=float)

    @property
    def y(self) -> NDArray[np.float64]:
        """Row centres."""
        return np.arange(self.top, self.bottom, dtype=float)

    @property
    def empty(self) -> bool:
        """Whether it holds no pixel."""
        return self.right <= self.left or self.bottom <= self.top

    def grown(self, by: int) -> "Window":
        """Return the window with `by` pixels more on every side."""
        return Window(self.left - by, self.top - by, self.right + by, self.bottom + by)

    def within(self, other: "Window") -> "Window":
        """Return the part of it that lies within `other`."""
        return Window(
            max(self.left, other.left),
            max(self.top, other.top),
            min(self.right, other.right),
            min(self.bottom, other.bottom),
        )

    def of(self, image: Field, origin: "Window") -> Field:
        """Return the view of this window in an image that covers `origin`."""
        return image[
            self.top - origin.top : self.bottom - origin.top,
            self.left - origin.left : self.right - origin.left,
        ]


def render(scene: Scene) -> Field:
    """Return the linear image of a scene, float32 of shape (height_px, width_px).

    1 is full scale; what is brighter is clipped only when encoded. The same scene gives the same image.
    """
    frame = Window(0, 0, scene.width_px, scene.height_px)
    image = _without_sun(scene, frame)
    if scene.sun is not None:
        _paste_sun(scene, scene.sun, image, frame)
    for speck in scene.dust:
        _shade(image, speck)
    if scene.gain != 1.0:
        image *= np.float32(scene.gain)
    if scene.noise is not None:
        _add_noise(image, scene.noise)
    if scene.caption is not None:
        _stamp(image, scene.caption)
    return image


def _paste_sun(scene: Scene, sun: SunDisc, image: Field, frame: Window) -> None:
    sigma = hypot(scene.blur.sigma_px, scene.blur.vertical_sigma_px)
    reach = ceil(5 * sigma) + 2
    half = ceil(sun.radius_px + 3 * sun.ripple_px + reach) + 1
    x, y = round(sun.x_px), round(sun.y_px)
    disc = Window(x - half, y - half, x + half + 1, y + half + 1)
    visible = disc.within(frame)
    if visible.empty:
        return
    dense = disc.within(frame.grown(reach))
    light = _disc_light(sun, dense) * np.float32(sun.brightness * scene.filter_factor)
    for cloud in scene.clouds:
        light *= _transmission(cloud, dense)
    if scene.moon is not None:
        light *= 1 - _moon_coverage(scene.moon, dense)
    light += _open_light(scene, dense)
    _hide(scene, light, dense)
    light += np.float32(_glare(scene))
    light = _blurred(light, scene)
    visible.of(image, frame)[...] = visible.of(light, dense)


def _without_sun(scene: Scene, window: Window) -> Field:
    light = _open_light(scene, window)
    _hide(scene, light, window)
    light += np.float32(_glare(scene))
    return light


def _glare(scene: Scene) -> float:
    """Return what the lens itself spreads over the whole frame when the sun shines in without a filter."""
    sun = scene.sun
    if sun is None or scene.filter_factor <= _BARE_FROM:
        return 0.0
    share = np.pi * sun.radius_px**2 / (scene.width_px * scene.height_px)
    return float(scene.filter_factor * sun.brightness * _GLARE * share)


def _open_light(scene: Scene, window: Window) -> Field:
    """Return all light but the disc's own, before anything hides it."""
    light = np.full((window.bottom - window.top, window.right - window.left), scene.sky, dtype=np.float32)
    if scene.sun is not None:
        _add_scatter(scene, scene.sun, light, window)
    return light


def _add_scatter(scene: Scene, sun: SunDisc, light: Field, window: Window) -> None:
    """Add what air, filter and cloud scatter: the halo, the glow of a sheet of cloud, the open sky's veil."""
    bare = scene.filter_factor > _BARE_FROM
    glowing = [cloud for cloud in scene.clouds if cloud.glow > 0]
    if not (scene.halo > 0 or glowing or bare):
        return
    dx = (window.x - sun.x_px).astype(np.float32)
    dy = (window.y - sun.y_px).astype(np.float32)
    away2 = (dx**2 + dy[:, None] ** 2) * np.float32(sun.radius_px**-2)
    away = np.maximum(np.sqrt(away2) - 1, 0)  # in radii outside the limb
    if scene.halo > 0:
        light += np.float32(scene.halo * sun.brightness) / (1 + away / np.float32(0.4)) ** 2
    for cloud in glowing:
        scattered = 1 - _transmission(cloud, window)
        scattered *= np.float32(0.25) + np.float32(0.75) * np.exp(
            np.float32(0.6) - np.float32(0.3) * np.sqrt(away2 + 4)
        )
        light += np.float32(cloud.glow * sun.brightness) * scattered
    if bare:
        bare_level = scene.filter_factor * sun.brightness
        light += np.float32(bare_level * _VEIL) * (1 + 20 / (1 + away / np.float32(0.2)) ** 2)


def _disc_light(sun: SunDisc, window: Window) -> Field:
    """Return the limb-darkened disc, 1 at its centre, averaged over each pixel at the limb."""
    dx = (window.x - sun.x_px)[None, :]
    dy = (window.y - sun.y_px)[:, None]
    rho2 = _rho2(sun, dx.astype(np.float32), dy.astype(np.float32))
    light = limb_darkening(np.sqrt(np.maximum(1 - rho2, 0)), sun.wavelength_nm)
    light[rho2 >= 1] = 0
    rim = _RIM_PX / sun.radius_px
    rows, columns = np.nonzero((rho2 > max(1 - rim, 0) ** 2) & (rho2 < (1 + rim / (1 - sun.flattening)) ** 2))
    steps = (np.arange(_SUB) + 0.5) / _SUB - 0.5
    total = np.zeros(len(rows))
    for sub_x in steps:
        for sub_y in steps:
            rho = np.sqrt(_rho2(sun, dx[0, columns] + sub_x, dy[rows, 0] + sub_y))
            covered = np.clip((1 - rho) * (sun.radius_px * _SUB) + 0.5, 0, 1)
            total += covered * limb_darkening(np.sqrt(np.maximum(1 - rho**2, 0)), sun.wavelength_nm)
    light[rows, columns] = total / _SUB**2
    for spot in sun.spots:
        _darken_spot(light, spot, sun, window)
    return light


def _rho2(sun: SunDisc, dx: NDArray[F], dy: NDArray[F]) -> NDArray[F]:
    """Return the squared distance from the true disc's centre, in true radii.

    Refraction puts the point `v` radii above the centre at `(1 - f) v + e (v^2 - 1)`: both limbs stay where
    flattening `f` alone would put them, and what lies between is shifted down by the egg `e`.
    """
    kind = dx.dtype.type
    if sun.flattening == 0 and sun.egg == 0 and sun.ripple_px == 0:
        return dx * dx * kind(sun.radius_px**-2) + dy * dy * kind(sun.radius_px**-2)
    up_x, up_y = sin(radians(sun.zenith_deg)), -cos(radians(sun.zenith_deg))
    across = (dx * kind(-up_y) + dy * kind(up_x)) * kind(1 / sun.radius_px)
    above = (dx * kind(up_x) + dy * kind(up_y)) * kind(1 / sun.radius_px)
    squeeze = 1 - sun.flattening
    lifted = above + kind(sun.egg)
    root = np.sqrt(np.maximum(kind(squeeze**2) + kind(4 * sun.egg) * lifted, kind(1e-6)))
    above = 2 * lifted / (kind(squeeze) + root)
    rho2 = across * across + above * above
    if sun.ripple_px > 0:
        rho2 = rho2 * _ripple(sun, np.arctan2(across, above))
    return np.asarray(rho2)


def _ripple(sun: SunDisc, angle: NDArray[F]) -> NDArray[F]:
    """Return the factor on rho^2 by which seeing moves the limb; no part of it moves or swells the disc."""
    random = np.random.default_rng(sun.ripple_seed)
    # Seeing is not coherent over much of the limb: waves of a tenth of it and shorter.
    orders = np.arange(10, max(16, int(sun.radius_px / 4)))
    weight = orders**-0.8
    weight *= sun.ripple_px / sun.radius_px * np.sqrt(2 / np.sum(weight**2))
    phase = random.uniform(0, 2 * np.pi, len(orders))
    table = np.zeros(4096)
    around = np.linspace(-np.pi, np.pi, len(table), endpoint=False)
    for order, amplitude, start in zip(orders, weight, phase, strict=True):
        table += amplitude * np.cos(order * around + start)
    moved = np.interp(angle, around, table, period=2 * np.pi)
    return np.asarray((1 - moved) ** 2, dtype=angle.dtype)


def _darken_spot(light: Field, spot: Spot, sun: SunDisc, window: Window) -> None:
    """Darken an umbra and its penumbra, foreshortened towards the limb."""
    x, y = sun.x_px + spot.x * sun.radius_px, sun.y_px + spot.y * sun.radius_px
    size = spot.radius * sun.radius_px
    half = ceil(1.5 * size) + 1
    patch = Window(round(x) - half, round(y) - half, round(x) + half + 1, round(y) + half + 1).within(window)
    if patch.empty:
        return
    out = hypot(spot.x, spot.y)
    mu = max(np.sqrt(max(1 - out**2, 0)), 0.1)
    out_x, out_y = (spot.x / out, spot.y / out) if out > 0 else (1.0, 0.0)
    dx, dy = (patch.x - x)[None, :] / size, (patch.y - y)[:, None] / size
    distance = np.hypot((dx * out_x + dy * out_y) / mu, dx * out_y - dy * out_x)
    umbra = 0.5 * (1 + erf((0.45 - distance) / 0.10))
    penumbra = 0.5 * (1 + erf((1.0 - distance) / 0.12))
    patch.of(light, window)[...] *= (1 - spot.contrast * (0.7 * umbra + 0.3 * penumbra)).astype(np.float32)


def _transmission(cloud: Cloud, window: Window) -> Field:
    if cloud.contrast == 0:
        shape = (window.bottom - window.top, window.right - window.left)
        return np.full(shape, cloud.mean, dtype=np.float32)
    x, y = window.x - cloud.shift_px[0], window.y - cloud.shift_px[1]
    depth = smooth_field(x, y, scale=cloud.scale_px, seed=cloud.seed, octaves=5)
    depth *= np.float32(cloud.contrast)
    np.exp(depth, out=depth)
    depth *= np.float32(-cloud.depth)
    return np.exp(depth, out=depth)


def _moon_coverage(moon: MoonDisc, window: Window) -> Field:
    distance = np.hypot((window.x - moon.x_px)[None, :], (window.y - moon.y_px)[:, None])
    return np.clip(moon.radius_px - distance + 0.5, 0, 1).astype(np.float32)


def _hide(scene: Scene, light: Field, window: Window) -> None:
    """Take away the light of what lies below the horizon line."""
    if scene.horizon is not None:
        light *= 1 - _ridge_coverage(scene.horizon, window)


def _ridge_coverage(ridge: Ridge, window: Window) -> Field:
    nx, ny = ridge.normal
    x, y = (window.x - ridge.x_px).astype(np.float32), (window.y - ridge.y_px).astype(np.float32)
    inside = x[None, :] * np.float32(nx) + y[:, None] * np.float32(ny)
    if ridge.roughness_px > 0:
        _add_crags(ridge, inside, x, y)
    # How much of a pixel an edge at that distance, in this direction, leaves covered.
    steepness = np.float32(1 / (abs(nx) + abs(ny)))
    return np.asarray(np.clip(inside * steepness + np.float32(0.5), 0, 1), dtype=np.float32)


def _add_crags(ridge: Ridge, inside: Field, x: Field, y: Field) -> None:
    """Move the line in or out along its length; only where the crags can reach."""
    nx, ny = ridge.normal
    rows, columns = np.nonzero(np.abs(inside) < 8 * ridge.roughness_px + 4)
    if len(rows) == 0:
        return
    along = nx * y[rows].astype(float) - ny * x[columns] - ridge.shift_px
    stations = np.arange(np.floor(along.min()), np.ceil(along.max()) + 2)
    crags = smooth_series(stations, scale=40 * ridge.roughness_px, seed=ridge.seed, octaves=6)
    inside[rows, columns] += np.interp(along, stations, crags * ridge.roughness_px).astype(np.float32)


def _blurred(light: Field, scene: Scene) -> Field:
    """Convolve with the point-spread function; what lies beyond the window continues its border."""
    blur = scene.blur
    if blur.vertical_sigma_px == 0:
        if blur.sigma_px == 0:
            return light
        return np.asarray(
            gaussian_filter(light, blur.sigma_px, mode="nearest", truncate=5.0), dtype=np.float32
        )
    kernel = _tilted_kernel(blur, scene.sun.zenith_deg if scene.sun is not None else 0.0)
    edge = len(kernel) - 1
    padded = np.pad(light, edge // 2, mode="edge")
    shape = [fft.next_fast_len(n, real=True) for n in padded.shape]
    # Round the ends it wraps; what is kept begins where that ends.
    whole = fft.irfft2(fft.rfft2(padded, s=shape) * fft.rfft2(kernel, s=shape), s=shape)
    return np.asarray(whole[edge : edge + light.shape[0], edge : edge + light.shape[1]], dtype=np.float32)


def _tilted_kernel(blur: Blur, zenith_deg: float) -> Field:
    """Return a Gaussian wider along the vertical; sampled in space, so that no light comes out negative."""
    reach = ceil(5 * hypot(blur.sigma_px, blur.vertical_sigma_px))
    step = np.arange(-reach, reach + 1, dtype=float)
    up_x, up_y = sin(radians(zenith_deg)), -cos(radians(zenith_deg))
    along = step[None, :] * up_x + step[:, None] * up_y
    across = step[None, :] * up_y - step[:, None] * up_x
    # A focus without any blur still has pixels: a sampled Gaussian narrower than this has no shape.
    wide = max(blur.sigma_px**2, 0.16)
    kernel = np.exp(-0.5 * (across**2 / wide + along**2 / (wide + blur.vertical_sigma_px**2)))
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _shade(image: Field, speck: Dust) -> None:
    half = ceil(1.6 * speck.radius_px) + 1
    x, y = round(speck.x_px), round(speck.y_px)
    frame = Window(0, 0, image.shape[1], image.shape[0])
    patch = Window(x - half, y - half, x + half + 1, y + half + 1).within(frame)
    if patch.empty:
        return
    distance = np.hypot((patch.x - speck.x_px)[None, :], (patch.y - speck.y_px)[:, None]) / speck.radius_px
    shadow = 0.5 * (1 + erf((0.8 - distance) / 0.2))
    patch.of(image, frame)[...] *= (1 - speck.depth * shadow).astype(np.float32)


def _add_noise(image: Field, noise: Noise) -> None:
    """Add read and shot noise in place, band by band so that a large frame needs little memory."""
    random = np.random.default_rng(noise.seed)
    electron = np.float32(1 / noise.full_well_e)
    for top in range(0, len(image), 256):
        band = image[top : top + 256]
        sigma = np.sqrt(np.maximum(band, 0) * electron + np.float32(noise.read**2))
        sigma *= random.standard_normal(band.shape, dtype=np.float32)
        band += sigma


def _stamp(image: Field, caption: Caption) -> None:
    """Write a caption over an exposed image, in place, with its upper left corner at the caption's place."""
    font = ImageFont.load_default(caption.height_px)
    box = font.getbbox(caption.text)
    pad = ceil(caption.height_px / 4)
    width, height = ceil(box[2]) + 2 * pad, ceil(box[3]) + 2 * pad
    mask_image = Image.new("L", (width, height))
    ImageDraw.Draw(mask_image).text((pad, pad), caption.text, fill=255, font=font)
    mask = np.asarray(mask_image, dtype=np.float32) / 255
    left, top = round(caption.x_px), round(caption.y_px)
    right, bottom = min(left + width, image.shape[1]), min(top + height, image.shape[0])
    if left < 0 or top < 0 or right <= left or bottom <= top:
        raise ValueError(f"the caption {caption.text!r} begins outside the frame")
    patch, mask = image[top:bottom, left:right], mask[: bottom - top, : right - left]
    patch[...] = patch * (1 - mask) + mask
