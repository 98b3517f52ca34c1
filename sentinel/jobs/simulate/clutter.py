"""Things in a picture that are not the sun: lamps, reflections, a landscape, a stamped caption."""

from math import ceil

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from scipy.special import erf

from sentinel.jobs.simulate.fields import Field, smooth_field, smooth_series
from sentinel.jobs.simulate.scene import Caption, Ghost, Lamp, Landscape


def add_clutter(light: Field, thing: Lamp | Ghost | Landscape, left: int, top: int) -> None:
    """Add a thing's light, in place, to a window whose first pixel is (`left`, `top`) of the frame."""
    if isinstance(thing, Landscape):
        _add_landscape(light, thing, left, top)
        return
    y0, x0 = thing.y_px - top, thing.x_px - left
    reach = ceil(thing.radius_px * (14 if isinstance(thing, Lamp) else 1.3)) + 1
    x_from, x_to = (int(np.clip(x0 + d, 0, light.shape[1])) for d in (-reach, reach + 1))
    y_from, y_to = (int(np.clip(y0 + d, 0, light.shape[0])) for d in (-reach, reach + 1))
    if x_from >= x_to or y_from >= y_to:
        return
    dx = (np.arange(x_from, x_to) - x0)[None, :] / thing.radius_px
    dy = (np.arange(y_from, y_to) - y0)[:, None] / thing.radius_px
    distance = np.hypot(dx, dy)
    if isinstance(thing, Lamp):
        shape = (
            0.5 * (1 + erf((1 - distance) / 0.25))
            + 0.06 * np.exp(-distance / 3) * np.maximum(1 - distance / 14, 0) ** 2
        )
    else:
        shape = 0.5 * (1 + erf((1 - _polygon(dx, dy, thing.sides, distance)) / 0.03))
    light[y_from:y_to, x_from:x_to] += (thing.level * shape).astype(np.float32)


def _polygon(dx: np.ndarray, dy: np.ndarray, sides: int, distance: np.ndarray) -> np.ndarray:
    """Return the distance from the middle in units of a regular polygon's own size there."""
    if sides < 3:
        return distance
    turns = 2 * np.pi * np.arange(sides) / sides
    return np.asarray(np.max([dx * np.cos(a) + dy * np.sin(a) for a in turns], axis=0))


def _add_landscape(light: Field, view: Landscape, left: int, top: int) -> None:
    x = np.arange(left, left + light.shape[1], dtype=float)
    y = np.arange(top, top + light.shape[0], dtype=float)
    size = float(max(light.shape))
    sky = 0.55 + 0.45 * np.clip(y / max(view.horizon_y_px, 1), 0, 1)
    picture = (view.level * sky)[:, None] * (1 + 0.12 * smooth_field(x, y, scale=size / 4, seed=view.seed))
    for depth, (tone, height) in enumerate(((0.45, 0.10), (0.25, 0.02), (0.12, -0.08))):
        crest = smooth_series(x, scale=size / (3 + 2 * depth), seed=view.seed + depth + 1, octaves=6)
        line = view.horizon_y_px - size * height + size * 0.03 * crest
        hidden = np.clip(y[:, None] - line[None, :] + 0.5, 0, 1)
        ground = tone + 0.05 * smooth_field(x, y, scale=size / 20, seed=view.seed + depth + 9, octaves=5)
        picture = picture * (1 - hidden) + view.level * ground * hidden
    light += np.maximum(picture, 0).astype(np.float32)


def stamp(image: Field, caption: Caption) -> None:
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
    background = np.zeros_like(patch) if caption.boxed else patch
    patch[...] = background * (1 - mask) + np.float32(caption.level) * mask
