"""Pixels of one file as a screen shows them: in colour, eight bits a channel, as stored, by format.

For pictures that people look at afterwards. Measuring has its own grey (`pixels`).
"""

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image

from sentinel.chain.intake.pixels import from_numbers, from_pillow, last_channels, raw_opened
from sentinel.core.srgb import srgb_encode

# The readers of the rarer formats are imported where they are needed.
# ruff: noqa: PLC0415

Rgb = NDArray[np.uint8]

JPEG_STEPS = (8, 4, 2)
"""By so much a JPEG can be decoded smaller, each of its pixels the mean of a square."""
_SRGB_STEPS = 4096
"""Of linear light that are told apart: finer than eight bits are in the dark."""


@dataclass(frozen=True, slots=True)
class Colours:
    """A picture in colours."""

    values: Rgb = field(repr=False)
    """(ny, nx, 3) red, green, blue."""
    step: int = 1
    """Stored pixels along a side of one of these."""


def colours_of(
    kind: str,
    content: bytes,
    *,
    reduction: float,
    linear: bool | None,
    buffer: Callable[[int], NDArray[np.uint8]] | None,
) -> Colours:
    """Return a file's colours; `linear` says what its numbers are, None: what they usually are."""
    if kind == "jpeg":
        return _of_jpeg(content, reduction, buffer)
    if kind == "raw":
        return _of_raw(content, half=reduction >= 2)
    if kind == "fits":
        from sentinel.chain.intake.fits_file import from_fits

        pixels = from_fits(content)
        return Colours(_shown(pixels.values, pixels.full_scale, linear=linear is not False))
    values, full_scale = _of_image(kind, content)
    usual = kind == "tiff" and values.dtype != np.uint8
    return Colours(_shown(values, full_scale, linear=usual if linear is None else linear))


def _of_jpeg(content: bytes, reduction: float, buffer: Callable[[int], NDArray[np.uint8]] | None) -> Colours:
    height, width, *_ = simplejpeg.decode_jpeg_header(content)
    step = next((step for step in JPEG_STEPS if step <= reduction), 1)
    rows, columns = -(-height // step), -(-width // step)
    room = None if buffer is None else buffer(3 * rows * columns).reshape(rows, columns, 3)
    try:
        values = simplejpeg.decode_jpeg(
            content, colorspace="RGB", min_height=rows, min_width=columns, min_factor=1, buffer=room,
            fastupsample=True,
        )  # fmt: skip
    except ValueError:
        # Four inks, which only the other library makes into three colours; of a broken file it says why.
        with Image.open(io.BytesIO(content), formats=("JPEG",)) as image:
            if image.mode != "CMYK":
                raise
            return Colours(np.asarray(image.convert("RGB")))
    return Colours(values, step)


def _of_raw(content: bytes, *, half: bool) -> Colours:
    """Develop a raw file with the camera's own white; brightness as exposed, never stretched."""
    with raw_opened(content) as raw:
        values = raw.postprocess(half_size=half, use_camera_wb=True, no_auto_bright=True, user_flip=0)
    return Colours(values, 2 if half else 1)


def _of_image(kind: str, content: bytes) -> tuple[NDArray[Any], float]:
    """Return the numbers of a PNG or TIFF, (ny, nx) or (ny, nx, 3), and the largest there may be."""
    with Image.open(io.BytesIO(content), formats=(kind.upper(),)) as image:
        bits = image.tag_v2.get(258, (8,)) if hasattr(image, "tag_v2") else (8,)
        if len(bits) == 1 or max(bits) <= 8:
            if image.mode.startswith("I") or image.mode == "F":
                pixels = from_pillow(image)
                return pixels.values, pixels.full_scale
            return np.asarray(image.convert("RGB")), 255.0
    import tifffile

    with tifffile.TiffFile(io.BytesIO(content)) as file:
        values = last_channels(file.pages[0].asarray())
    pixels = from_numbers(values[..., :3] if values.ndim == 3 else values)
    return pixels.values, pixels.full_scale


def _shown(values: NDArray[Any], full_scale: float, *, linear: bool) -> Rgb:
    """Return eight bits a channel as a screen takes them, three channels."""
    if values.dtype == np.uint8 and not linear:
        levels: Rgb = values
    else:
        share = np.nan_to_num(values.astype(np.float32) / np.float32(full_scale))
        steps = np.clip(share * (_SRGB_STEPS - 1) + 0.5, 0, _SRGB_STEPS - 1).astype(np.uint16)
        light = np.linspace(0, 1, _SRGB_STEPS)
        levels = np.rint(255 * (srgb_encode(light) if linear else light)).astype(np.uint8)[steps]
    if levels.ndim == 3 and levels.shape[-1] == 3:
        return levels
    return np.repeat(levels.reshape(*levels.shape[:2], -1)[..., :1], 3, axis=-1)
