"""A second renderer for the measuring room: another way of drawing, kinds of light the first does not know.

It shares no line with `simulate` nor with `scenes`: the sun is a function of the distance from its middle,
taken on a grid three to six times finer and summed to pixels; seeing bends that grid; the lens is a sum of
spreads; the light goes through coloured filters, tone curves and converters, and to a JPEG in colours.
"""

import io
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Plane = NDArray[np.float32]
Law = Callable[[Plane], Plane]
"""Light of the sun against the cosine of the heliocentric angle."""
Rng = np.random.Generator

LUMINANCE = np.array([0.299, 0.587, 0.114])
"""ITU-R BT.601."""


def linear_law(u: float) -> Law:
    return lambda mu: 1.0 - np.float32(u) * (1.0 - mu)


def power_law(exponent: float) -> Law:
    return lambda mu: np.maximum(mu, 1e-6) ** np.float32(exponent)


def bright_rim(gain: float) -> Law:
    """A limb brighter than the middle: sharpened in the camera, or a line of the chromosphere."""
    return lambda mu: 1.0 + np.float32(gain) * (1.0 - mu) ** 2


@dataclass(frozen=True, kw_only=True)
class Ghost:
    """A reflection between the lenses: a fainter disc elsewhere."""

    x: float
    y: float
    radius: float
    share: float
    """Of the sun's light."""
    blur: float = 1.0
    law: Law = field(default=linear_law(0.6))


@dataclass(frozen=True, kw_only=True)
class View:
    """What stands before the camera and what is in it; pixels, light in shares of full scale."""

    width: int = 1800
    height: int = 1200
    x: float = 900.0
    y: float = 600.0
    radius: float = 300.0
    squeezed: float = 0.0
    """By what share the air has shortened one diameter,"""
    squeezed_along: float = 0.0
    """which lies in this direction, rad from +x to +y."""
    law: Law = field(default=linear_law(0.6))
    light: float = 0.6
    """Of the disc's middle in the brightest channel; above 1 it is overexposed."""
    filter_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """What the filter passes in red, green and blue."""
    sky: float = 0.0
    seeing: float = 0.0
    """Root mean square bending of the limb, px."""
    seeing_scale: float = 40.0
    spreads: tuple[tuple[float, float], ...] = ((1.0, 1.2),)
    """Share and standard deviation (px) of each of the Gaussians that the lens makes of a point."""
    trail: tuple[float, float] = (0.0, 0.0)
    """Way of the picture during the exposure, px."""
    ring_blur: float = 0.0
    """Outer radius of an out-of-focus mirror lens' ring, px."""
    glow: float = 0.0
    """Light beside the limb, of the disc's."""
    glow_radii: float = 1.0
    haze: float = 0.0
    """Even light, of the disc's."""
    moon: tuple[float, float, float] | None = None
    """x, y and radius of the moon."""
    ghosts: tuple[Ghost, ...] = ()
    tone: float = 1.0
    """Exponent laid on the light before it is stored."""
    ceiling: int = 255
    """Where the converter clips."""
    steps: int = 256
    """Levels that are left."""
    noise: float = 0.004
    """Of full scale, as stored."""
    quality: int = 90
    seed: int = 0
    extra: Callable[[Plane, Rng], Plane] | None = None
    """Whatever else is to be done to the light."""
    kept: Callable[[NDArray[np.uint8], Rng], NDArray[np.uint8]] | None = None
    """Whatever else the camera does to the codes, (ny, nx, 3)."""


def _fine_grid(box: tuple[int, int, int, int], fine: int) -> tuple[Plane, Plane]:
    left, top, right, bottom = box
    xs = ((np.arange((right - left) * fine) + 0.5) / fine - 0.5 + left).astype(np.float32)
    ys = ((np.arange((bottom - top) * fine) + 0.5) / fine - 0.5 + top).astype(np.float32)
    return np.meshgrid(xs, ys)


def _bent(view: View, xs: Plane, ys: Plane, fine: int) -> tuple[Plane, Plane]:
    """Seeing: the light arrives from places beside its own, neighbours from neighbouring ones."""
    if not view.seeing:
        return xs, ys
    rng = np.random.default_rng([view.seed, 11])
    moved = []
    for plane in (xs, ys):
        cells = [max(4, int(n / fine / view.seeing_scale) + 4) for n in plane.shape]
        knots = rng.standard_normal(cells).astype(np.float32)
        smooth = cv2.resize(knots, plane.shape[::-1], interpolation=cv2.INTER_CUBIC)
        moved.append(plane + np.float32(view.seeing) * smooth / smooth.std())
    return moved[0], moved[1]


def _unsqueezed(view: View, xs: Plane, ys: Plane) -> tuple[Plane, Plane]:
    """Where on a round disc the light of a flattened one comes from."""
    if not view.squeezed:
        return xs, ys
    cos, sin = np.float32(np.cos(view.squeezed_along)), np.float32(np.sin(view.squeezed_along))
    more = np.float32(1 / (1 - view.squeezed) - 1) * ((xs - view.x) * cos + (ys - view.y) * sin)
    return xs + more * cos, ys + more * sin


def _round_light(  # noqa: PLR0917 - a circle's measures
    x: float, y: float, radius: float, law: Law, xs: Plane, ys: Plane
) -> Plane:
    share = ((xs - np.float32(x)) ** 2 + (ys - np.float32(y)) ** 2) / np.float32(radius**2)
    return np.where(share < 1, law(np.sqrt(np.clip(1 - share, 0, 1))), 0).astype(np.float32)


def _summed(plane: Plane, fine: int) -> Plane:
    rows, columns = plane.shape[0] // fine, plane.shape[1] // fine
    return np.asarray(plane.reshape(rows, fine, columns, fine).mean((1, 3)), np.float32)


def _stamp(view: View, x: float, y: float, radius: float, law: Law, *, real: bool) -> Plane:
    """A disc's light on the whole frame, and beyond it as far as blur reaches in."""
    pad = _pad(view)
    out = np.zeros((view.height + 2 * pad, view.width + 2 * pad), np.float32)
    room = radius + 6 + 5 * view.seeing
    box = (
        max(-pad, int(x - room)), max(-pad, int(y - room)),
        min(view.width + pad, int(x + room) + 2), min(view.height + pad, int(y + room) + 2),
    )  # fmt: skip
    if box[2] <= box[0] or box[3] <= box[1]:
        return out
    fine = 6 if radius < 120 else 3
    # In bands, or a large disc would take gigabytes.
    if real and view.seeing:
        bands = [(box[1], box[3])]
    else:
        edges = [*range(box[1], box[3], 200), box[3]]
        bands = list(pairwise(edges))
    for top, bottom in bands:
        xs, ys = _fine_grid((box[0], top, box[2], bottom), fine)
        if real:
            xs, ys = _bent(view, *_unsqueezed(view, xs, ys), fine)
        light = _round_light(x, y, radius, law, xs, ys)
        if real and view.moon is not None:
            mx, my, mr = view.moon
            light *= np.hypot(xs - np.float32(mx), ys - np.float32(my)) >= mr
        out[top + pad : bottom + pad, box[0] + pad : box[2] + pad] = _summed(light, fine)
    return out


def _pad(view: View) -> int:
    widest = max(sigma for share, sigma in view.spreads if share > 0.5)
    return int(4 * widest + view.ring_blur + max(map(abs, view.trail)) + 4)


def _spread(plane: Plane, sigma: float) -> Plane:
    """A wide spread is made on a smaller copy: there is nothing fine in it."""
    if sigma <= 0:
        return plane
    if sigma < 12:
        return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32)
    small = cv2.resize(plane, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / 4, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(cv2.resize(small, plane.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _trail_kernel(view: View) -> Plane:
    dx, dy = view.trail
    half = int(max(abs(dx), abs(dy)) / 2) + 2
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for t in np.linspace(-0.5, 0.5, 401):
        px, py = half + t * dx, half + t * dy
        ix, iy = int(px), int(py)
        fx, fy = px - ix, py - iy
        for ox, wx in ((0, 1 - fx), (1, fx)):
            for oy, wy in ((0, 1 - fy), (1, fy)):
                kernel[iy + oy, ix + ox] += wx * wy
    return np.asarray(kernel / kernel.sum(), np.float32)


def _ring_kernel(outer: float) -> Plane:
    half = int(outer) + 1
    fine = 5
    at = (np.arange((2 * half + 1) * fine) + 0.5) / fine - 0.5 - half
    r = np.hypot(at[None, :], at[:, None])
    kernel = _summed(((r < outer) & (r > 0.45 * outer)).astype(np.float32), fine)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _through_the_lens(view: View, plane: Plane) -> Plane:
    if view.ring_blur:
        plane = cv2.filter2D(plane, -1, _ring_kernel(view.ring_blur))  # type: ignore[assignment]
    if any(view.trail):
        plane = cv2.filter2D(plane, -1, _trail_kernel(view))  # type: ignore[assignment]
    out = np.zeros_like(plane)
    for share, sigma in view.spreads:
        out += np.float32(share) * _spread(plane, sigma)
    return out


def light_of(view: View) -> Plane:
    """Light on the sensor behind no filter, the disc's middle 1."""
    pad = _pad(view)
    inner = slice(pad, -pad), slice(pad, -pad)
    light = _through_the_lens(view, _stamp(view, view.x, view.y, view.radius, view.law, real=True))[inner]
    for ghost in view.ghosts:
        plain = replace(view, spreads=((1.0, ghost.blur),), trail=(0.0, 0.0), ring_blur=0.0)
        pad = _pad(plain)
        stamp = _stamp(plain, ghost.x, ghost.y, ghost.radius, ghost.law, real=False)
        light = light + np.float32(ghost.share) * _spread(stamp, ghost.blur)[pad:-pad, pad:-pad]
    if view.glow:
        xs, ys = np.arange(view.width, dtype=np.float32), np.arange(view.height, dtype=np.float32)[:, None]
        beyond = np.hypot(xs - np.float32(view.x), ys - np.float32(view.y)) / np.float32(view.radius) - 1
        light = light + np.float32(view.glow) * np.exp(-np.maximum(beyond, 0) / np.float32(view.glow_radii))
    light = light + np.float32(view.haze + view.sky)
    if view.extra is not None:
        light = view.extra(light, np.random.default_rng([view.seed, 12]))
    return np.asarray(light, np.float32)


def _stored(channel: Plane, view: View, rng: Rng) -> NDArray[np.uint8]:
    """Light to codes: tone, the usual curve (IEC 61966-2-1), noise, the converter's ceiling and steps."""
    toned = np.clip(channel, 0, 1) ** np.float32(view.tone)
    curve = np.where(
        toned > 0.0031308, 1.055 * np.maximum(toned, 1e-9) ** np.float32(1 / 2.4) - 0.055, 12.92 * toned
    )
    noise = cv2.GaussianBlur(rng.standard_normal(channel.shape, dtype=np.float32), (0, 0), 0.4)
    full = channel >= 1
    noisy = np.where(full, 1.0, curve + np.float32(view.noise / max(float(noise.std()), 1e-9)) * noise)
    codes = np.clip(noisy, 0, 1) * view.ceiling
    if view.steps < 256:
        codes = np.rint(codes / 255 * (view.steps - 1)) / (view.steps - 1) * 255
    return np.asarray(np.rint(np.clip(codes, 0, view.ceiling)), np.uint8)


def colours_of(view: View) -> NDArray[np.uint8]:
    """The frame in red, green and blue, (ny, nx, 3)."""
    light = light_of(view) * np.float32(view.light)
    rng = np.random.default_rng([view.seed, 13])
    if len(set(view.filter_rgb)) == 1:
        codes = np.repeat(_stored(light * view.filter_rgb[0], view, rng)[..., None], 3, axis=2)
    else:
        codes = np.stack([_stored(light * np.float32(gain), view, rng) for gain in view.filter_rgb], axis=2)
    return codes if view.kept is None else view.kept(codes, np.random.default_rng([view.seed, 14]))


def jpeg_of(view: View, colours: NDArray[np.uint8] | None = None) -> bytes:
    """The frame as a camera's JPEG."""
    out = io.BytesIO()
    picture = Image.fromarray(colours_of(view) if colours is None else colours)
    picture.save(out, "JPEG", quality=view.quality)
    return out.getvalue()


def clipped_share(view: View, colours: NDArray[np.uint8]) -> float:
    """Share of the disc's pixels, in the frame, that stand at the ceiling in any channel."""
    ys, xs = np.mgrid[0 : view.height, 0 : view.width]
    on = np.hypot(xs - view.x, ys - view.y) < view.radius - 2
    return float((colours[on] >= view.ceiling).any(axis=1).mean())


def any_picture(values: NDArray[Any], quality: int = 90) -> bytes:
    """Grey codes as a JPEG."""
    out = io.BytesIO()
    Image.fromarray(np.asarray(values, np.uint8)).save(out, "JPEG", quality=quality)
    return out.getvalue()
