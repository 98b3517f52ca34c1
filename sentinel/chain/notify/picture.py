"""The small picture that follows a message: upright, with limb, frame, and the way the disc will go.

Array in, JPEG bytes out: no file, no clock, no EXIF, and nothing in it that tells where the camera stands.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, cos, hypot, radians, sin

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from sentinel.chain.notify.upright import Upright
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import HOUR_S, utc_s
from sentinel.core.words import times_in

Grey = NDArray[np.uint8]
Point = tuple[float, float]

AHEAD = (255, 196, 77)
"""Where the disc will go."""
BEHIND = (103, 153, 196)
LIMB = (94, 226, 188)
FRAME = (150, 150, 160)
MARGIN = (226, 106, 90)
WORDS = (225, 225, 230)
GROUND = (16, 16, 20)

SIZES_PX = (720, 560, 440, 340, 260, 200)
QUALITIES = (82, 70, 56, 42, 30)
STRIP_PX = 22
BEHIND_H = 6.0
"""So far back it is shown where the disc was."""
LINE_PX, LETTER_PX = 13, 6
"""Of the small words in the picture."""
BRIGHT_PERCENT, GOOD_LEVEL, MOST_GAIN = 99.7, 150.0, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """What is drawn on a frame."""

    frame: MeasuredFrame
    upright: Upright
    margin_px: float = 0.0
    behind_px: tuple[Point, ...] = ()
    """Where the disc was, the oldest first."""
    expected_px: Point | None = None
    """Where it should be, where it is not seen."""
    expected_radius_px: float = 0.0
    target_px: Point | None = None
    """Where the next re-centring should put it."""
    gain: float = 1.0
    """How much brighter than it is the frame is shown; set on drawing."""


def picture_jpeg(grey: Grey, sketch: Sketch, *, most_bytes: int) -> bytes:
    """Return a JPEG of at most so many bytes: as large, then as fine, as fits.

    `grey`: (ny, nx) levels as a screen shows them; any reduction of the stored frame, uncropped.
    `sketch`: what is known of the frame, in its stored pixels.
    `most_bytes`: at least about 3000.
    Raises `ValueError` if even the smallest is larger.
    """
    grey, sketch = _lifted(grey, sketch)
    for size_px in SIZES_PX:
        image = _drawn(grey, sketch, size_px)
        for quality in QUALITIES:
            content = _encoded(image, quality)
            if len(content) <= most_bytes:
                return content
            if len(content) > 2.5 * most_bytes:
                # A coarser quality will not do; a smaller picture looks better than a spoilt one.
                break
    raise ValueError(f"no picture fits into {most_bytes} bytes")


def _lifted(grey: Grey, sketch: Sketch) -> tuple[Grey, Sketch]:
    """Return a dark frame brightened, so that a small screen by night shows what is in it."""
    bright = float(np.percentile(grey[::4, ::4], BRIGHT_PERCENT))
    gain = min(MOST_GAIN, GOOD_LEVEL / max(bright, 1.0))
    if gain < 1.5:
        return grey, sketch
    lifted = np.minimum(np.arange(256) * gain, 255).astype(np.uint8)
    return lifted[grey], replace(sketch, gain=gain)


def _encoded(image: Image.Image, quality: int) -> bytes:
    sink = io.BytesIO()
    # Saved from pixels alone: whatever the frame's file told of camera and place stays behind.
    image.save(sink, "JPEG", quality=quality, optimize=True, subsampling=2 if quality < 60 else 1)
    return sink.getvalue()


@dataclass(frozen=True, slots=True)
class _View:
    """From stored pixels to those of the upright picture."""

    scale: float
    turn_rad: float
    middle: Point
    """Of the stored frame."""
    centre: Point
    """Where that falls in the picture."""

    def at(self, place: Point) -> Point:
        right, down = place[0] - self.middle[0], place[1] - self.middle[1]
        # Turned counter-clockwise as seen, with y down.
        x = right * cos(self.turn_rad) + down * sin(self.turn_rad)
        y = -right * sin(self.turn_rad) + down * cos(self.turn_rad)
        return self.centre[0] + self.scale * x, self.centre[1] + self.scale * y


def _view(sketch: Sketch, size_px: int) -> tuple[_View, tuple[int, int]]:
    frame = sketch.frame
    turn = radians(sketch.upright.up_deg)
    wide = abs(frame.width_px * cos(turn)) + abs(frame.height_px * sin(turn))
    high = abs(frame.width_px * sin(turn)) + abs(frame.height_px * cos(turn))
    scale = size_px / max(wide, high)
    size = ceil(wide * scale) + 2, ceil(high * scale) + 2
    middle = (frame.width_px - 1) / 2, (frame.height_px - 1) / 2
    return _View(scale, turn, middle, (size[0] / 2, size[1] / 2)), size


def _drawn(grey: Grey, sketch: Sketch, size_px: int) -> Image.Image:
    view, size = _view(sketch, size_px)
    image = Image.new("RGB", (size[0], size[1] + STRIP_PX), GROUND)
    image.paste(_turned(grey, sketch, view, size), (0, 0))
    # Drawn at twice the size and reduced: smooth thin lines, which also make smaller files.
    layer = Image.new("RGBA", (2 * image.width, 2 * image.height), (0, 0, 0, 0))
    _draw_lines(ImageDraw.Draw(layer), sketch, _View(2 * view.scale, view.turn_rad, view.middle, (
        2 * view.centre[0], 2 * view.centre[1])))  # fmt: skip
    layer = layer.resize(image.size, Image.Resampling.BOX)
    image.paste(layer, (0, 0), layer)
    _draw_words(ImageDraw.Draw(image), sketch, view, image.size)
    return image


def _turned(grey: Grey, sketch: Sketch, view: _View, size: tuple[int, int]) -> Image.Image:
    """Return the frame's pixels, reduced and upright."""
    frame = sketch.frame
    image = Image.fromarray(np.ascontiguousarray(grey))
    small = max(1, round(frame.width_px * view.scale)), max(1, round(frame.height_px * view.scale))
    image = image.resize(small, Image.Resampling.BOX if small[0] < image.width else Image.Resampling.BILINEAR)
    turned = image.rotate(
        sketch.upright.up_deg, resample=Image.Resampling.BICUBIC, expand=True, fillcolor=GROUND[0]
    )
    sheet = Image.new("RGB", size, GROUND)
    sheet.paste(turned.convert("RGB"), ((size[0] - turned.width) // 2, (size[1] - turned.height) // 2))
    return sheet


def _draw_lines(draw: ImageDraw.ImageDraw, sketch: Sketch, view: _View) -> None:
    frame, disc = sketch.frame, sketch.frame.disc
    _outline(draw, view, frame, -0.5, FRAME, dashed=False)
    if sketch.margin_px > 0:
        _outline(draw, view, frame, sketch.margin_px - 0.5, MARGIN, dashed=True)
    if len(sketch.behind_px) > 1:
        draw.line([view.at(place) for place in sketch.behind_px], fill=(*BEHIND, 255), width=3)
    _draw_track(draw, sketch, view)
    if disc.found:
        _circle(draw, view, (disc.x_px, disc.y_px), disc.radius_px, dashed=False)
    elif sketch.expected_px is not None:
        _circle(draw, view, sketch.expected_px, sketch.expected_radius_px, dashed=True)
    if sketch.target_px is not None:
        radius_px = disc.radius_px if disc.found else sketch.expected_radius_px
        _circle(draw, view, sketch.target_px, radius_px, dashed=True, colour=AHEAD)


def _outline(
    draw: ImageDraw.ImageDraw,
    view: _View,
    frame: MeasuredFrame,
    inset: float,
    colour: tuple[int, int, int],
    *,
    dashed: bool,
) -> None:
    right, bottom = frame.width_px - 1 - inset, frame.height_px - 1 - inset
    corners = [(inset, inset), (right, inset), (right, bottom), (inset, bottom), (inset, inset)]
    for a, b in pairwise(corners):
        _stroke(draw, view.at(a), view.at(b), colour, dashed=dashed)


def _stroke(
    draw: ImageDraw.ImageDraw, a: Point, b: Point, colour: tuple[int, int, int], *, dashed: bool
) -> None:
    if not dashed:
        draw.line([a, b], fill=(*colour, 255), width=2)
        return
    length = hypot(b[0] - a[0], b[1] - a[1])
    steps = max(1, int(length / 12))
    for i in range(0, steps, 2):
        f, g = i / steps, min(1.0, (i + 1) / steps)
        start = a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])
        end = a[0] + g * (b[0] - a[0]), a[1] + g * (b[1] - a[1])
        draw.line([start, end], fill=(*colour, 255), width=2)


def _circle(
    draw: ImageDraw.ImageDraw,
    view: _View,
    at: Point,
    radius_px: float,
    *,
    dashed: bool,
    colour: tuple[int, int, int] = LIMB,
) -> None:
    x, y = view.at(at)
    radius = max(2.0, radius_px * view.scale)
    box = (x - radius, y - radius, x + radius, y + radius)
    for start in range(0, 360, 20):
        draw.arc(box, start, start + (10 if dashed else 20), fill=(*colour, 255), width=3)


def _draw_track(draw: ImageDraw.ImageDraw, sketch: Sketch, view: _View) -> None:
    places = [view.at(place) for place in sketch.upright.track_px]
    if len(places) > 1:
        draw.line(places, fill=(*AHEAD, 255), width=3)
    for (x, y), _ in _hours(sketch.upright, view):
        draw.ellipse((x - 5, y - 5, x + 5, y + 5), fill=(*AHEAD, 255))


def _hours(upright: Upright, view: _View) -> list[tuple[Point, str]]:
    """Return where the disc will be at full hours, and which, as far apart as can be read."""
    if len(upright.track_px) < 2:
        return []
    times = np.array(upright.track_s)
    xs, ys = np.array(upright.track_px).T
    marks: list[tuple[Point, str]] = []
    first = ceil(times[0] / HOUR_S)
    for hour in range(first, int(times[-1] // HOUR_S) + 1):
        place = view.at(
            (float(np.interp(hour * HOUR_S, times, xs)), float(np.interp(hour * HOUR_S, times, ys)))
        )
        apart = 34 if view.scale > 0 else 0
        if all(hypot(place[0] - x, place[1] - y) > apart for (x, y), _ in marks):
            marks.append((place, f"{hour % 24:02d}Z"))
    return marks


def _draw_words(draw: ImageDraw.ImageDraw, sketch: Sketch, view: _View, size: tuple[int, int]) -> None:
    font, small = ImageFont.load_default(13), ImageFont.load_default(11)
    for (x, y), text in _hours(sketch.upright, view):
        if 0 < x < size[0] - 26 and 6 < y < size[1] - STRIP_PX - 6:
            draw.text((x + 5, y - 6), text, fill=AHEAD, font=small)
    for place, text, colour in _labels(sketch):
        x, y = view.at(place)
        left = min(max(x - draw.textlength(text, font=small) / 2, 2), size[0] - 2 - len(text) * LETTER_PX)
        if 0 < y < size[1] - STRIP_PX - LINE_PX:
            at = left, y - LINE_PX / 2
            # On the sun itself it must be read as well.
            draw.rectangle(draw.textbbox(at, text, font=small), fill=GROUND)
            draw.text(at, text, fill=colour, font=small)
    y = size[1] - STRIP_PX + 3
    draw.text((6, y), _caption(sketch, size[0]), fill=WORDS, font=font)


def _labels(sketch: Sketch) -> list[tuple[Point, str, tuple[int, int, int]]]:
    """Return the places that are drawn, each with what it is."""
    labels: list[tuple[Point, str, tuple[int, int, int]]] = []
    if not sketch.frame.disc.found and sketch.expected_px is not None:
        labels.append((sketch.expected_px, "should be here", LIMB))
    if sketch.target_px is not None:
        labels.append((sketch.target_px, "put it here", AHEAD))
    return labels


def _caption(sketch: Sketch, width_px: int) -> str:
    taken = times_in(None).to_the_second(sketch.frame.time_utc)
    seen = "" if sketch.frame.disc.found else ", no disc seen"
    if sketch.gain > 1:
        seen += f", shown {sketch.gain:.1f} x brighter"
    if width_px < 300:
        return f"{taken}{seen}"
    if sketch.upright.up_deg == 0.0:
        return f"{taken}{seen}, as the camera stores it"
    turned = "upright" if sketch.upright.up_sure else "upright if the camera is level with the mount"
    return f"{taken}{seen}, {turned}"


def behind(way: Sequence[MeasuredFrame], frame: MeasuredFrame) -> tuple[Point, ...]:
    """Return where the disc was in the hours before a frame, since it last jumped."""
    end_s = utc_s(frame.time_utc)
    places: list[Point] = []
    for one in way:
        if not one.disc.found or not 0 <= end_s - utc_s(one.time_utc) <= BEHIND_H * HOUR_S:
            continue
        place = one.disc.x_px, one.disc.y_px
        if places and hypot(place[0] - places[-1][0], place[1] - places[-1][1]) > one.disc.radius_px:
            places = []
        places.append(place)
    return tuple(places[:: max(1, len(places) // 120)])
