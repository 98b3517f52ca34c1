"""Two sessions opened, and the pictures that were taken at the same minutes."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sentinel.chain.intake.session import JOURNAL_NAME
from sentinel.chain.judge.low_sun import KM_DEG, low_sun_in
from sentinel.core.errors import RequestProblem
from sentinel.core.other_cameras import LowSunSeen
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Site
from sentinel.core.times import utc_s
from sentinel.jobs.progress import Progress, silent
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.report.analysis import Analysis
from sentinel.jobs.report.record import read_record

APART_S = 90.0
"""Pictures farther apart in time are not of the same minute."""
MOST_PAIRS = 24
CLEAR = 0.9
"""Of the limb, seen as a clean edge."""
APART_KM = 30.0
"""Farther apart they look at the low sun through other air."""


def open_side(
    path: Path, configs: Sequence[Path], originals: Path | None, progress: Progress = silent
) -> Analysis:
    """Return a session ready to be shown; pictures that were never watched are replayed first, for a while.

    Raises `RequestProblem` if it is no session, has no settings, or its pictures are not to be found.
    """
    if (path / JOURNAL_NAME).is_file():
        record = read_record(path, configs, originals)
    else:
        with tempfile.TemporaryDirectory(prefix="sentinel-") as folder:
            replay(ReplayRequest(path, Path(folder), configs), progress)
            record = read_record(Path(folder), originals=originals)
    if record.originals is None:
        raise RequestProblem(
            "its pictures are not to be found", where=str(path), mend="name their folder with --frames"
        )
    return Analysis(record)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two pictures of the same minute."""

    one: MeasuredFrame
    other: MeasuredFrame

    @property
    def apart_s(self) -> float:
        """By how many seconds the other was taken later."""
        return utc_s(self.other.time_utc) - utc_s(self.one.time_utc)


def pairs_of(one: Analysis, other: Analysis, most: int = MOST_PAIRS) -> list[Pair]:
    """Return pictures of the same minutes, spread over the time that both cover.

    Raises `RequestProblem` if there are none.
    """
    ours, theirs = _whole(one), _whole(other)
    if ours and theirs:
        times, others = (np.array([utc_s(frame.time_utc) for frame in side]) for side in (ours, theirs))
        nearest = np.abs(others[:, None] - times[None]).argmin(axis=0)
        both = np.flatnonzero(np.abs(others[nearest] - times) <= APART_S)
        if both.size:
            chosen = both[np.unique(np.linspace(0, both.size - 1, most).round().astype(int))]
            return [Pair(ours[i], theirs[nearest[i]]) for i in chosen]
    raise RequestProblem(
        "no picture of the whole sun in a clear sky was taken in the same minute as one of the other's",
        where="--beside",
        mend="check dates, clocks and camera.clock_offset_s of both",
    )


def _whole(w: Analysis) -> list[MeasuredFrame]:
    return [frame for frame in w.record.frames if frame.disc.whole and frame.disc.limb_coverage >= CLEAR]


def low_suns(w: Analysis) -> list[LowSunSeen]:
    """Return a session's pictures of a low sun, in order of exposure; none where up is not known in them."""
    frames = w.record.frames
    zenith = w.up_angles(frames, "zenith")
    if not frames or not np.isfinite(zenith.sigma_deg).all():
        return []
    times_s = np.array([utc_s(frame.time_utc) for frame in frames])
    before_deg, at_deg, after_deg = (w.sun.altaz_deg(times_s + off_s)[0] for off_s in (-30.0, 0.0, 30.0))
    rows = zip(
        frames, zenith.deg.tolist(), at_deg.tolist(), ((after_deg - before_deg) / 60).tolist(), strict=True
    )
    return [low for row in rows if (low := low_sun_in(*row)) is not None]


def apart_km(one: Site, other: Site) -> float:
    """Return how far two places are from each other, on a round Earth."""
    here, there = (np.radians([site.latitude_deg, site.longitude_deg]) for site in (one, other))
    half = np.sin((here - there) / 2) ** 2
    share = float(half[0] + np.cos(here[0]) * np.cos(there[0]) * half[1])
    return float(np.degrees(2 * np.arcsin(np.sqrt(share)))) / KM_DEG
