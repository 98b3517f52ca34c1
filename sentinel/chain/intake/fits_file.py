"""FITS: the first picture of a file, and what its header says."""

import io
import warnings
from datetime import UTC, datetime
from itertools import islice
from math import nan
from typing import Any

import numpy as np

from sentinel.chain.intake.exif import Tags
from sentinel.chain.intake.pixels import MAX_PIXELS, Pixels, from_numbers, grey_of
from sentinel.core.errors import FrameProblem

# astropy takes longer to import than a frame to measure; only FITS needs it.
# ruff: noqa: PLC0415

MAX_PARTS = 50
"""Of a file, the first so many are searched for a picture: each takes time, and files may hold thousands."""


def _picture(file: Any) -> Any:
    """Return the first part of the file that holds a picture."""
    for part in islice(file, MAX_PARTS):
        if part.is_image and part.header.get("NAXIS", 0) >= 2:
            shape = part.shape
            if int(np.prod(shape)) > MAX_PIXELS:
                raise FrameProblem(f"claims {int(np.prod(shape))} pixels, more than any camera's")
            return part
    raise FrameProblem(f"holds no picture in its first {MAX_PARTS} parts")


def _opened(content: bytes) -> Any:
    from astropy.io import fits

    # memmap cannot serve unsigned integers, and there is no file behind the bytes.
    return fits.open(io.BytesIO(content), memmap=False, ignore_missing_simple=False)


def read_fits_header(content: bytes) -> tuple[tuple[int, int], Tags]:
    """Return width and height of the first picture in a FITS file, and its tags."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with _opened(content) as file:
            part = _picture(file)
            shape = part.shape[:2] if part.shape[-1] in (3, 4) and len(part.shape) == 3 else part.shape[-2:]
            header = part.header if "DATE-OBS" in part.header else file[0].header
            return (int(shape[1]), int(shape[0])), _tags(header)


def _tags(header: Any) -> Tags:
    taken = None
    try:
        taken = datetime.fromisoformat(str(header.get("DATE-OBS", "")))
        if taken.tzinfo is not None:
            taken = taken.astimezone(UTC).replace(tzinfo=None)
    except ValueError:
        pass
    exposure = header.get("EXPTIME", header.get("EXPOSURE", nan))
    return Tags(
        taken=taken,
        exposure_s=float(exposure) if isinstance(exposure, int | float) else nan,
        camera=str(header.get("INSTRUME", "")).strip(),
    )


def from_fits(content: bytes) -> Pixels:
    """Read the first picture of a FITS file; its first row becomes row 0."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with _opened(content) as file:
            part = _picture(file)
            values = np.asarray(part.data)
            ceiling = part.header.get("SATURATE", part.header.get("DATAMAX"))
    pixels = from_numbers(grey_of(values.astype(values.dtype.newbyteorder("="), copy=False)))
    if isinstance(ceiling, int | float) and ceiling > 0:
        return Pixels(values=pixels.values, full_scale=float(ceiling))
    return pixels
