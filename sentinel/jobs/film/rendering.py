"""Frames, cards and words -> the planes of a film's picture. Pure: arrays in, arrays out.

A picture is worked in the colours that a film stores: brightness at full size, and two differences of colour,
which need only half of it. A frame is cropped before it is converted, and each plane is warped by itself: a
third of the work of warping red, green and blue.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, cos, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from sentinel.chain.intake.colours import Colours
from sentinel.chain.measure.levels import light_of_srgb
from sentinel.core.srgb import srgb_encode
from sentinel.jobs.film.stamp import CornerWords
from sentinel.jobs.steady import Crop, centred

Plane = NDArray[np.float32]
Mask = NDArray[np.float32]

BLACK, WHITE, NEUTRAL = 16.0, 235.0, 128.0
"""Of brightness and of no colour, in eight bits of ITU-R BT.709."""
OUTSIDE = 46.0
"""What lies outside the frame: a grey that no filter's black sky has, so that the frame's edge shows."""
EDGE = 150.0
_RED, _BLUE = 0.2126, 0.0722
_GREEN = 1 - _RED - _BLUE
TO_PLANES = (
    np.array(
        [
            [_RED, _GREEN, _BLUE],
            [-0.5 * _RED / (1 - _BLUE), -0.5 * _GREEN / (1 - _BLUE), 0.5],
            [0.5, -0.5 * _GREEN / (1 - _RED), -0.5 * _BLUE / (1 - _RED)],
        ]
    )
    * (np.array([219.0, 224.0, 224.0]) / 255)[:, None]
)
"""Red, green, blue (0 to 255) to brightness and the differences of blue and red (ITU-R BT.709)."""
OFFSETS = np.array([BLACK, NEUTRAL, NEUTRAL])
COLOURS_SITED_PX = -0.5
"""Where a sample of halved colour stands, against the middle of its four pixels: to the left, as usual."""

BAND_ROWS = 64
FONT_SHARE = 1 / 42
LEAST_FONT_PX = 11
OUTLINE = 0.1
"""Of the font's size: so that words can be read on cloud."""
RING_PX = 2.0
LEAST_RING_RADIUS, RING_GAP = 0.3, 0.3
"""Of the font's size: what is marked is not to be hidden."""
INSET = 0.44
"""Of a card's side: the picture on it."""


@dataclass(frozen=True, slots=True)
class Planes:
    """A picture (size, size): brightness, and the differences of blue and red."""

    bright: Plane
    blue: Plane
    red: Plane

    @property
    def shrink(self) -> int:
        """Pixels along one of the colours' own."""
        return int(self.bright.shape[0] // self.blue.shape[0])

    def bytes(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
        """Return the planes as a film stores them."""
        bright, blue, red = (
            np.clip(np.rint(plane), 0, 255).astype(np.uint8) for plane in (self.bright, self.blue, self.red)
        )
        return bright, blue, red

    def rgb(self) -> NDArray[np.uint8]:
        """Return red, green and blue (size, size, 3), of planes of one size."""
        stacked = np.stack([self.bright, self.blue, self.red], axis=-1) - OFFSETS
        levels = np.rint(stacked @ np.linalg.inv(TO_PLANES).T)
        return np.asarray(np.clip(levels, 0, 255), np.uint8)


def blank(size_px: int, shrink: int) -> Planes:
    """Return a black picture."""
    small = size_px // shrink
    return Planes(
        np.full((size_px, size_px), BLACK, np.float32),
        np.full((small, small), NEUTRAL, np.float32),
        np.full((small, small), NEUTRAL, np.float32),
    )


def shown(
    picture: Colours,
    centre_px: tuple[float, float],
    up_deg: float,
    crop: Crop,
    *,
    shrink: int,
    gain: float = 1.0,
) -> Planes:
    """Return what a crop shows of a decoded frame.

    `centre_px`: what is to be in the middle, in pixels of the stored frame.
    `shrink`: 2: colours at half size, as films store them; 1: all at full size.
    `gain`: by how much brighter the light is shown than it was.
    """
    step = picture.step
    rows, columns = crop.window(centre_px, up_deg, picture.values.shape[:2], step, even=True)
    part = picture.values[rows, columns]
    if not part.size:
        return _filled(crop.size_px, shrink)
    if gain != 1.0:
        part = _brighter(gain)[part]
    bright, blue_red = _converted(part, shrink)
    x, y = centre_px[0] - columns.start * step, centre_px[1] - rows.start * step
    made = [centred(bright, (x, y), up_deg, crop, step=step, outside=OUTSIDE)]
    smaller = Crop(crop.size_px // shrink, crop.frame_px * shrink)
    aside = COLOURS_SITED_PX * crop.frame_px if shrink == 2 else 0.0
    sited = x + aside * cos(radians(up_deg)), y + aside * sin(radians(up_deg))
    made += [
        centred(plane, sited, up_deg, smaller, step=step * shrink, outside=NEUTRAL) for plane in blue_red
    ]
    return Planes(*made)


def _filled(size_px: int, shrink: int) -> Planes:
    made = blank(size_px, shrink)
    made.bright[...] = OUTSIDE
    return made


def _converted(part: NDArray[np.uint8], shrink: int) -> tuple[Plane, Plane]:
    """Return brightness (ny, nx), and the differences of blue and red (2, ny / shrink, nx / shrink)."""
    matrix, offsets = TO_PLANES.astype(np.float32), OFFSETS.astype(np.float32)
    rows, columns = part.shape[:2]
    bright = np.empty((rows, columns), np.float32)
    blue_red = np.empty((2, rows // shrink, columns // shrink), np.float32)
    # A band at a time stays in the processor's cache, and takes no memory worth a word.
    for top in range(0, rows, BAND_ROWS):
        band = part[top : top + BAND_ROWS]
        # Of each square of four the mean of two stands in its middle, and is half the work.
        few = (band[::2, ::2].astype(np.float32) + band[1::2, 1::2]) / 2 if shrink == 2 else band
        light = band.reshape(-1, 3).astype(np.float32) @ matrix[0] + offsets[0]
        colour = matrix[1:] @ few.reshape(-1, 3).astype(np.float32, copy=False).T + offsets[1:, None]
        bright[top : top + BAND_ROWS] = light.reshape(band.shape[:2])
        begin = top // shrink
        blue_red[:, begin : begin + few.shape[0]] = colour.reshape(2, *few.shape[:2])
    return bright, blue_red


@lru_cache(maxsize=256)
def _brighter(gain: float) -> NDArray[np.uint8]:
    light = light_of_srgb(np.arange(256) / 255) * gain
    return np.asarray(np.rint(255 * srgb_encode(np.clip(light, 0, 1))), np.uint8)


def draw_edge(planes: Planes, crop: Crop, width_px: int, height_px: int) -> None:
    """Draw the edge of a frame that is shown whole and as it was, just outside its pixels."""
    middle = (width_px - 1) / 2, (height_px - 1) / 2
    left, top = (round(at) for at in crop.at(middle, 0.0, (-0.5 - crop.frame_px, -0.5 - crop.frame_px)))
    corner = width_px - 0.5 + crop.frame_px, height_px - 0.5 + crop.frame_px
    right, bottom = (round(at) for at in crop.at(middle, 0.0, corner))
    last = crop.size_px - 1
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, last), min(bottom, last)
    for row in (top, bottom):
        planes.bright[row, left : right + 1] = EDGE
    for column in (left, right):
        planes.bright[top : bottom + 1, column] = EDGE


def write_words(planes: Planes, words: CornerWords) -> None:
    """Write a frame's words into the corners."""
    size = planes.bright.shape[0]
    font_px = _font_px(size)
    edge, line = round(0.6 * font_px), round(1.3 * font_px)
    _write(planes, words.top_left, edge, edge, font_px)
    _write(planes, words.top_right, size - edge, edge, font_px, aligned=1.0)
    for lines, x, aligned in ((words.bottom_left, edge, 0.0), (words.bottom_right, size - edge, 1.0)):
        for k, text in enumerate(reversed(lines)):
            _write(planes, text, x, size - edge - line * (k + 1), font_px, aligned=aligned)


def draw_mark(planes: Planes, at_px: tuple[float, float], radius_px: float, name: str) -> None:
    """Draw a ring about a place in the picture, and its name beside it; nothing where that lies outside."""
    size = planes.bright.shape[0]
    font_px = _font_px(size)
    ring_px = max(radius_px, LEAST_RING_RADIUS * font_px) + RING_GAP * font_px
    x, y = at_px
    if not (ring_px < x < size - ring_px and ring_px < y < size - ring_px):
        return
    reach = ceil(ring_px + RING_PX)
    left, top = round(x) - reach, round(y) - reach
    window = slice(max(0, top), top + 2 * reach + 1), slice(max(0, left), left + 2 * reach + 1)
    part = planes.bright[window]
    rows, columns = np.ogrid[window[0].start : window[0].start + part.shape[0],
                             window[1].start : window[1].start + part.shape[1]]  # fmt: skip
    from_ring = np.abs(np.hypot(columns - x, rows - y) - ring_px)
    # Dark beside bright, so that it is seen on disc and sky alike.
    part += (BLACK - part) * np.clip(RING_PX + 0.5 - from_ring, 0, 1).astype(np.float32)
    part += (WHITE - part) * np.clip(RING_PX / 2 + 0.5 - from_ring, 0, 1).astype(np.float32)
    right = x + ring_px + 3 * font_px < size
    beside = x + ring_px + 0.2 * font_px if right else x - ring_px - 0.2 * font_px
    _write(planes, name, round(beside), round(y - 0.7 * font_px), font_px, aligned=0.0 if right else 1.0)


def card(size_px: int, shrink: int, lines: tuple[str, ...], sample: Colours | None) -> Planes:
    """Return a card: its lines, the first as its title, under a picture if there is one."""
    made = blank(size_px, shrink)
    font_px = _font_px(size_px)
    y = round(0.36 * size_px)
    if sample is not None:
        _inset(made, sample)
        y = round((0.16 + INSET) * size_px)
    for k, text in enumerate(lines):
        own_px = 2 * font_px if k == 0 else font_px
        _write(made, text, size_px // 2, y, own_px, aligned=0.5)
        y += round((1.6 if k == 0 else 1.4) * own_px)
    return made


def _inset(planes: Planes, sample: Colours) -> None:
    """Draw a whole frame, as stored, into the upper part of a card."""
    size = planes.bright.shape[0]
    side = round(INSET * size) // 2 * 2
    height_px, width_px = (sample.step * n for n in sample.values.shape[:2])
    crop = Crop(side, max(width_px, height_px) / side)
    small = shown(sample, ((width_px - 1) / 2, (height_px - 1) / 2), 0.0, crop, shrink=planes.shrink)
    draw_edge(small, crop, width_px, height_px)
    # With the edge, which is drawn just outside it.
    high, wide = (min(round(n / crop.frame_px) // 2 * 2 + 4, side) for n in (height_px, width_px))
    pairs = zip((planes.bright, planes.blue, planes.red), (small.bright, small.blue, small.red), strict=True)
    for whole, square in pairs:
        n = size // whole.shape[0]
        rows, columns = ((side - length) // (2 * n) for length in (high, wide))
        part = square[rows : rows + high // n, columns : columns + wide // n]
        bottom, left = round((0.08 + INSET) * whole.shape[0]), (whole.shape[1] - part.shape[1]) // 2
        whole[bottom - part.shape[0] : bottom, left : left + part.shape[1]] = part


def _font_px(size_px: int) -> int:
    return max(LEAST_FONT_PX, round(FONT_SHARE * size_px))


def _write(planes: Planes, text: str, x: int, y: int, font_px: int, *, aligned: float = 0.0) -> None:
    """Write a line from (x, y) on, or up to it, or about it (`aligned` 1 and 0.5), white with a dark rim."""
    if not text:
        return
    ink, rim = _masks(text, font_px)
    size = planes.bright.shape[0]
    left = max(0, round(x - aligned * ink.shape[1])) // 2 * 2
    top = max(0, y) // 2 * 2
    height, width = min(ink.shape[0], size - top), min(ink.shape[1], size - left)
    ink, rim = ink[:height, :width], rim[:height, :width]
    bright = planes.bright[top : top + height, left : left + width]
    bright += (BLACK - bright) * rim
    bright += (WHITE - bright) * ink
    n = planes.shrink
    small = rim[::n, ::n]
    for plane in (planes.blue, planes.red):
        part = plane[top // n : top // n + small.shape[0], left // n : left // n + small.shape[1]]
        part += (NEUTRAL - part) * small


@lru_cache(maxsize=8)
def _font(font_px: int) -> Any:
    return ImageFont.load_default(font_px)


@lru_cache(maxsize=128)
def _masks(text: str, font_px: int) -> tuple[Mask, Mask]:
    """Return how much of each pixel a line's letters cover, and letters and rim together."""
    font = _font(font_px)
    rim_px = max(1, round(OUTLINE * font_px))
    left, _, right, _ = font.getbbox(text, stroke_width=rim_px)
    size = (int(right - left) + 3) // 2 * 2, round(1.4 * font_px) // 2 * 2

    def mask(stroke_px: int) -> Mask:
        image = Image.new("L", size)
        ImageDraw.Draw(image).text((rim_px, 0), text, fill=255, font=font, stroke_width=stroke_px)
        return np.asarray(image, np.float32) / np.float32(255)

    return mask(0), mask(rim_px)
