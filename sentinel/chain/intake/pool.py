"""Files -> measured frames, by workers that may be killed."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from sentinel.chain.intake.examine import MeasureJob, dated, examine
from sentinel.chain.intake.process_pool import ProcessPool
from sentinel.chain.intake.sent_file import at_hand, sent_file
from sentinel.chain.intake.session_discs import SessionDiscs
from sentinel.chain.intake.workers import OnCluster, working
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.times import file_time_utc

UNMEASURED = "unmeasured"
"""Flag of a frame whose measuring process hung or died."""


PATIENCE_S = 60.0
"""How long one file may take."""
STRETCH = 16
"""Frames that are measured knowing the same."""

_NOTHING_KEPT: Mapping[str, MeasuredFrame] = MappingProxyType({})


def measure_job(job: MeasureJob) -> MeasuredFrame:
    """Measure one file in this process."""
    with at_hand(job.path, job.sent) as path:
        if job.sent is not None:
            job = replace(job, path=path, sent=None, within=None)
        return dated(job) if job.only_dated else examine(job)


def unmeasured(frame: str, file_time_s: float, why: str) -> MeasuredFrame:
    """Return what is known of a file that was not measured."""
    return MeasuredFrame(
        frame=frame,
        time_utc=file_time_utc(file_time_s),
        width_px=0,
        height_px=0,
        disc=Disc(found=False),
        error=why,
        flags=(UNMEASURED,),
    )


def measuring_failed(job: MeasureJob, reason: str) -> MeasuredFrame:
    """Return what becomes of a file that hangs or crashes whoever measures it."""
    try:
        file_time_s = job.path.lstat().st_mtime
    except OSError:
        file_time_s = 0.0
    return unmeasured(job.frame, file_time_s, f"measuring failed ({reason}); the file is skipped")


MeasuringPool = ProcessPool[MeasureJob, MeasuredFrame]
"""Processes that measure; a file that hangs or crashes one costs that file."""


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
    with working(measure_job, measuring_failed, most=len(jobs), on=on, patience_s=PATIENCE_S) as workers:
        for stretch in _stretches(jobs, session_discs):
            new = [job for job in stretch if job.frame not in kept]
            sending = on is not None and on.send
            measured = workers.results(
                replace(job, sent=sent_file(job.path)) if sending else job for job in new
            )
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
