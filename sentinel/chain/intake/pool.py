"""Files -> measured frames, by workers that may be killed."""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Literal

from sentinel.chain.intake.examine import dated, examine
from sentinel.chain.intake.session_discs import DiscPrior, SessionDiscs
from sentinel.chain.intake.workers import OnCluster, ProcessPool, working
from sentinel.core.clock import Clock
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.times import file_time_utc

UNMEASURED = "unmeasured"
"""Flag of a frame whose measuring process hung or died."""


@dataclass(frozen=True, slots=True)
class MeasureJob:
    """One file to be measured, with what the settings say about it."""

    path: Path
    frame: str
    transfer: Literal["auto", "srgb", "linear"] = "auto"
    clock_offset_s: float = 0.0
    within: Path | None = None
    """Folder out of which no link is followed."""
    prior: DiscPrior | None = None
    """What is known of the disc beforehand."""
    only_dated: bool = False
    """Its time is asked for alone."""
    content: bytes | None = None
    """What it holds, where it is measured on a machine that does not see it."""
    modified_ns: int = 0
    """Its time of change, where it is sent."""


PATIENCE_S = 60.0
"""How long one file may take."""
STRETCH = 16
"""Frames that are measured knowing the same."""

_NOTHING_KEPT: Mapping[str, MeasuredFrame] = MappingProxyType({})

Work = Callable[[MeasureJob], MeasuredFrame]


def measure_job(job: MeasureJob) -> MeasuredFrame:
    """Measure one file in this process."""
    if job.content is not None:
        with TemporaryDirectory(prefix="sentinel-") as folder:
            path = Path(folder, job.path.name)
            path.write_bytes(job.content)
            os.utime(path, ns=(job.modified_ns, job.modified_ns))
            return measure_job(replace(job, path=path, content=None, within=None))
    if job.only_dated:
        return dated(job.path, frame=job.frame, clock_offset_s=job.clock_offset_s, within=job.within)
    return examine(
        job.path,
        frame=job.frame,
        transfer=job.transfer,
        clock_offset_s=job.clock_offset_s,
        within=job.within,
        prior=job.prior,
    )


def _carrying(job: MeasureJob) -> MeasureJob:
    """Return a job with what its file holds; one that cannot be read is left to whoever is to measure it."""
    try:
        modified_ns = job.path.stat().st_mtime_ns
        return replace(job, content=job.path.read_bytes(), modified_ns=modified_ns)
    except OSError:
        return job


def _unmeasured(job: MeasureJob, reason: str) -> MeasuredFrame:
    try:
        file_time_s = job.path.lstat().st_mtime
    except OSError:
        file_time_s = 0.0
    return MeasuredFrame(
        frame=job.frame,
        time_utc=file_time_utc(file_time_s),
        width_px=0,
        height_px=0,
        disc=Disc(found=False),
        error=f"measuring failed ({reason}); the file is skipped",
        flags=(UNMEASURED,),
    )


class MeasuringPool(ProcessPool[MeasureJob, MeasuredFrame]):
    """Processes that measure; a file that hangs or crashes one costs that file.

    Parameters
    ----------
    clock
        Where the patience with a silent process is read off.
    count
        How many processes; the number of cores if not given.
    patience_s
        How long one file may take.
    work
        What is done with each; a function that can be pickled.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        count: int | None = None,
        patience_s: float = PATIENCE_S,
        work: Work = measure_job,
    ) -> None:
        super().__init__(clock, work, _unmeasured, count=count, patience_s=patience_s)


def measure_all(
    jobs: Sequence[MeasureJob],
    session_discs: SessionDiscs | None = None,
    *,
    on: OnCluster | None = None,
    kept: Mapping[str, MeasuredFrame] = _NOTHING_KEPT,
) -> Iterator[MeasuredFrame]:
    """Measure files on all cores, or on a cluster; yield their frames in the order of the jobs.

    With `session_discs` the frames of each stretch are measured knowing what those before it have shown, on
    any number of cores the same. What is `kept`, by the frame's name, is not measured again, but learnt from.
    """
    if len(jobs) <= 1 and on is None:
        # Starting processes takes longer than one frame does.
        yield from (
            kept.get(job.frame) or measure_job(job)
            for stretch in _stretches(jobs, session_discs)
            for job in stretch
        )
        return
    with working(measure_job, _unmeasured, most=len(jobs), on=on, patience_s=PATIENCE_S) as workers:
        for stretch in _stretches(jobs, session_discs):
            new = [job for job in stretch if job.frame not in kept]
            measured = workers.results(map(_carrying, new) if on is not None and on.send else new)
            for job in stretch:
                frame = kept[job.frame] if job.frame in kept else next(measured)
                if session_discs is not None:
                    session_discs.learn(frame)
                yield frame


def _stretches(
    jobs: Sequence[MeasureJob], session_discs: SessionDiscs | None
) -> Iterator[Sequence[MeasureJob]]:
    """Yield the jobs in stretches, each with what is known when it is asked for."""
    if session_discs is None:
        yield jobs
        return
    for start in range(0, len(jobs), STRETCH):
        prior = session_discs.prior
        yield [replace(job, prior=prior) for job in jobs[start : start + STRETCH]]
