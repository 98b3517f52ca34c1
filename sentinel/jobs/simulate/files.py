"""A linear image -> a file as a camera would write it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from PIL import ExifTags, Image

from sentinel.jobs.simulate.fields import Field
from sentinel.jobs.simulate.light import srgb_encode

Tint = tuple[float, float, float]
"""Linear red, green and blue of what is white before the filter, the brightest 1."""

NEUTRAL_FILTER: Tint = (1.0, 1.0, 1.0)
WARM_FILTER: Tint = (1.0, 0.62, 0.22)
"""An orange-tinted solar filter."""

LUMA = (0.299, 0.587, 0.114)
"""Weights of red, green and blue sRGB values in a JPEG's grey (JFIF, ITU-R BT.601)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exif:
    """What a camera writes beside its pixels; None leaves the tag out."""

    taken: datetime | None = None
    """The camera's own clock; its UTC offset is written when it has one."""
    exposure_s: float | None = None
    iso: int | None = None
    aperture: float | None = None
    make: str | None = "Fernlicht"
    model: str | None = "F1"
    orientation: int | None = 1


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


def exif_block(tags: Exif) -> Image.Exif:
    """Return the tags as Pillow writes them."""
    block = Image.Exif()
    ifd = block.get_ifd(ExifTags.IFD.Exif)
    base, sub = ExifTags.Base, ifd
    if tags.taken is not None:
        sub[base.DateTimeOriginal] = sub[base.DateTimeDigitized] = tags.taken.strftime("%Y:%m:%d %H:%M:%S")
        sub[base.SubsecTimeOriginal] = f"{tags.taken.microsecond // 1000:03d}"
        offset = tags.taken.strftime("%z")
        if offset:
            sub[base.OffsetTimeOriginal] = f"{offset[:3]}:{offset[3:5]}"
    for tag, number in ((base.ExposureTime, tags.exposure_s), (base.FNumber, tags.aperture)):
        if number is not None:
            sub[tag] = number
    if tags.iso is not None:
        sub[base.ISOSpeedRatings] = tags.iso
    top = ((base.Make, tags.make), (base.Model, tags.model), (base.Orientation, tags.orientation))
    block.update({tag: entry for tag, entry in top if entry is not None})
    return block


def write_jpeg(
    path: Path,
    linear: Field,
    *,
    quality: int = 92,
    tint: Tint | None = None,
    colour: bool = True,
    progressive: bool = False,
    exif: Exif | None = None,
) -> None:
    """Write an sRGB JPEG: RGB, grey-looking unless tinted, or one grey channel with `colour` False."""
    if tint is not None:
        image = Image.fromarray(encode_tinted8(linear, tint))
    else:
        image = Image.fromarray(encode_srgb8(linear))
        image = image.convert("RGB") if colour else image
    block = exif_block(exif).tobytes() if exif is not None else b""
    image.save(path, "JPEG", quality=quality, progressive=progressive, exif=block)


def write_tiff(path: Path, linear: Field, *, bits: int = 16, exif: Exif | None = None) -> None:
    """Write a grey TIFF: 16 bit linear, or 8 bit sRGB."""
    image = Image.fromarray(_levels16(linear) if bits == 16 else encode_srgb8(linear))
    image.save(path, "TIFF", exif=exif_block(exif) if exif is not None else None)


def write_png(path: Path, linear: Field, *, bits: int = 8) -> None:
    """Write a grey sRGB PNG of 8 or 16 bit."""
    if bits == 16:
        values = np.asarray(np.rint(65_535 * srgb_encode(linear)), dtype=np.uint16)
        Image.fromarray(values).save(path, "PNG")
        return
    Image.fromarray(encode_srgb8(linear)).save(path, "PNG")


def write_fits(
    path: Path, linear: Field, *, taken_utc: datetime | None = None, exposure_s: float = 0.01
) -> None:
    """Write a linear unsigned 16-bit FITS image, its first stored row the first row of the image."""
    header = fits.Header({"EXPTIME": exposure_s})
    if taken_utc is not None:
        header["DATE-OBS"] = taken_utc.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
    fits.PrimaryHDU(_levels16(linear), header).writeto(path)
