"""Makes a film: reads and decodes on several threads, and writes in order."""

import os
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sentinel.chain.intake.colours import Colours
from sentinel.chain.intake.decode import read_colours
from sentinel.core.errors import FrameProblem, RequestProblem
from sentinel.core.records import MeasuredFrame
from sentinel.core.words import times_in
from sentinel.jobs.film.rendering import Planes, card, draw_edge, shown, write_words
from sentinel.jobs.film.request import FilmRequest, need_video_library, output_of
from sentinel.jobs.film.session import ChosenUp, FilmedSession
from sentinel.jobs.film.stamp import Stamper
from sentinel.jobs.film.stills import stills_at
from sentinel.jobs.film.story import Card, Scene, Shot, count_of, story_of
from sentinel.jobs.film.video import video_at
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.steady import Crop, Up

FILM_NAME, STILLS_NAME = "film.mp4", "film"
MOST_THREADS = 3
"""Each holds a decoded picture: 72 MB of 24 megapixels."""
CARD_S = 1.0
FRAME_MARGIN = 0.04
"""Of the picture's side, left free on each side of a frame that is shown whole."""
DARKEST, BRIGHTEST = 1 / 8, 8.0
"""What evening may do to a picture: beyond that there is nothing in it but grain."""
GAIN_STEP = 0.02
"""Finer steps of brightness nobody sees, and each has a table of its own."""


class Writer(Protocol):
    """Where the pictures go."""

    shrink: int

    def write(self, planes: Planes, name: str, times: int = 1) -> None:
        """Take a picture that is shown for so many periods."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmSummary:
    """What became of the session's frames."""

    out: Path
    frames: int
    """Of the session, those with a date far from all others' included."""
    shown: int
    cards: int
    unseen: int
    """Without a disc, counted on cards."""
    unreadable: int
    """By the measuring, counted on cards."""
    failed: int
    """Measured once, and not to be read now: a picture of the film says so."""
    strays: int
    """Left out, because their date is far from all others'."""
    pictures: int
    """Of the film, cards included."""
    fps: float
    begin_utc: datetime
    end_utc: datetime
    up: Up
    up_sigma_deg: float
    """At the worst, 1-sigma."""
    up_change_sigma_deg: float
    """Of what the last frame shown is turned against the first, 1-sigma."""
    up_spots: int
    """That told it beside the track."""
    up_why: str
    frame_px: float
    """Pixels of the stored frame along one of the film's."""
    size_px: int


def film(request: FilmRequest, progress: Progress = silent) -> FilmSummary:
    """Make a film, or a folder of stills, of a watched or replayed session.

    Raises
    ------
    RequestProblem
        If the session or its pictures are not to be found, what is asked for is not known, or the result
        would be written over something.
    Problem
        If it cannot be written.
    """
    out = output_of(request, STILLS_NAME if request.stills else FILM_NAME)
    if not request.stills:
        need_video_library()
    session = FilmedSession(request)
    scenes = story_of(session.record.frames, session.interval_s, session.sun, steady=request.steady)
    if not any(isinstance(scene, Shot) for scene in scenes):
        raise RequestProblem(
            "no frame of it shows the sun's disc", where=str(request.folder), mend="see --steady none"
        )
    chosen = session.chosen_up(request.up if request.steady else "camera", by_spots=True, progress=progress)
    at_work: AbstractContextManager[Writer] = (
        stills_at(out) if request.stills else video_at(out, request.size_px, request.fps)
    )
    with at_work as writer:
        maker = _Maker(request, session, chosen, writer.shrink)
        pictures = 0
        for done, (scene, planes) in enumerate(_in_order(scenes, maker.planes), 1):
            times = round(CARD_S * request.fps) if isinstance(scene, Card) else 1
            writer.write(planes, _name_of(scene), max(1, times))
            pictures += 1 if request.stills else max(1, times)
            progress("filming", done, len(scenes))
    return _summary(maker, scenes, out, pictures)


def _name_of(scene: Scene) -> str:
    at = scene.frame.time_utc if isinstance(scene, Shot) else scene.begin_utc
    return f"{at:%Y-%m-%dT%H%M%SZ}" + ("" if isinstance(scene, Shot) else f"-{scene.cause}")


def _in_order(scenes: Sequence[Scene], work: Callable[[Scene], Planes]) -> Iterator[tuple[Scene, Planes]]:
    """Work scenes on several threads, hand them on in order, and hold few."""
    threads = min(MOST_THREADS, len(os.sched_getaffinity(0)))
    under_way: deque[tuple[Scene, Future[Planes]]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for scene in scenes:
                under_way.append((scene, pool.submit(work, scene)))
                if len(under_way) > threads:
                    first, made = under_way.popleft()
                    yield first, made.result()
            while under_way:
                first, made = under_way.popleft()
                yield first, made.result()
        finally:
            for _, future in under_way:
                future.cancel()


class _Maker:
    """Makes the planes of one scene; used by several threads."""

    def __init__(self, request: FilmRequest, session: FilmedSession, chosen: ChosenUp, shrink: int) -> None:
        self.request, self.session, self.chosen, self._shrink = request, session, chosen, shrink
        settings = session.record.settings
        self._stamper = Stamper(settings, request.stamps, chosen.up, times_in(settings.alerts.zone))
        self._transfer = settings.camera.transfer
        self._level = _usual_level(session.record.frames)
        self._own = threading.local()
        self.crop = self._cropped()
        self.failed: list[str] = []

    def _cropped(self) -> Crop:
        size, session = self.request.size_px, self.session
        if self.request.steady:
            return Crop.of_radii(size, self.request.radii, session.radius_px)
        largest = max(max(frame.width_px, frame.height_px) for frame in session.record.frames)
        return Crop(size, largest / (size * (1 - 2 * FRAME_MARGIN)))

    def planes(self, scene: Scene) -> Planes:
        """Return the picture of a frame or a card."""
        if isinstance(scene, Card):
            return self._card(scene)
        frame, number = scene.frame, scene.number
        gain = self._gain(frame)
        try:
            picture = self._read(frame, self.crop.frame_px)
        except FrameProblem as problem:
            self.failed.append(frame.frame)
            return card(
                self.request.size_px, self._shrink, ("this picture cannot be read", problem.what), None
            )
        middle = (frame.width_px - 1) / 2, (frame.height_px - 1) / 2
        centre = (frame.disc.x_px, frame.disc.y_px) if self.request.steady else middle
        up_deg = float(self.chosen.angles.deg[number])
        made = shown(picture, centre, up_deg, self.crop, shrink=self._shrink, gain=gain)
        if not self.request.steady:
            draw_edge(made, self.crop, frame.width_px, frame.height_px)
        words = self._stamper.words(
            frame,
            up_sigma_deg=float(self.chosen.angles.sigma_deg[number]),
            altitude_deg=float(self.session.altitudes_deg[number]),
            gain=gain,
        )
        write_words(made, words)
        return made

    def _card(self, scene: Card) -> Planes:
        sample = None
        if scene.sample is not None:
            try:
                frame = scene.sample
                sample = self._read(frame, max(frame.width_px, frame.height_px) / self.request.size_px)
            except FrameProblem:
                self.failed.append(scene.sample.frame)
        return card(self.request.size_px, self._shrink, self._stamper.card(scene), sample)

    def _read(self, frame: MeasuredFrame, reduction: float) -> Colours:
        path = self.session.originals / frame.frame
        picture = read_colours(path, transfer=self._transfer, reduction=reduction, buffer=self._buffer)
        height_px, width_px = (picture.step * n for n in picture.values.shape[:2])
        # Decoded smaller, a frame of an odd size has a part of a square more.
        if max(abs(width_px - frame.width_px), abs(height_px - frame.height_px)) >= picture.step:
            raise FrameProblem("is not the picture that was measured", where=frame.frame)
        return picture

    def _buffer(self, size: int) -> NDArray[np.uint8]:
        """Return this thread's own room."""
        held: NDArray[np.uint8] | None = getattr(self._own, "room", None)
        if held is None or held.size < size:
            held = np.empty(size, np.uint8)
            self._own.room = held
        return held[:size]

    def _gain(self, frame: MeasuredFrame) -> float:
        level = frame.disc.brightness
        if not (self.request.even and frame.disc.found and isfinite(self._level) and level > 0):
            return 1.0
        gain = min(max(self._level / level, DARKEST), BRIGHTEST)
        return float(np.exp(round(np.log(gain) / GAIN_STEP) * GAIN_STEP))


def _usual_level(frames: Sequence[MeasuredFrame]) -> float:
    levels = [frame.disc.brightness for frame in frames if frame.disc.found]
    levels = [level for level in levels if isfinite(level) and level > 0]
    return float(np.median(levels)) if levels else float("nan")


def _summary(maker: _Maker, scenes: Sequence[Scene], out: Path, pictures: int) -> FilmSummary:
    shots = sum(isinstance(scene, Shot) for scene in scenes)
    samples = {scene.sample.frame for scene in scenes if isinstance(scene, Card) and scene.sample}
    failed = sum(name not in samples for name in maker.failed)
    request, record, chosen = maker.request, maker.session.record, maker.chosen
    return FilmSummary(
        out=out,
        frames=len(record.frames) + len(record.strays),
        shown=shots - failed,
        cards=len(scenes) - shots,
        unseen=count_of(scenes, lambda one: one.unseen),
        unreadable=count_of(scenes, lambda one: one.unreadable),
        failed=failed,
        strays=len(record.strays),
        pictures=pictures,
        fps=request.fps,
        begin_utc=record.frames[0].time_utc,
        end_utc=record.frames[-1].time_utc,
        up=chosen.up,
        up_sigma_deg=float(np.max(chosen.angles.sigma_deg)),
        up_change_sigma_deg=chosen.change_sigma_deg,
        up_spots=chosen.spots,
        up_why=chosen.why,
        frame_px=maker.crop.frame_px,
        size_px=request.size_px,
    )
