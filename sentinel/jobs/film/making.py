"""Makes a film: reads and decodes on several threads, and writes in order."""

import os
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Protocol

import numpy as np

from sentinel.chain.intake.sent_file import SentFile, sent_file
from sentinel.chain.intake.workers import OnCluster, working
from sentinel.core.errors import RequestProblem, need_extra
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import utc_s
from sentinel.core.words import times_in
from sentinel.jobs.film.painting import (
    CardTask,
    FrameTask,
    Painted,
    Style,
    Task,
    not_painted,
    painted,
    painted_small,
)
from sentinel.jobs.film.public import untelling
from sentinel.jobs.film.rendering import Planes
from sentinel.jobs.film.request import FilmRequest, output_of
from sentinel.jobs.film.session import ChosenUp, FilmedSession
from sentinel.jobs.film.stamp import Stamper
from sentinel.jobs.film.stills import stills_at
from sentinel.jobs.film.story import Card, Scene, Shot, count_of, story_of
from sentinel.jobs.film.video import video_at
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.steady import Crop, Up

MOST_THREADS = 3
"""Each holds a decoded picture: 72 MB of 24 megapixels."""
CARD_S = 1.0
FRAME_MARGIN = 0.04
"""Of the picture's side, left free on each side of a frame that is shown whole."""
DARKEST, BRIGHTEST = 1 / 8, 8.0
"""What evening may do to a picture: beyond that there is nothing in it but grain."""
PATIENCE_S = 300.0
"""For one picture at a cluster's worker."""
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
    untold: int
    """Left out of a film that is not to tell the place."""
    dust: int | None
    """Marks on the sensor that are named; None: that was not asked for."""
    pictures: int
    """Of the film, cards included."""
    fps: float
    start_utc: datetime
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

    Raises `RequestProblem` if the session or its pictures are not to be found, what is asked for is not
    known, or the result would be written over something.
    Raises `Problem` if it cannot be written.
    """
    out = output_of(request, request.usual_name)
    if not request.stills:
        need_extra("film", instead="ask for --png")
    session = FilmedSession(request)
    scenes = _scenes(request, session)
    chosen = session.chosen_up(request.wanted_up, by_spots=True, progress=progress)
    at_work: AbstractContextManager[Writer] = (
        stills_at(out) if request.stills else video_at(out, request.size_px, request.fps)
    )
    failed: list[str] = []
    with at_work as writer:
        tasks = _Tasks(request, session, chosen, writer.shrink)
        pictures = 0
        coming = _in_order(map(tasks.of, scenes), len(scenes), request.on)
        for done, (scene, made) in enumerate(zip(scenes, coming, strict=True), 1):
            times = round(CARD_S * request.fps) if isinstance(scene, Card) else 1
            writer.write(made.planes, _name_of(scene), max(1, times))
            failed += [made.failed] if made.failed else []
            pictures += 1 if request.stills else max(1, times)
            progress("filming", done, len(scenes))
    return _summary(tasks, scenes, failed, out, pictures)


def _scenes(request: FilmRequest, session: FilmedSession) -> list[Scene]:
    frames = session.record.frames
    scenes = story_of(frames, session.interval_s, session.sun, steady=request.steady)
    if request.public:
        may_be_shown = untelling(frames, session.record.settings, session.told_settings.site)
        scenes = [one for one in scenes if isinstance(one, Shot) and may_be_shown[one.number]]
        if not scenes:
            raise RequestProblem(
                "no frame of it shows a clear disc high enough to tell no place", where="--public"
            )
    if not any(isinstance(scene, Shot) for scene in scenes):
        raise RequestProblem(
            "no frame of it shows the sun's disc", where=str(request.folder), mend="see --steady none"
        )
    return scenes


def _name_of(scene: Scene) -> str:
    at = scene.frame.time_utc if isinstance(scene, Shot) else scene.begin_utc
    return f"{at:%Y-%m-%dT%H%M%SZ}" + ("" if isinstance(scene, Shot) else f"-{scene.cause}")


def _in_order(tasks: Iterable[Task], most: int, on: OnCluster | None) -> Iterator[Painted]:
    """Paint on several threads, or on a cluster; hand on in order, and hold few."""
    if on is not None:
        with working(painted_small, not_painted, most=most, on=on, patience_s=PATIENCE_S) as workers:
            yield from workers.results(tasks)
        return
    threads = min(MOST_THREADS, len(os.sched_getaffinity(0)))
    under_way: deque[Future[Painted]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for task in tasks:
                under_way.append(pool.submit(painted, task))
                if len(under_way) > threads:
                    yield under_way.popleft().result()
            while under_way:
                yield under_way.popleft().result()
        finally:
            for future in under_way:
                future.cancel()


class _Tasks:
    """Makes of each scene what is needed to paint it."""

    def __init__(self, request: FilmRequest, session: FilmedSession, chosen: ChosenUp, shrink: int) -> None:
        self.request, self.session, self.chosen = request, session, chosen
        settings = session.told_settings
        zone = None if request.public else settings.alerts.zone
        self._stamper = Stamper(settings, request.stamps, chosen.up, times_in(zone), public=request.public)
        self._level = _usual_level(session.record.frames)
        self.dust = session.dust() if request.name_dust else ()
        self.style = Style(
            folder=session.originals,
            transfer=settings.camera.transfer,
            size_px=request.size_px,
            shrink=shrink,
            crop=self._cropped(),
            steady=request.steady,
            public=request.public,
        )

    def _cropped(self) -> Crop:
        size, session = self.request.size_px, self.session
        if self.request.steady:
            return Crop.of_radii(size, self.request.radii, session.radius_px)
        largest = max(max(frame.width_px, frame.height_px) for frame in session.record.frames)
        return Crop(size, largest / (size * (1 - 2 * FRAME_MARGIN)))

    def of(self, scene: Scene) -> Task:
        """Return a scene's task."""
        if isinstance(scene, Card):
            lines, sample = self._stamper.card(scene), scene.sample
            return CardTask(style=self.style, lines=lines, sample=sample, sent=self._sent(sample))
        number = scene.number
        frame = self.session.centred[number] if self.request.steady else scene.frame
        gain, at_s = self._gain(frame), utc_s(frame.time_utc)
        up_deg = float(self.chosen.angles.deg[number])
        squeeze, zenith_deg = self.session.flattened(number) if self.request.public else (1.0, 0.0)
        return FrameTask(
            style=self.style,
            frame=frame,
            sent=self._sent(frame),
            up_deg=up_deg,
            gain=gain,
            words=self._stamper.words(
                frame,
                up_sigma_deg=float(self.chosen.angles.sigma_deg[number]),
                altitude_deg=float(self.session.altitudes_deg[number]),
                gain=gain,
                centre_sigma_px=self._centre_sigma_px(frame),
            ),
            marks=tuple(mark for mark, begin_s, end_s in self.dust if begin_s <= at_s <= end_s),
            squeeze=squeeze,
            zenith_deg=zenith_deg - up_deg,
        )

    def _sent(self, frame: MeasuredFrame | None) -> SentFile | None:
        """Return a frame's file, if it is to go along."""
        on = self.request.on
        if frame is None or on is None or not on.send:
            return None
        return sent_file(self.style.folder / frame.frame)

    def _centre_sigma_px(self, frame: MeasuredFrame) -> float:
        """Return how well a frame's sun is held still, 1-sigma in pixels of the film."""
        steady = self.request.steady and frame.disc.found
        return frame.disc.centre_sigma_px / self.style.crop.frame_px if steady else 0.0

    def _gain(self, frame: MeasuredFrame) -> float:
        level = frame.disc.brightness
        evened = self.request.even or self.request.public
        if not (evened and frame.disc.found and isfinite(self._level) and level > 0):
            return 1.0
        gain = min(max(self._level / level, DARKEST), BRIGHTEST)
        # Steps would show what was evened out.
        return gain if self.request.public else float(np.exp(round(np.log(gain) / GAIN_STEP) * GAIN_STEP))


def _usual_level(frames: Sequence[MeasuredFrame]) -> float:
    levels = [frame.disc.brightness for frame in frames if frame.disc.found]
    levels = [level for level in levels if isfinite(level) and level > 0]
    return float(np.median(levels)) if levels else float("nan")


def _summary(
    tasks: _Tasks, scenes: Sequence[Scene], failures: Sequence[str], out: Path, pictures: int
) -> FilmSummary:
    shots = sum(isinstance(scene, Shot) for scene in scenes)
    samples = {scene.sample.frame for scene in scenes if isinstance(scene, Card) and scene.sample}
    failed = sum(name not in samples for name in failures)
    unseen, unreadable = (count_of(scenes, of) for of in (lambda one: one.unseen, lambda one: one.unreadable))
    request, record, chosen = tasks.request, tasks.session.record, tasks.chosen
    return FilmSummary(
        out=out,
        frames=len(record.frames) + len(record.strays),
        shown=shots - failed,
        cards=len(scenes) - shots,
        unseen=unseen,
        unreadable=unreadable,
        failed=failed,
        strays=len(record.strays),
        untold=len(record.frames) - shots - unseen - unreadable,
        dust=len(tasks.dust) if request.name_dust else None,
        pictures=pictures,
        fps=request.fps,
        start_utc=record.frames[0].time_utc,
        end_utc=record.frames[-1].time_utc,
        up=chosen.up,
        up_sigma_deg=float(np.max(chosen.angles.sigma_deg)),
        up_change_sigma_deg=chosen.change_sigma_deg,
        up_spots=chosen.spots,
        up_why=chosen.why,
        frame_px=tasks.style.crop.frame_px,
        size_px=request.size_px,
    )
