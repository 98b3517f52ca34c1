"""A linear image -> a file as a camera would write it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from PIL import ExifTags, Image

from sentinel.core.srgb import srgb_encode
from sentinel.jobs.simulate.fields import Field

FileFormat = Literal["jpg", "tif", "png", "fits"]
"""tif is 16 bit and linear, like fits; png is grey sRGB."""

Tint = tuple[float, float, float]
"""Linear red, green and blue of what is white before the filter, the brightest 1."""

NEUTRAL_FILTER: Tint = (1.0, 1.0, 1.0)
WARM_FILTER: Tint = (1.0, 0.62, 0.22)
"""An orange-tinted solar filter."""

LUMA = (0.299, 0.587, 0.114)
"""Weights of red, green and blue sRGB values in a JPEG's grey (JFIF, ITU-R BT.601)."""

MAKE = "Fernlicht"
"""The maker that all invented cameras name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exif:
    """What a camera writes beside its pixels."""

    taken: datetime
    """The camera's own clock; its UTC offset is written too."""
    exposure_s: float
    iso: int
    aperture: float
    model: str
    orientation: int = 1


@cache
def _srgb8_table() -> NDArray[np.uint8]:
    return np.asarray(np.rint(255 * srgb_encode(np.arange(65_536) / 65_535)), dtype=np.uint8)


def _levels16(linear: Field) -> NDArray[np.uint16]:
    scaled = linear * np.float32(65_535)
    np.clip(scaled, 0, 65_535, out=scaled)
    return np.asarray(np.rint(scaled, out=scaled), dtype=np.uint16)


def encode_srgb8(linear: Field) -> NDArray[np.uint8]:
    """Return 8-bit sRGB values of a linear image, clipped at 0 and at full scale."""
    return np.asarray(_srgb8_table()[_levels16(linear)], dtype=np.uint8)


def encode_tinted8(linear: Field, tint: Tint) -> NDArray[np.uint8]:
    """Return 8-bit sRGB values of shape (..., 3) whose linear channels are `tint` times the image."""
    return np.stack([encode_srgb8(linear * np.float32(channel)) for channel in tint], axis=-1)


def _exif_block(tags: Exif) -> Image.Exif:
    block, base = Image.Exif(), ExifTags.Base
    written = tags.taken.strftime("%Y:%m:%d %H:%M:%S")
    block.get_ifd(ExifTags.IFD.Exif).update(
        {
            base.DateTimeOriginal: written,
            base.DateTimeDigitized: written,
            base.SubsecTimeOriginal: f"{tags.taken.microsecond // 1000:03d}",
            base.OffsetTimeOriginal: f"{tags.taken.isoformat()[-6:]}",
            base.ExposureTime: tags.exposure_s,
            base.FNumber: tags.aperture,
            base.ISOSpeedRatings: tags.iso,
        }
    )
    block.update({base.Make: MAKE, base.Model: tags.model, base.Orientation: tags.orientation})
    return block


def write_picture(
    path: Path,
    linear: Field,
    exif: Exif,
    file_format: FileFormat = "jpg",
    *,
    tint: Tint = NEUTRAL_FILTER,
    quality: int = 92,
) -> None:
    """Write an image in one of a camera's formats, whatever the path's suffix; only a JPEG is tinted."""
    if file_format == "jpg":
        image = Image.fromarray(encode_tinted8(linear, tint))
        image.save(path, "JPEG", quality=quality, exif=_exif_block(exif).tobytes())
    elif file_format == "tif":
        Image.fromarray(_levels16(linear)).save(path, "TIFF", exif=_exif_block(exif))
    elif file_format == "png":
        Image.fromarray(encode_srgb8(linear)).save(path, "PNG")
    else:
        taken_utc = exif.taken.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
        header = fits.Header({"EXPTIME": exif.exposure_s, "DATE-OBS": taken_utc})
        # The first stored row is the first row of the image.
        fits.PrimaryHDU(_levels16(linear), header).writeto(path)
