"""Frames measured on request, into a table that grows as they come and can be gone on with."""

from collections import Counter
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from zlib import crc32

from sentinel.chain.intake.examine import MeasureJob, job_of_the_past
from sentinel.chain.intake.pool import measure_all
from sentinel.chain.intake.session import find_frames
from sentinel.chain.intake.session_discs import SessionDiscs
from sentinel.chain.intake.workers import OnCluster
from sentinel.core.errors import RequestProblem
from sentinel.core.files import shown_name
from sentinel.core.growing_table import GrowingTable
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Frames, Settings, load_settings
from sentinel.jobs.progress import Progress, reported, silent


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureRequest:
    """What is to be measured, and how."""

    frames: Sequence[Path]
    configs: Sequence[Path] = ()
    table: Path | None = None
    """Where the measurements are kept."""
    resume: bool = False
    """What the table holds already is not measured again."""
    on: OnCluster | None = None
    """Where it is done, if not here."""


def measured(request: MeasureRequest, progress: Progress = silent) -> Generator[MeasuredFrame]:
    """Yield the frames in the order of the request, each once it is in the table; kept ones are left out.

    Raises `RequestProblem` if there are no frames, or the table or the cluster cannot be used.
    Raises `Problem` if the cluster goes; what was measured is in the table.
    """
    settings = load_settings(request.configs) if request.configs else None
    jobs = _jobs(request, settings)
    session_discs = SessionDiscs.of(settings) if settings is not None else None
    if request.table is None:
        if request.resume:
            raise RequestProblem("needs a table", where="--resume", mend="name it with --out")
        yield from reported(measure_all(jobs, session_discs, on=request.on), "measuring", len(jobs), progress)
        return
    _require_distinct(jobs)
    stamps = {job.frame: _stamp(job.path) for job in jobs}
    with GrowingTable(request.table, _made_by(settings), resume=request.resume) as table:
        kept = {
            name: frame
            for name, frame in table.rows.items()
            if stamps.get(name) == (frame.size_bytes, frame.modified_ns)
        }
        frames = measure_all(jobs, session_discs, on=request.on, kept=kept)
        for frame in reported(frames, "measuring", len(jobs), progress):
            if frame.frame not in kept:
                size_bytes, modified_ns = stamps[frame.frame]
                table.add(replace(frame, size_bytes=size_bytes, modified_ns=modified_ns))
                yield frame
        table.finish()


def _jobs(request: MeasureRequest, settings: Settings | None) -> list[MeasureJob]:
    camera = settings.camera if settings is not None else None
    patterns = settings.frames.patterns if settings is not None else Frames().patterns
    found: list[tuple[Path, str]] = []
    for path in request.frames:
        if not path.is_dir():
            found.append((path, shown_name(path)))
            continue
        files = find_frames(path, patterns)
        if not files:
            raise RequestProblem("holds no frames", where=str(path), mend="check the folder")
        found += [(file.path, file.frame) for file in files]
    return [
        MeasureJob(path, frame) if camera is None else job_of_the_past(path, frame, camera)
        for path, frame in found
    ]


def _require_distinct(jobs: Sequence[MeasureJob]) -> None:
    twice = [name for name, count in Counter(job.frame for job in jobs).items() if count > 1]
    if twice:
        mend = "name the folder above both, or give each its own table"
        raise RequestProblem("two frames have this name", where=twice[0], mend=mend)


def _stamp(path: Path) -> tuple[int | None, int | None]:
    """Return a file's size and time of change, by which it is known again; None: it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None, None
    return found.st_size, found.st_mtime_ns


def _made_by(settings: Settings | None) -> int:
    """Return a number that tells apart the settings that measuring goes by."""
    if settings is None:
        return 0
    camera = settings.camera
    return crc32(repr((camera.transfer, camera.scale_arcsec_px, camera.clock_offset_s)).encode())
