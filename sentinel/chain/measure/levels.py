"""Stored values -> linear light, on the pixels that are looked at."""

from dataclasses import dataclass
from functools import lru_cache
from math import floor, inf
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sentinel.core.srgb import srgb_decode, srgb_encode

Transfer = Literal["srgb", "linear"]
Array = NDArray[np.float32]

_CEILING = {"u": 0.99, "f": 0.999}
"""Share of full scale from which a pixel may have been cut off: a JPEG rings below its white."""
_FULL = {"u": 0.998, "f": 0.999}
"""Share of full scale that counts as full: of 255 steps the last."""


def light_of_srgb(value: NDArray[Any] | float) -> Array:
    """Return linear light of sRGB values, both 0 to 1, in single precision."""
    return srgb_decode(value).astype(np.float32)


_BELOW = 2.5 / 255
"""How far below their ceiling pixels still stand at it: a JPEG rings."""
_LOWEST = 0.85
"""Share of full scale below which an 8-bit picture's top is a bright disc, no ceiling."""
_LAST_CODES = 253
_PLATEAU, _SHARP = 40, 0.6
"""Sampled pixels that make a plateau, and the share of those about it that stand at it."""


def ceiling_of(sample: NDArray[Any], full_scale: float, *, rings: bool = False) -> float:
    """Return the share of full scale at which a picture's light is cut off: where its top is a plateau.

    Infinite where it is none, or at the last codes, which are full anyhow: unless the sample `rings`, as the
    colours of a JPEG do, several codes below their white. A converter may clip below its last code, and the
    darkest of three channels long after the brightest.
    """
    if sample.size == 0 or (sample.dtype == np.uint8 and int(sample.max()) < _LOWEST * 255):
        return inf
    if sample.dtype != np.uint8:
        top = float(np.nanmax(sample))
        at_top = int(np.count_nonzero(sample >= top))
        near = int(np.count_nonzero(sample >= 0.98 * top))
        return top / full_scale if top > 0 and at_top > max(_PLATEAU, 0.1 * near) else inf
    count = np.bincount(sample.ravel(), minlength=256)
    lowest = int(_LOWEST * 255)
    top_code = lowest + int(np.argmax(count[lowest:]))
    at, about = int(count[top_code - 1 : top_code + 2].sum()), int(count[top_code - 6 :].sum())
    plateau = at > _PLATEAU and at > _SHARP * about and (rings or top_code < _LAST_CODES)
    return (top_code + 1) / 255 if plateau else inf


@lru_cache(maxsize=8)
def _table(codes: int, transfer: Transfer, full_scale: float) -> Array:
    value = np.arange(codes) / full_scale
    return light_of_srgb(value) if transfer == "srgb" else value.astype(np.float32)


@dataclass(frozen=True, slots=True)
class Levels:
    """A grey frame, read as linear light wherever asked; the frame itself is never converted."""

    values: NDArray[Any]
    """(ny, nx), unsigned integers or floats."""
    transfer: Transfer
    full_scale: float
    ceiling: float = inf
    """Share of full scale at which the picture's own light is seen to be cut off."""

    @property
    def shape(self) -> tuple[int, int]:
        """(ny, nx)."""
        ny, nx = self.values.shape
        return ny, nx

    @property
    def saturation(self) -> float:
        """Linear level from which a pixel's light is not to be believed."""
        return self._level(_CEILING)

    @property
    def full(self) -> float:
        """Linear level from which a pixel counts as full: a few codes below a ceiling that is seen."""
        return self._level(_FULL, self.ceiling - _BELOW)

    def _level(self, shares: dict[str, float], ceiling: float = inf) -> float:
        share = min(shares["u" if self.values.dtype.kind == "u" else "f"], ceiling)
        return float(light_of_srgb(share)) if self.transfer == "srgb" else share

    def even(self, level: float) -> float:
        """Return the value, even to the eye, that stands for a linear level in a small copy of the frame."""
        if self.transfer == "linear":
            return float(level**0.5)
        return float(srgb_encode(level))

    def stored(self, level: float) -> float:
        """Return the stored value that stands for a linear level; the whole one below where all are whole.

        To be compared with a broken number they would all have to be made into such.
        """
        value = self.full_scale * (level if self.transfer == "linear" else self.even(level))
        return floor(value) if self.values.dtype.kind == "u" else value

    def linear(self, stored: NDArray[Any]) -> Array:
        """Return linear light, 0 to 1 of full scale, of stored values; what is not a number is dark."""
        kind, size = stored.dtype.kind, stored.dtype.itemsize
        if kind == "u" and size <= 2:
            table = _table(256 if size == 1 else 65536, self.transfer, self.full_scale)
            return np.asarray(table[stored])
        value: Array = np.clip(np.nan_to_num(np.asarray(stored, np.float32) / self.full_scale), 0.0, 1.0)
        return light_of_srgb(value) if self.transfer == "srgb" else value

    def at(self, x: NDArray[np.intp], y: NDArray[np.intp]) -> Array:
        """Return linear light of the pixels (x, y); all must lie in the frame."""
        return self.linear(self.values.ravel()[y * self.values.shape[1] + x])
