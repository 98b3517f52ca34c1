"""Rendered frames of known truth: an independent, plain renderer the measuring room is tried against.

It shares no line with the product: the disc is drawn by supersampling its outline, the limb darkening law is
chosen from a family, everything is blurred in linear light, then encoded and sent through a real JPEG.
"""

import io
from collections.abc import Callable
from dataclasses import dataclass
from math import cos, hypot, pi, sin
from typing import Any

import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import gaussian_filter

Array = NDArray[Any]

# Neckel and Labs (1994), 579.88 nm and 443.885 nm, A0 .. A5.
NECKEL_LABS_580 = (0.28392, 1.36896, -1.75998, 2.22154, -1.56074, 0.44630)
NECKEL_LABS_444 = (0.16220, 1.24893, -0.92165, 0.89978, -0.50148, 0.11220)


@dataclass
class Scene:
    """One frame: geometry in pixels, light in fractions of full scale (linear)."""

    width: int = 3000
    height: int = 2000
    x: float = 1500.3
    y: float = 1000.7
    radius: float = 470.0
    law: tuple[float, ...] = NECKEL_LABS_580
    blur: float = 1.2
    level: float = 0.6
    sky: float = 0.0
    glow: float = 0.0
    """Light scattered around the disc, as a fraction of its level just outside the limb."""
    noise: float = 0.004
    """Standard deviation in stored values, as a fraction of full scale."""
    gamma: float = 1.0
    """A tone curve on top of the sRGB one: stored = sRGB(light ** gamma)."""
    contrast: float = 0.0
    """S-shaped tone curve on the stored values."""
    flattening: float = 0.0
    tilt: float = 0.0
    """Direction of the short axis against y, radians."""
    egg: float = 0.0
    """Extra squeeze of the lower half: displacement of the middle of the limbs, px."""
    spots: int = 0
    dust: int = 0
    cloud: float = 0.0
    """Optical depth of the cloud, about, where it is thickest."""
    cloud_scale: float = 150.0
    cloud_floor: float = 0.0
    cloud_light: float = 0.05
    moon: float = 0.0
    """Magnitude of the eclipse: share of the diameter covered."""
    moon_angle: float = 0.7
    moon_ratio: float = 1.02
    ridge: float | None = None
    """Distance of the ridge line from the disc's centre, in radii (0: half the disc is covered)."""
    ridge_angle: float = 0.4
    ridge_level: float = 0.004
    cable: float | None = None
    cable_width: float = 60.0
    caption: bool = False
    seed: int = 1
    quality: int | None = 92

    def limb(self, n: int = 2880) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Points of the true limb."""
        t = np.linspace(0, 2 * pi, n, endpoint=False)
        u = self.radius * np.cos(t)
        v = self.radius * (1 - self.flattening) * np.sin(t) - self.egg * np.cos(t) ** 2
        c, s = cos(self.tilt), sin(self.tilt)
        return self.x + c * u - s * v, self.y + s * u + c * v

    @property
    def limb_in_frame(self) -> float:
        x, y = self.limb()
        inside = (x > -0.5) & (x < self.width - 0.5) & (y > -0.5) & (y < self.height - 0.5)
        return float(inside.mean())

    @property
    def limb_visible(self) -> float:
        """Share of the whole circumference in frame and not behind something opaque."""
        x, y = self.limb()
        inside = (x > -0.5) & (x < self.width - 0.5) & (y > -0.5) & (y < self.height - 0.5)
        return float((inside & ~self._opaque(x, y)).mean())

    def _opaque(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.bool_]:
        """Whether something opaque hides the sun in this direction."""
        dx, dy = x - self.x, y - self.y
        hidden = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y)), bool)
        across = dx * cos(self.ridge_angle) + dy * sin(self.ridge_angle)
        if self.ridge is not None:
            hidden |= across > self.ridge * self.radius
        if self.cable is not None:
            hidden |= np.abs(across - self.cable * self.radius) < self.cable_width / 2
        if self.moon > 0:
            r_moon = self.radius * self.moon_ratio
            away = self.radius + r_moon - 2 * self.radius * self.moon
            mx, my = away * cos(self.moon_angle), away * sin(self.moon_angle)
            hidden |= np.hypot(dx - mx, dy - my) < r_moon
        return hidden

    def _rho(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
        """Distance from the centre in units of the limb's, 1 on the limb (inverse of `limb`)."""
        dx, dy = x - self.x, y - self.y
        u = cos(self.tilt) * dx + sin(self.tilt) * dy
        v = -sin(self.tilt) * dx + cos(self.tilt) * dy
        v = (v + self.egg * np.minimum(1, (u / self.radius) ** 2)) / (1 - self.flattening)
        rho: NDArray[Any] = np.hypot(u, v) / self.radius
        return rho


def _darkening(mu: Array, law: tuple[float, ...]) -> Array:
    value = np.zeros_like(mu)
    for coefficient in reversed(law):
        value = value * mu + coefficient
    return value / sum(law)


def noise_field(rng: np.random.Generator, shape: tuple[int, int], scale: float) -> Array:
    """Smooth random field with zero mean and unit spread."""
    small = (max(5, int(shape[0] / scale) + 4), max(5, int(shape[1] / scale) + 4))
    knots = rng.normal(size=small)
    spline = RectBivariateSpline(np.arange(small[0]), np.arange(small[1]), knots)
    rows = rng.uniform() + np.arange(shape[0]) / scale
    cols = rng.uniform() + np.arange(shape[1]) / scale
    return np.asarray(spline(rows, cols) / 0.7, dtype=np.float32)


def _supersampled(
    function: Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]],
    gx: Array,
    gy: Array,
    reach: float,
    n: int = 8,
) -> Array:
    """Pixel means of a function: n x n samples where it changes sharply, one elsewhere."""
    value = function(gx[None, :], gy[:, None]).astype(np.float32)
    rough = np.zeros(value.shape, bool)
    step = int(np.ceil(reach))
    rough[:-step, :] |= np.abs(value[step:] - value[:-step]) > 0.01
    rough[step:, :] |= np.abs(value[step:] - value[:-step]) > 0.01
    rough[:, :-step] |= np.abs(value[:, step:] - value[:, :-step]) > 0.01
    rough[:, step:] |= np.abs(value[:, step:] - value[:, :-step]) > 0.01
    iy, ix = np.nonzero(rough)
    total = np.zeros(iy.size)
    offset = (np.arange(n) + 0.5) / n - 0.5
    for oy in offset:
        for ox in offset:
            total += function(gx[ix] + ox, gy[iy] + oy)
    value[iy, ix] = total / n**2
    return value


def _disc(s: Scene, gx: Array, gy: Array) -> Array:
    def brightness(x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
        rho = s._rho(x, y)
        return np.where(rho < 1, _darkening(np.sqrt(np.clip(1 - rho**2, 0, 1)), s.law), 0)

    return _supersampled(brightness, gx, gy, 1)


def _spots(s: Scene, gx: Array, gy: Array, rng: np.random.Generator) -> Array:
    dx, dy = gx[None, :] - s.x, gy[:, None] - s.y
    light = np.ones((gy.size, gx.size), np.float32)
    for _ in range(s.spots):
        where, size = np.sqrt(rng.uniform()) * 0.98 * s.radius, rng.uniform(0.01, 0.04) * s.radius
        angle = rng.uniform(0, 2 * pi)
        r2 = (dx - where * cos(angle)) ** 2 + (dy - where * sin(angle)) ** 2
        light *= 1 - 0.7 * np.exp(-((r2 / size**2) ** 2))
    return light


def _through_cloud(s: Scene, shape: tuple[int, int], rng: np.random.Generator) -> Array:
    depth = s.cloud * (0.5 + 0.35 * noise_field(rng, shape, s.cloud_scale))
    depth += s.cloud_floor + 0.1 * s.cloud * noise_field(rng, shape, s.cloud_scale / 4)
    return np.exp(-np.clip(depth, 0, None)).astype(np.float32)


def _before_the_lens(s: Scene, gx: Array, gy: Array) -> Array:
    """Light of disc, glow, cloud and whatever stands in front, sharp."""
    rng = np.random.default_rng(s.seed)
    disc = _disc(s, gx, gy)
    if s.spots:
        disc *= _spots(s, gx, gy, rng)
    blocked = s.ridge is not None or s.cable is not None or s.moon > 0
    if blocked:
        clear = 1 - _supersampled(lambda x, y: s._opaque(x, y).astype(np.float32), gx, gy, 1)
        if s.moon > 0:
            disc *= clear
    light = s.level * disc + s.sky
    if s.glow or s.cloud:
        rho = s._rho(gx[None, :], gy[:, None])
        light += s.level * s.glow * np.exp(-np.maximum(rho - 1, 0) / 0.5)
        if s.cloud:
            through = _through_cloud(s, light.shape, rng)
            light = light * through + s.level * s.cloud_light * (1 - through) * np.exp(-((rho / 2.5) ** 2))
    if blocked and s.moon == 0:
        light = light * clear + s.ridge_level * (1 - clear)
    return light.astype(np.float32)


def render_linear(s: Scene) -> Array:
    """Linear light on the sensor, full scale 1, before noise."""
    wide = s.cloud > 0 or s.glow > 0
    reach = (2.0 if wide else 1.0) * s.radius + 5 * s.blur + 8
    pad = int(5 * s.blur) + 4
    x0, x1 = max(0, int(s.x - reach)), min(s.width, int(s.x + reach) + 2)
    y0, y1 = max(0, int(s.y - reach)), min(s.height, int(s.y + reach) + 2)
    if s.ridge is not None or s.cable is not None or wide:
        x0, x1, y0, y1 = 0, s.width, 0, s.height
    gx = np.arange(x0 - pad, x1 + pad, dtype=np.float64)
    gy = np.arange(y0 - pad, y1 + pad, dtype=np.float64)
    light = _before_the_lens(s, gx, gy)
    if s.blur > 0:
        light = gaussian_filter(light, s.blur, truncate=5)
    frame = np.full((s.height, s.width), s.sky, np.float32)
    frame[y0:y1, x0:x1] = light[pad:-pad, pad:-pad]
    return frame


def encode_srgb(light: Array) -> Array:
    """IEC 61966-2-1 transfer curve."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055).astype(np.float32)


def develop(s: Scene, light: Array) -> NDArray[np.uint8]:
    """Linear light to the 8-bit grey frame a decoder would hand over."""
    rng = np.random.default_rng(s.seed + 7919)
    light = np.clip(light, 0, 1)
    if s.dust:
        light = light * _dust(s, rng)
    stored = encode_srgb(light**s.gamma if s.gamma != 1 else light)
    if s.contrast:
        stored = stored + s.contrast * stored * (1 - stored) * (2 * stored - 1)
    stored = stored + s.noise * rng.standard_normal(stored.shape, dtype=np.float32)
    grey = np.clip(np.round(stored * 255), 0, 255).astype(np.uint8)
    if s.caption:
        grey = _caption(s, grey, rng)
    return grey if s.quality is None else through_jpeg(grey, s.quality)


def frame_of(s: Scene) -> NDArray[np.uint8]:
    """The whole chain."""
    return develop(s, render_linear(s))


def through_jpeg(grey: NDArray[np.uint8], quality: int = 92) -> NDArray[np.uint8]:
    buffer = io.BytesIO()
    Image.fromarray(grey).save(buffer, "JPEG", quality=quality)
    decoded: NDArray[np.uint8] = simplejpeg.decode_jpeg(buffer.getvalue(), colorspace="GRAY")[:, :, 0]
    return decoded


def _dust(s: Scene, rng: np.random.Generator) -> Array:
    mask = np.ones((s.height, s.width), np.float32)
    for _ in range(s.dust):
        size = rng.uniform(4, 18)
        angle, where = rng.uniform(0, 2 * pi), rng.uniform(0.2, 1.1) * s.radius
        cx, cy = s.x + where * cos(angle), s.y + where * sin(angle)
        x0, x1 = int(max(0, cx - 3 * size)), int(min(s.width, cx + 3 * size))
        y0, y1 = int(max(0, cy - 3 * size)), int(min(s.height, cy + 3 * size))
        if x1 <= x0 or y1 <= y0:
            continue
        yy, xx = np.mgrid[y0:y1, x0:x1]
        r2 = (xx - cx) ** 2 + (yy - cy) ** 2
        mask[y0:y1, x0:x1] *= (1 - rng.uniform(0.05, 0.3) * np.exp(-((r2 / size**2) ** 2))).astype(np.float32)
    return mask


def _caption(s: Scene, grey: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    picture = Image.fromarray(grey)
    draw = ImageDraw.Draw(picture)
    angle = rng.uniform(0, 2 * pi)
    cx, cy = s.x + s.radius * cos(angle) * 0.9, s.y + s.radius * sin(angle) * 0.9
    w, h = s.radius * 0.8, s.radius * 0.12
    if rng.uniform() < 0.5:
        draw.rectangle((cx - w, cy - h, cx + w, cy + h), fill=int(rng.integers(0, 60)))
    draw.text((cx - w * 0.95, cy - h * 0.8), "2031-06-21 02:14", fill=255, font_size=h * 1.5)
    draw.text((30, s.height - 90), "2031-06-21 02:14", fill=220, font_size=60)
    return np.asarray(picture)


def distance(s: Scene, x: float, y: float) -> float:
    return hypot(x - s.x, y - s.y)
