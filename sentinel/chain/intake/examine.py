"""One file -> one measured frame: read, decode, measure; a broken file is a frame with an error."""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sentinel.chain.intake.decode import AnyTransfer, Header, read_header, read_picture
from sentinel.chain.intake.disc_prior import DiscPrior
from sentinel.chain.intake.exposure_time import exposure_time
from sentinel.chain.intake.sent_file import SentFile
from sentinel.chain.measure import measure
from sentinel.core.errors import FrameProblem
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.times import EPOCH_UTC, file_time_utc

if TYPE_CHECKING:
    from sentinel.core.settings import Camera

UNREADABLE = "unreadable"
"""The file could not be used as a frame."""


@dataclass(frozen=True, slots=True)
class MeasureJob:
    """One file to be measured, with what the settings say about it."""

    path: Path
    frame: str
    """Its name in the session."""
    transfer: AnyTransfer = "auto"
    """How its values stand to light."""
    clock_offset_s: float = 0.0
    """Camera clock minus UTC."""
    within: Path | None = None
    """Folder out of which no link is followed; None: links are followed wherever they lead."""
    prior: DiscPrior | None = None
    """What is known of the disc beforehand."""
    only_dated: bool = False
    """Its time is asked for alone."""
    sent: SentFile | None = None
    """The file itself, where it is measured on a machine that does not see it."""


def job_of_the_past(path: Path, frame: str, camera: "Camera") -> MeasureJob:
    """Return how to measure a file of which nobody knows when it arrived, as `auto` would need to."""
    offset_s = camera.clock_offset_s
    return MeasureJob(path, frame, camera.transfer, 0.0 if offset_s == "auto" else offset_s)


def examine(job: MeasureJob) -> MeasuredFrame:
    """Measure one file."""
    try:
        picture = read_picture(job.path, transfer=job.transfer, within=job.within)
    except FrameProblem as problem:
        return _broken(job, problem)
    time_utc, doubts = _when(job, picture.header)
    try:
        disc = measure(
            picture.values,
            transfer=picture.transfer,
            full_scale=picture.full_scale,
            brightest=picture.brightest,
            expected=None if job.prior is None else job.prior.expected(time_utc, picture.step),
        )
    except Exception as error:  # noqa: BLE001 - pixels that nobody foresaw cost their frame, not the run
        unforeseen = FrameProblem(f"cannot be measured ({' '.join(str(error).split())[:120]})")
        return _broken(job, unforeseen)
    header = picture.header
    return MeasuredFrame(
        frame=job.frame,
        time_utc=time_utc,
        width_px=header.width_px,
        height_px=header.height_px,
        disc=on_the_sensor(disc, picture.step, picture.shift_px),
        exposure_s=header.exposure_s,
        iso=header.iso,
        aperture=header.aperture,
        orientation=header.orientation,
        camera=header.camera,
        zone_s=header.zone_s,
        flags=(*picture.flags, *doubts),
    )


def dated(job: MeasureJob) -> MeasuredFrame:
    """Return a frame of which the time alone is known, from its header."""
    return _broken(job, FrameProblem("not measured yet"))


def on_the_sensor(disc: Disc, step: int, shift_px: tuple[float, float] = (0.0, 0.0)) -> Disc:
    """Return on the sensor a disc measured on squares of `step` pixels, their light `shift_px` off centre."""
    if step == 1:
        return disc
    return replace(
        disc,
        x_px=(disc.x_px + 0.5) * step - 0.5 + shift_px[0],
        y_px=(disc.y_px + 0.5) * step - 0.5 + shift_px[1],
        radius_px=disc.radius_px * step,
        centre_sigma_px=disc.centre_sigma_px * step,
        edge_width_px=disc.edge_width_px * step,
        edge_width_cos2_px=disc.edge_width_cos2_px * step,
        edge_width_sin2_px=disc.edge_width_sin2_px * step,
        oval_cos2_px=disc.oval_cos2_px * step,
        oval_sin2_px=disc.oval_sin2_px * step,
        oval_sigma_px=disc.oval_sigma_px * step,
    )


def _when(job: MeasureJob, header: Header | None) -> tuple[datetime, tuple[str, ...]]:
    try:
        status = job.path.stat() if job.path.exists() else job.path.lstat()
        changed_utc = file_time_utc(status.st_mtime)
    except OSError:
        changed_utc = EPOCH_UTC
    if header is None:
        return exposure_time(None, None, job.clock_offset_s, changed_utc)
    return exposure_time(header.taken, header.zone, job.clock_offset_s, changed_utc)


def _broken(job: MeasureJob, problem: FrameProblem) -> MeasuredFrame:
    """Give a frame without pixels its place in time, by its header if that much can be read."""
    try:
        header: Header | None = read_header(job.path, within=job.within)
    except FrameProblem:
        header = None
    time_utc, doubts = _when(job, header)
    return MeasuredFrame(
        frame=job.frame,
        time_utc=time_utc,
        width_px=header.width_px if header else 0,
        height_px=header.height_px if header else 0,
        disc=Disc(found=False),
        camera=header.camera if header else "",
        zone_s=header.zone_s if header else None,
        error=f"{problem.what}; {problem.mend}" if problem.mend else problem.what,
        flags=(UNREADABLE, *doubts),
    )
