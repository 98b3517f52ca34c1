"""Stored values -> linear light, on the pixels that are looked at."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Transfer = Literal["srgb", "linear"]
Array = NDArray[np.float32]

_CEILING = {"u": 0.99, "f": 0.999}
"""Share of full scale from which a pixel may have been cut off: a JPEG rings below its white."""
_FULL = {"u": 0.998, "f": 0.999}
"""Share of full scale that counts as full: of 255 steps the last."""


def _srgb_to_linear(value: NDArray[Any] | float) -> Array:
    """IEC 61966-2-1, value and light 0 to 1."""
    curve = ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(value <= 0.04045, value / 12.92, curve).astype(np.float32)


@lru_cache(maxsize=8)
def _table(codes: int, transfer: Transfer, full_scale: float) -> Array:
    value = np.arange(codes) / full_scale
    return _srgb_to_linear(value) if transfer == "srgb" else value.astype(np.float32)


@dataclass(frozen=True, slots=True)
class Levels:
    """A grey frame, read as linear light wherever asked; the frame itself is never converted."""

    values: NDArray[Any]
    """(ny, nx), unsigned integers or floats."""
    transfer: Transfer
    full_scale: float

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
        """Linear level from which a pixel counts as full."""
        return self._level(_FULL)

    def _level(self, shares: dict[str, float]) -> float:
        share = shares["u" if self.values.dtype.kind == "u" else "f"]
        return float(_srgb_to_linear(share)) if self.transfer == "srgb" else share

    def even(self, level: float) -> float:
        """Return the value, even to the eye, that stands for a linear level in a small copy of the frame."""
        if self.transfer == "linear":
            return float(level**0.5)
        return float(level * 12.92 if level <= 0.0031308 else 1.055 * level ** (1 / 2.4) - 0.055)

    def linear(self, stored: NDArray[Any]) -> Array:
        """Return linear light, 0 to 1 of full scale, of stored values; what is not a number is dark."""
        kind, size = stored.dtype.kind, stored.dtype.itemsize
        if kind == "u" and size <= 2:
            table = _table(256 if size == 1 else 65536, self.transfer, self.full_scale)
            return np.asarray(table[stored])
        value: Array = np.clip(np.nan_to_num(np.asarray(stored, np.float32) / self.full_scale), 0.0, 1.0)
        return _srgb_to_linear(value) if self.transfer == "srgb" else value

    def at(self, x: NDArray[np.intp], y: NDArray[np.intp]) -> Array:
        """Return linear light of the pixels (x, y); all must lie in the frame."""
        return self.linear(self.values.ravel()[y * self.values.shape[1] + x])
