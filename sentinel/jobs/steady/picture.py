"""A decoded frame -> the sun in the middle, turned, cropped, at one scale."""

from dataclasses import dataclass
from math import ceil, cos, floor, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.transform import AffineTransform, downscale_local_mean, warp

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

    def window(
        self,
        centre_px: Pixel,
        up_deg: float,
        shape: tuple[int, ...],
        step: float = 1.0,
        *,
        even: bool = False,
    ) -> tuple[slice, slice]:
        """Return rows and columns of a frame (ny, nx) decoded at a step that hold all that is shown.

        `even`: both begin at an even one, and are even in number. Empty where nothing of the frame is shown.
        """
        turn = abs(cos(radians(up_deg))) + abs(sin(radians(up_deg)))
        reach = self.size_px / 2 * self.frame_px / step * turn + _SPARE_PX + self.frame_px / step
        found = []
        for at, count in ((centre_px[1], shape[0]), (centre_px[0], shape[1])):
            middle = (at + 0.5) / step - 0.5
            begin, end = max(0, floor(middle - reach)), min(count, ceil(middle + reach) + 1)
            if even:
                begin -= begin % 2
                end -= (end - begin) % 2
            found.append(slice(begin, max(begin, end)))
        return found[0], found[1]

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

    `frame`: (ny, nx) or (ny, nx, channels), levels of any kind.
    `centre_px`: the disc's measured centre (x, y), in pixels of the stored frame.
    `up_deg`: the direction that is to be up: degrees clockwise from the stored frame's up, as `up_angles`
        gives.
    `step`: pixels of the stored frame along one of `frame`'s: more than one where it was decoded smaller.
        Each is then the mean of a square of them.
    `order`: 1: bilinear; 3: bicubic, for stills. Where two or more pixels go into one, means of squares come
        first.
    `outside`: the level of what lies outside the frame.
    Returns (size, size) or (size, size, channels), levels as the frame has them, none beyond its range.
    """
    # Only what is needed is made into floats: of a whole frame that would take longer than all the rest.
    rows, columns = crop.window(centre_px, up_deg, frame.shape[:2], step)
    shape = (crop.size_px, crop.size_px, *frame.shape[2:])
    part = frame[rows, columns]
    if not part.size:
        return np.full(shape, outside, np.float32)
    part = part.astype(np.float32, copy=False)
    reduction, first = crop.frame_px / step, np.array([columns.start, rows.start])
    x, y = (np.array(centre_px) + 0.5) / step - 0.5 - first
    blur = int(reduction)
    if blur > 1:
        # A square that is not whole at the frame's edge would be mixed with nothing.
        part = part[: part.shape[0] // blur * blur, : part.shape[1] // blur * blur]
        part = downscale_local_mean(part, (blur, blur, *(1,) * (part.ndim - 2)))
        x, y, reduction = (x + 0.5) / blur - 0.5, (y + 0.5) / blur - 0.5, reduction / blur
    cosine, sine = reduction * cos(radians(up_deg)), reduction * sin(radians(up_deg))
    middle = crop.middle_px
    to_frame = np.array(
        [
            [cosine, -sine, x - middle * (cosine - sine)],
            [sine, cosine, y - middle * (sine + cosine)],
            [0.0, 0.0, 1.0],
        ]
    )
    shown = warp(
        part, to_frame, output_shape=shape[:2], order=order, cval=outside, preserve_range=True, clip=order > 1
    )
    return np.asarray(shown, np.float32)


def rounded(light: Levels, squeeze: float, zenith_deg: float, *, order: int = 1) -> Levels:
    """Return a centred disc (n, n) with its vertical stretched back to the width across it.

    `squeeze`: short over long axis.
    `zenith_deg`: direction of the short one, degrees clockwise from the picture's up.
    """
    middle = (light.shape[0] - 1) / 2
    to_middle = AffineTransform(translation=(-middle, -middle))
    upright = AffineTransform(rotation=-np.radians(zenith_deg))
    squeezed = AffineTransform(scale=(1.0, squeeze))
    # From a place in the round picture to where it stands in the flat one.
    inverse = to_middle + upright + squeezed + upright.inverse + to_middle.inverse
    return np.asarray(warp(light, inverse, order=order, preserve_range=True), dtype=np.float32)
