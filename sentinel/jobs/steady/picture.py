"""A decoded frame -> the sun in the middle, turned, cropped, at one scale."""

from dataclasses import dataclass
from math import ceil, cos, floor, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.transform import warp

Levels = NDArray[np.float32]
Pixel = tuple[float, float]

_SPARE_PX = 4
"""Beyond the corners of what is shown: an interpolation looks at neighbours."""


@dataclass(frozen=True, slots=True)
class Crop:
    """What is shown of each frame: the same for all of a session, so that the sun keeps its true size."""

    size_px: int
    """Width and height of the picture."""
    frame_px: float
    """Pixels of the stored frame along one of the picture's own."""

    @classmethod
    def of_radii(cls, size_px: int, radii: float, radius_px: float) -> "Crop":
        """Return the crop that reaches so many of the sun's radii from its centre to each side."""
        return cls(size_px, 2 * radii * radius_px / size_px)

    @property
    def middle_px(self) -> float:
        """Where the sun's centre falls in the picture, either way: between pixels if its size is even."""
        return (self.size_px - 1) / 2

    def at(self, centre_px: Pixel, up_deg: float, place_px: Pixel) -> Pixel:
        """Return where a place in the stored frame falls in the picture, (x, y)."""
        right, down = place_px[0] - centre_px[0], place_px[1] - centre_px[1]
        cosine, sine = cos(radians(up_deg)), sin(radians(up_deg))
        return (
            self.middle_px + (right * cosine + down * sine) / self.frame_px,
            self.middle_px + (down * cosine - right * sine) / self.frame_px,
        )


def centred(
    frame: NDArray[Any],
    centre_px: Pixel,
    up_deg: float,
    crop: Crop,
    *,
    step: float = 1.0,
    order: int = 1,
    outside: float = 0.0,
) -> Levels:
    """Return what a crop shows of a frame, to a hundredth of a pixel.

    Parameters
    ----------
    frame
        (ny, nx) or (ny, nx, channels), levels of any kind.
    centre_px
        The disc's measured centre (x, y), in pixels of the stored frame.
    up_deg
        The direction that is to be up: degrees clockwise from the stored frame's up, as `up_angles` gives.
    step
        Pixels of the stored frame along one of `frame`'s: more than one where it was decoded smaller. Each is
        then the mean of a square of them.
    order
        1: bilinear; 3: bicubic, for stills. Nothing is smoothed before: decode the frame at a `step` that
        leaves less than two of its pixels to one of the picture's.
    outside
        The level of what lies outside the frame.

    Returns
    -------
    (size, size) or (size, size, channels), levels as the frame has them, none beyond its range.
    """
    # Only what is needed is made into floats: of a whole frame that would take longer than all the rest.
    x, y = ((at + 0.5) / step - 0.5 for at in centre_px)
    reduction = crop.frame_px / step
    turn = radians(up_deg)
    cosine, sine = reduction * cos(turn), reduction * sin(turn)
    half = crop.size_px / 2
    reach = half * (abs(cosine) + abs(sine)) + _SPARE_PX
    left, right = max(0, floor(x - reach)), min(frame.shape[1], ceil(x + reach) + 1)
    top, bottom = max(0, floor(y - reach)), min(frame.shape[0], ceil(y + reach) + 1)
    shape = (crop.size_px, crop.size_px, *frame.shape[2:])
    if left >= right or top >= bottom:
        return np.full(shape, outside, np.float32)
    part = frame[top:bottom, left:right].astype(np.float32)
    middle = crop.middle_px
    to_frame = np.array(
        [
            [cosine, -sine, x - left - middle * (cosine - sine)],
            [sine, cosine, y - top - middle * (sine + cosine)],
            [0.0, 0.0, 1.0],
        ]
    )
    shown = warp(
        part, to_frame, output_shape=shape[:2], order=order, cval=outside, preserve_range=True, clip=order > 1
    )
    return np.asarray(shown, np.float32)
