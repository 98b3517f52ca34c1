"""Pixels of one file, by format: grey, in the stored orientation, as few copies as possible."""

import io
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image

from sentinel.core.errors import FrameProblem, Problem, need_extra

# The readers of the rarer formats are imported where they are needed: a measuring process starts quickly.
# ruff: noqa: PLC0415

MAX_PIXELS = 160_000_000
"""The largest cameras have 150 million; what claims more is not a frame."""
HOLE = "hole"
"""A long run of zeros stands in the picture data: a block of the file may never have been written."""
HOLE_BYTES = 1024
_START_OF_SCAN = 0xDA

THINNED = 4
"""Of so many rows and columns of a picture in colours one is looked at for channels that are full."""
LUMA = np.array([0.299, 0.587, 0.114], np.float32)
"""Weights of red, green and blue in a JPEG's grey (ITU-R BT.601); used for the other formats too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pixels:
    """A grey picture and what its numbers mean."""

    values: NDArray[Any] = field(repr=False)
    full_scale: float
    step: int = 1
    """Sensor pixels along a side of one of these."""
    shift_px: tuple[float, float] = (0.0, 0.0)
    """How far off the middle of that square the light was gathered, right and down, in sensor pixels."""
    flags: tuple[str, ...] = ()
    brightest: Callable[[], NDArray[Any]] | None = field(default=None, repr=False)
    """Gives the largest of the channels, on a smaller copy; None where there is one channel."""


def from_jpeg(content: bytes) -> Pixels:
    """Decode a JPEG's grey at full size; strict, because a hole in the data is not a picture of the sun."""
    try:
        grey = simplejpeg.decode_jpeg(content, colorspace="GRAY")[:, :, 0]
    except ValueError:
        if not _four_colours(content):
            raise
        with Image.open(io.BytesIO(content), formats=("JPEG",)) as image:
            grey = np.asarray(image.convert("L"))
    channels = partial(_brightest_of_jpeg, content) if _has_colours(content) else None
    return Pixels(
        values=grey, full_scale=255.0, brightest=channels, flags=(HOLE,) if _has_hole(content, grey) else ()
    )


def _has_colours(content: bytes) -> bool:
    *_, colour_space, _ = simplejpeg.decode_jpeg_header(content)
    return colour_space in {"YCbCr", "RGB"}


def _brightest_of_jpeg(content: bytes) -> NDArray[Any]:
    height, width, *_ = simplejpeg.decode_jpeg_header(content)
    small = simplejpeg.decode_jpeg(
        content, colorspace="RGB", min_height=-(-height // 8), min_width=-(-width // 8), min_factor=1
    )
    return _brightest_of(small, thinned=1)


def _brightest_of(colours: NDArray[Any], thinned: int = THINNED) -> NDArray[Any]:
    red, green, blue = (colours[::thinned, ::thinned, channel] for channel in range(3))
    # Plane by plane: a maximum along an axis of three takes ten times as long.
    return np.asarray(np.maximum(np.maximum(red, green), blue))


def _has_hole(content: bytes, grey: NDArray[np.uint8]) -> bool:
    """Whether zeros stand where picture data should: a progressive JPEG decodes across some all the same.

    Black sky is a long run of zeros too, where it has the shortest code. Then the decoder has seen it: at
    least a block of it for every byte.
    """
    # Such a run holds at least one of the words that stand half its length apart.
    words = np.frombuffer(content, np.uint64, len(content) // 8)[:: HOLE_BYTES // 16]
    if words.all():
        return False
    place = 2
    while content[place : place + 1] == b"\xff" and content[place + 1] != _START_OF_SCAN:
        place += 2 + int.from_bytes(content[place + 2 : place + 4], "big")
    end = content.rfind(b"\xff\xd9")
    start = content.find(bytes(HOLE_BYTES), place, end)
    if start < 0:
        return False
    run = len(content[start:end]) - len(content[start:end].lstrip(b"\0"))
    return _featureless_blocks(grey) < run


def _featureless_blocks(grey: NDArray[np.uint8]) -> int:
    """How many of a JPEG's blocks of 8 x 8 pixels hold one value."""
    ny, nx = (side // 8 * 8 for side in grey.shape)
    blocks = grey[:ny, :nx].reshape(ny // 8, 8, nx // 8, 8)
    return int(np.count_nonzero(blocks.max(axis=(1, 3)) == blocks.min(axis=(1, 3))))


def _four_colours(content: bytes) -> bool:
    with Image.open(io.BytesIO(content), formats=("JPEG",)) as image:
        return image.mode == "CMYK"


def from_pillow(image: Image.Image) -> Pixels:
    """Load an opened PNG or TIFF."""
    if image.mode.startswith("I;16"):
        return Pixels(values=np.asarray(image).astype(np.uint16, copy=False), full_scale=65535.0)
    if image.mode in ("I", "F"):
        return from_numbers(np.asarray(image))
    if image.mode in ("L", "1", "LA"):
        return Pixels(values=np.asarray(image if image.mode == "L" else image.convert("L")), full_scale=255.0)
    channels = partial(_brightest_of, np.asarray(image.convert("RGB")))
    return Pixels(values=np.asarray(image.convert("L")), full_scale=255.0, brightest=channels)


def from_tiff(content: bytes, image: Image.Image) -> Pixels:
    """Load a TIFF; what Pillow does not read (16 bits a colour, above all) goes to tifffile."""
    bits = image.tag_v2.get(258, (8,)) if hasattr(image, "tag_v2") else (8,)
    if len(bits) == 1 or max(bits) <= 8:
        return from_pillow(image)
    import tifffile

    with tifffile.TiffFile(io.BytesIO(content)) as file:
        return from_colours(file.pages[0].asarray())


def from_colours(values: NDArray[Any]) -> Pixels:
    """Take an array of one or three planes as a picture."""
    pixels = from_numbers(grey_of(values))
    colours = last_channels(values)
    if colours.ndim != 3 or colours.shape[-1] not in (3, 4):
        return pixels
    return replace(pixels, brightest=partial(_brightest_of, colours))


def last_channels(values: NDArray[Any]) -> NDArray[Any]:
    """Return the array with its channels, if it has some, on the last axis."""
    if values.ndim == 3 and values.shape[0] in (1, 3) and values.shape[-1] not in (3, 4):
        return np.moveaxis(values, 0, -1)
    return values


def from_numbers(values: NDArray[Any]) -> Pixels:
    """Take an array of any numbers as a picture.

    Floats within 0 to 1 are shares of full scale, others are scaled by their largest.
    """
    if values.dtype == np.uint8:
        return Pixels(values=values, full_scale=255.0)
    if values.dtype.kind == "u" and values.dtype.itemsize == 2:
        return Pixels(values=values.astype(np.uint16, copy=False), full_scale=65535.0)
    if values.dtype.kind == "i" and values.dtype.itemsize == 2:
        return Pixels(values=np.maximum(values, 0).astype(np.uint16), full_scale=32767.0)
    real = values.astype(np.float32)
    largest = float(np.nanmax(real, initial=0.0, where=np.isfinite(real)))
    return Pixels(values=real, full_scale=largest if largest > 1 else 1.0)


def grey_of(values: NDArray[Any]) -> NDArray[Any]:
    """Return one plane of an array of shape (ny, nx), (ny, nx, 3 or 4) or (3, ny, nx)."""
    values = last_channels(values)
    if values.ndim == 3 and values.shape[-1] == 1:
        values = values[..., 0]
    if values.ndim == 3 and values.shape[-1] in (3, 4):
        grey = np.zeros(values.shape[:2], np.float32)
        for channel, weight in enumerate(LUMA):
            grey += values[..., channel] * weight
        return grey if values.dtype.kind == "f" else np.rint(grey).astype(values.dtype)
    if values.ndim != 2:
        raise FrameProblem(f"holds {values.ndim} dimensions where a picture has two")
    return values


def from_raw(content: bytes) -> Pixels:
    """Develop a raw file at half size: linear, one value a square of four sensor pixels."""
    with raw_opened(content) as raw:
        import rawpy

        pattern = raw.raw_pattern  # as long as nothing has been developed
        pattern = None if pattern is None else pattern.copy()
        colour = raw.postprocess(
            half_size=True, gamma=(1, 1), no_auto_bright=True, output_bps=16, user_flip=0,
            use_camera_wb=False, use_auto_wb=False, user_wb=[1, 1, 1, 1], output_color=rawpy.ColorSpace.raw,
        )  # fmt: skip
        shift = _colour_centre(pattern, colour)
    return Pixels(
        values=grey_of(colour),
        full_scale=65535.0,
        step=2,
        shift_px=shift,
        brightest=partial(_brightest_of, colour),
    )


def raw_opened(content: bytes) -> Any:
    """Return a raw file as its library opens it.

    Raises `FrameProblem` if the library is not installed.
    """
    try:
        need_extra("raw", what="is a camera raw file, which needs")
    except Problem as problem:
        raise FrameProblem(problem.what, mend=problem.mend) from None
    import rawpy

    return rawpy.imread(io.BytesIO(content))


def _colour_centre(pattern: NDArray[Any] | None, colour: NDArray[Any]) -> tuple[float, float]:
    """Return where in a square of four filters the grey light comes from, against the square's middle.

    Red and blue sit in opposite corners: a red sun is seen by pixels half a pixel off the middle.
    """
    if pattern is None or pattern.shape != (2, 2):
        return 0.0, 0.0
    light = colour.mean(axis=(0, 1)) * LUMA
    centre = np.zeros(2)
    for channel, filters in enumerate(((0,), (1, 3), (2,))):
        row, column = np.nonzero(np.isin(pattern, filters))
        if row.size:
            centre += light[channel] * (np.array([column.mean(), row.mean()]) - 0.5)
    x_px, y_px = centre / max(float(light.sum()), 1e-9)
    return float(x_px), float(y_px)


def raw_size(content: bytes) -> tuple[int, int]:
    """Return width and height of a raw file's picture; (0, 0) where nothing installed can tell."""
    try:
        import rawpy
    except ImportError:
        return 0, 0
    with rawpy.imread(io.BytesIO(content)) as raw:
        return int(raw.sizes.width), int(raw.sizes.height)


def raw_preview(content: bytes) -> bytes:
    """Return the JPEG that a raw file carries for showing."""
    import rawpy

    with rawpy.imread(io.BytesIO(content)) as raw:
        return bytes(raw.extract_thumb().data)
