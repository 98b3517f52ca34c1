"""A session as films and strips need it: read once, and which way is up in its frames decided."""

from dataclasses import dataclass
from functools import cached_property
from math import isinf
from pathlib import Path

import numpy as np

from sentinel.core.errors import RequestProblem
from sentinel.core.records import MeasuredFrame
from sentinel.core.times import HOUR_S, utc_s
from sentinel.jobs.film.painting import SensorMark
from sentinel.jobs.film.request import FilmRequest
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.record import Record, read_record
from sentinel.jobs.report.spots import LETTERS
from sentinel.jobs.report.summary import usual_interval_s
from sentinel.jobs.share.public import public_record
from sentinel.jobs.spots.follow import FollowedBlob, Look, followed
from sentinel.jobs.spots.looking import MOST_LOOKS, clear_frames, squeezes
from sentinel.jobs.spots.turning import attitudes_by_spots
from sentinel.jobs.steady import UP_WORDS, Up, UpAngles, change_sigma_deg, joined_centres, up_angles
from sentinel.sky import shown_altitude_deg
from sentinel.sky.arrays import Array

MOST_DOUBT_DEG = 3.0
"""Less well than this no direction is known: the picture had better stay as the camera stores it."""
GOOD_ENOUGH_DEG = 0.1
"""Known so well, or better, up needs no spots: looking for them takes time."""
SPOTS_TELL_FROM_S = 3 * HOUR_S
"""A shorter session hardly sees them move."""
LOOKS_SHARE, FEWEST_LOOKS = 1 / 20, 24
"""Of the frames, so that looking costs little beside filming; with fewer looks no spot is followed well."""


@dataclass(frozen=True, slots=True)
class ChosenUp:
    """Which way is up, in every frame of a session."""

    up: Up
    angles: UpAngles
    why: str = ""
    """Why it is not what one would expect; empty: it is."""
    change_sigma_deg: float = 0.0
    """How well it is known that the first and the last frame are turned alike, 1-sigma."""
    spots: int = 0
    """That had a say in it beside the track."""


@dataclass(frozen=True, slots=True)
class Marks:
    """What is dark on the disc through a session: spots and dust."""

    looks: tuple[Look, ...]
    blobs: tuple[FollowedBlob, ...]


class FilmedSession:
    """A session whose pictures are to be shown."""

    def __init__(self, request: FilmRequest) -> None:
        self.record = read_record(request.folder, request.configs, request.frames)
        self._analysis = Analysis(self.record)
        self.sun = self._analysis.sun
        told = public_record(self.record) if request.public else self.record
        self.told_settings = told.settings
        self.originals = _originals(self.record, request.folder)
        self._marks: Marks | None = None
        self._name_dust, self._public = request.name_dust, request.public

    @cached_property
    def interval_s(self) -> float:
        """Usual time between frames; 0 where there is none."""
        return usual_interval_s(self.record.frames)

    @cached_property
    def centred(self) -> list[MeasuredFrame]:
        """The frames with the centres that are to be in the middle, doubtful ones by their neighbours too."""
        return joined_centres(self.record.frames, self._analysis.parts)

    @cached_property
    def radius_px(self) -> float:
        """Median radius of the discs; NaN where there is none."""
        radii = [frame.disc.radius_px for frame in self.record.frames if frame.disc.found]
        return float(np.median(radii)) if radii else float("nan")

    @cached_property
    def altitudes_deg(self) -> Array:
        """Of the sun at each frame, as people are told it."""
        times = np.array([utc_s(frame.time_utc) for frame in self.record.frames])
        return np.atleast_1d(shown_altitude_deg(self.sun, times))

    def marks(self, progress: Progress = silent) -> Marks:
        """Return the spots and the dust, looked for in the pictures once."""
        if self._marks is None:
            frames = self.record.frames
            few = max(round(LOOKS_SHARE * len(frames)), FEWEST_LOOKS)
            # Dust bears the names that the report gives it: so it is looked for as there.
            clear = clear_frames(frames, MOST_LOOKS if self._name_dust else min(few, MOST_LOOKS))
            looks = self._analysis.looks([frames[k] for k in clear], self.originals, progress)
            self._marks = Marks(tuple(looks), tuple(followed(looks)))
        return self._marks

    def dust(self) -> tuple[tuple[SensorMark, float, float], ...]:
        """Return what sits on the sensor, and from when to when it may be told: while it was seen there.

        Between two pictures in which it was looked for nobody knows: it is marked up to the next one.
        """
        marks = self.marks()
        times = np.array([look.utc_s for look in marks.looks])
        pause_s = float(np.median(np.diff(times))) if times.size > 1 else 0.0
        own = [blob for blob in marks.blobs if blob.kind == "sensor"]
        return tuple(
            (
                SensorMark(
                    float(np.median(blob.x_px)),
                    float(np.median(blob.y_px)),
                    blob.across_px / 2,
                    f"{LETTERS['sensor']}{number} dust",
                ),
                float(blob.utc_s[0]) - pause_s,
                float(blob.utc_s[-1]) + pause_s,
            )
            for number, blob in enumerate(own, 1)
        )

    @cached_property
    def _flattened(self) -> tuple[Array, Array]:
        frames = self.record.frames
        zenith = self._analysis.up_angles(frames, "zenith")
        return squeezes(frames, self.record.settings, self.sun), zenith.deg

    def flattened(self, number: int) -> tuple[float, float]:
        """Return how flat the air makes a frame's disc, and where its zenith is, clockwise from up."""
        squeeze, zenith_deg = self._flattened
        return float(squeeze[number]), float(zenith_deg[number])

    def chosen_up(
        self, wanted: Up | None, *, by_spots: bool = False, progress: Progress = silent
    ) -> ChosenUp:
        """Return which way is up in each frame; None: solar north, where it is known well enough.

        `by_spots`: where the track alone does not tell it to a tenth of a degree, spots are asked too.

        Raises `RequestProblem` if what is wanted is not known.
        """
        if wanted == "camera":
            return self._as_stored("")
        settings, up, spots = self.record.settings, wanted or "solar-north", 0
        sitting = self._analysis.attitudes
        angles = up_angles(self.record.frames, sitting, up, settings, self.sun)
        worst_deg = float(angles.sigma_deg.max())
        length_s = utc_s(self.record.frames[-1].time_utc) - utc_s(self.record.frames[0].time_utc)
        long_enough = by_spots and length_s >= SPOTS_TELL_FROM_S
        if long_enough and worst_deg > GOOD_ENOUGH_DEG and np.isfinite(worst_deg):
            marks = self.marks(progress)
            sitting, spots = attitudes_by_spots(
                self.record.frames, sitting, marks.looks, marks.blobs, settings=settings, sun=self.sun
            )
            angles = up_angles(self.record.frames, sitting, up, settings, self.sun)
            worst_deg = float(angles.sigma_deg.max())
        if worst_deg <= MOST_DOUBT_DEG:
            change_deg = change_sigma_deg(self.record.frames, sitting, settings, self.sun)
            return ChosenUp(up, angles, change_sigma_deg=change_deg, spots=spots)
        known = "not known" if isinf(worst_deg) else f"known to {worst_deg:.0f}° only"
        why = f"how the camera sat on its mount is {known}"
        if wanted is not None:
            tells = "more hours of track, or a drive that stood for some minutes, would tell it"
            mend = f"a public film needs it; {tells}" if self._public else f"ask for --up camera; {tells}"
            raise RequestProblem(why, where="--public" if self._public else "--up", mend=mend)
        return self._as_stored(f"{UP_WORDS['camera']}, because {why}")

    def _as_stored(self, why: str) -> ChosenUp:
        count = len(self.record.frames)
        return ChosenUp("camera", UpAngles(np.zeros(count), np.zeros(count)), why)


def _originals(record: Record, folder: Path) -> Path:
    if record.originals is None:
        raise RequestProblem(
            "its pictures are not to be found",
            where=str(folder),
            mend=f"name the folder in which {record.frames[0].frame} lies, with --frames",
        )
    return record.originals
