"""One frame or card -> its picture, wherever that is done: on a thread here, or at a cluster's worker."""

import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.intake.colours import Colours
from sentinel.chain.intake.decode import AnyTransfer, read_colours
from sentinel.chain.intake.sent_file import SentFile, at_hand
from sentinel.core.errors import FrameProblem
from sentinel.core.records import MeasuredFrame
from sentinel.jobs.film.public import made_untelling
from sentinel.jobs.film.rendering import Plane, Planes, card, draw_edge, draw_mark, shown, write_words
from sentinel.jobs.film.stamp import CornerWords
from sentinel.jobs.steady import Crop

_OWN = threading.local()


@dataclass(frozen=True, slots=True)
class SensorMark:
    """Something that has its place in the stored frame, and its name."""

    x_px: float
    y_px: float
    radius_px: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """What all pictures of a film have in common."""

    folder: Path
    """In which the frames lie."""
    transfer: AnyTransfer
    size_px: int
    shrink: int
    crop: Crop
    steady: bool
    public: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTask:
    """A frame that is to be shown."""

    style: Style
    frame: MeasuredFrame
    sent: SentFile | None
    """Its file, where the worker does not see it."""
    up_deg: float
    gain: float
    words: CornerWords
    marks: tuple[SensorMark, ...] = ()
    squeeze: float = 1.0
    """Short over long axis of the disc, and the direction of the short one in the picture: to be undone."""
    zenith_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CardTask:
    """A card that is to be shown."""

    style: Style
    lines: tuple[str, ...]
    sample: MeasuredFrame | None
    sent: SentFile | None
    """The sample's file, where the worker does not see it."""


@dataclass(frozen=True, slots=True)
class Painted:
    """A picture of the film."""

    planes: Planes = field(repr=False)
    failed: str = ""
    """A frame that could not be read, though it was once measured."""


Task = FrameTask | CardTask


def painted(task: Task) -> Painted:
    """Return the picture of a frame or a card."""
    return _frame(task) if isinstance(task, FrameTask) else _card(task)


def painted_small(task: Task) -> Painted:
    """Return the same as a cluster's worker sends it back: for a film in the eight bits that it stores."""
    made = painted(task)
    if task.style.shrink == 1:
        return made  # single pictures are made of planes that are not yet rounded
    # They are written, and not worked on any more.
    bright, blue, red = (cast(Plane, plane) for plane in made.planes.bytes())
    return Painted(Planes(bright, blue, red), made.failed)


def not_painted(task: Task, reason: str) -> Painted:
    """Return what stands for a picture whose worker died or hung."""
    frame = task.frame if isinstance(task, FrameTask) else task.sample
    return Painted(_unreadable(task.style, reason), frame.frame if frame is not None else "")


def _frame(task: FrameTask) -> Painted:
    style, frame = task.style, task.frame
    try:
        picture = _read(style, frame, task.sent, style.crop.frame_px)
    except FrameProblem as problem:
        return Painted(_unreadable(style, problem.what), frame.frame)
    middle = (frame.width_px - 1) / 2, (frame.height_px - 1) / 2
    centre = (frame.disc.x_px, frame.disc.y_px) if style.steady else middle
    made = shown(picture, centre, task.up_deg, style.crop, shrink=style.shrink, gain=task.gain)
    if style.public:
        radius_px = frame.disc.radius_px / style.crop.frame_px
        made = made_untelling(made, radius_px, task.squeeze, task.zenith_deg)
    if not style.steady:
        draw_edge(made, style.crop, frame.width_px, frame.height_px)
    for mark in task.marks:
        at = style.crop.at(centre, task.up_deg, (mark.x_px, mark.y_px))
        draw_mark(made, at, mark.radius_px / style.crop.frame_px, mark.name)
    write_words(made, task.words)
    return Painted(made)


def _card(task: CardTask) -> Painted:
    style, sample, failed = task.style, None, ""
    if task.sample is not None:
        try:
            reduction = max(task.sample.width_px, task.sample.height_px) / style.size_px
            sample = _read(style, task.sample, task.sent, reduction)
        except FrameProblem:
            failed = task.sample.frame
    return Painted(card(style.size_px, style.shrink, task.lines, sample), failed)


def _unreadable(style: Style, why: str) -> Planes:
    return card(style.size_px, style.shrink, ("this picture cannot be read", why), None)


def _read(style: Style, frame: MeasuredFrame, sent: SentFile | None, reduction: float) -> Colours:
    with at_hand(style.folder / frame.frame, sent) as path:
        picture = read_colours(path, transfer=style.transfer, reduction=reduction, buffer=_buffer)
    height_px, width_px = (picture.step * n for n in picture.values.shape[:2])
    # Decoded smaller, a frame of an odd size has a part of a square more.
    if max(abs(width_px - frame.width_px), abs(height_px - frame.height_px)) >= picture.step:
        raise FrameProblem("is not the picture that was measured", where=frame.frame)
    return picture


def _buffer(size: int) -> NDArray[np.uint8]:
    """Return this thread's own room."""
    held: NDArray[Any] | None = getattr(_OWN, "room", None)
    if held is None or held.size < size:
        held = np.empty(size, np.uint8)
        _OWN.room = held
    return held[:size]
