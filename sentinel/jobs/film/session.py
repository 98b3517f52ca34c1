"""A session as films and strips need it: read once, and which way is up in its frames decided."""

from dataclasses import dataclass
from functools import cached_property
from math import isinf
from pathlib import Path

import numpy as np

from sentinel.chain.track import Context, parts_of
from sentinel.core.errors import RequestProblem
from sentinel.core.times import utc_s
from sentinel.jobs.film.request import FilmRequest
from sentinel.jobs.report.record import Record, read_record
from sentinel.jobs.report.summary import usual_interval_s
from sentinel.jobs.steady import UP_WORDS, Up, UpAngles, attitudes, up_angles
from sentinel.sky import Sun, shown_altitude_deg
from sentinel.sky.arrays import Array

MOST_DOUBT_DEG = 3.0
"""Less well than this no direction is known: the picture had better stay as the camera stores it."""


@dataclass(frozen=True, slots=True)
class ChosenUp:
    """Which way is up, in every frame of a session."""

    up: Up
    angles: UpAngles
    why: str = ""
    """Why it is not what one would expect; empty: it is."""


class FilmedSession:
    """A session whose pictures are to be shown."""

    def __init__(self, request: FilmRequest) -> None:
        self.record: Record = read_record(request.folder, request.configs, request.frames)
        self.sun = Sun(self.record.settings.site)
        self.originals = _originals(self.record, request.folder)

    @cached_property
    def interval_s(self) -> float:
        """Usual time between frames; 0 where there is none."""
        return usual_interval_s(self.record.frames)

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

    def chosen_up(self, wanted: Up | None) -> ChosenUp:
        """Return which way is up in each frame; None: solar north, where it is known well enough.

        Raises
        ------
        RequestProblem
            If what is wanted is not known.
        """
        record = self.record
        if wanted == "camera":
            return self._as_stored("")
        context = Context(record.settings, self.sun)
        parts = parts_of(record.frames, [*record.marks, *record.forecasts], context)
        sitting = attitudes(record.frames, record.forecasts, parts, record.settings, self.sun)
        up = wanted or "solar-north"
        angles = up_angles(record.frames, sitting, up, record.settings, self.sun)
        worst_deg = float(angles.sigma_deg.max())
        if worst_deg <= MOST_DOUBT_DEG:
            return ChosenUp(up, angles)
        known = "not known" if isinf(worst_deg) else f"known to {worst_deg:.0f}° only"
        why = f"how the camera sat on its mount is {known}"
        if wanted is not None:
            raise RequestProblem(
                why, where="--up", mend="ask for --up camera; more hours of track, or a drive that stood for "
                "some minutes, would tell it",
            )  # fmt: skip
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
