"""FITS: the first picture of a file, and what its header says."""

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def _first_picture(content: bytes) -> Iterator[tuple[Any, Any]]:
    """Give the first part of a file that holds a picture, and the file's own header."""
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # memmap cannot serve unsigned integers, and there is no file behind the bytes.
        with fits.open(io.BytesIO(content), memmap=False, ignore_missing_simple=False) as file:
            parts = islice(file, MAX_PARTS)
            part = next((p for p in parts if p.is_image and p.header.get("NAXIS", 0) >= 2), None)
            if part is None:
                raise FrameProblem(f"holds no picture in its first {MAX_PARTS} parts")
            if (pixels := int(np.prod(part.shape))) > MAX_PIXELS:
                raise FrameProblem(f"claims {pixels} pixels, more than any camera's")
            yield part, file[0].header


def read_fits_header(content: bytes) -> tuple[tuple[int, int], Tags]:
    """Return width and height of the first picture in a FITS file, and its tags."""
    with _first_picture(content) as (part, above):
        shape = part.shape[:2] if part.shape[-1] in (3, 4) and len(part.shape) == 3 else part.shape[-2:]
        return (int(shape[1]), int(shape[0])), _tags(part.header if "DATE-OBS" in part.header else above)


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
    with _first_picture(content) as (part, _):
        values = np.asarray(part.data)
        ceiling = part.header.get("SATURATE", part.header.get("DATAMAX"))
    pixels = from_numbers(grey_of(values.astype(values.dtype.newbyteorder("="), copy=False)))
    if isinstance(ceiling, int | float) and ceiling > 0:
        return Pixels(values=pixels.values, full_scale=float(ceiling))
    return pixels
