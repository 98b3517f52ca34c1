"""One file -> one measured frame: read, decode, measure; a broken file is a frame with an error."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from sentinel.chain.intake.decode import Header, read_header, read_picture
from sentinel.chain.intake.exposure_time import exposure_time
from sentinel.chain.intake.session_discs import DiscPrior
from sentinel.chain.measure import measure
from sentinel.core.errors import FrameProblem
from sentinel.core.records import Disc, MeasuredFrame
from sentinel.core.times import EPOCH_UTC, file_time_utc

UNREADABLE = "unreadable"
"""The file could not be used as a frame."""


def examine(
    path: Path,
    *,
    frame: str,
    transfer: Literal["auto", "srgb", "linear"] = "auto",
    clock_offset_s: float = 0.0,
    within: Path | None = None,
    prior: DiscPrior | None = None,
) -> MeasuredFrame:
    """Measure one file.

    Parameters
    ----------
    path
        The file.
    frame
        Its name in the session.
    transfer
        How its values stand to light; by its format if ``auto``.
    clock_offset_s
        Camera clock minus UTC.
    within
        Folder out of which no link is followed; None: links are followed wherever they lead.
    prior
        What is known of the disc beforehand.
    """
    try:
        picture = read_picture(path, transfer=transfer, within=within)
    except FrameProblem as problem:
        return _broken(path, frame, problem, clock_offset_s, within)
    time_utc, doubts = _when(path, picture.header, clock_offset_s)
    try:
        disc = measure(
            picture.values,
            transfer=picture.transfer,
            full_scale=picture.full_scale,
            brightest=picture.brightest,
            expected=None if prior is None else prior.expected(time_utc, picture.step),
        )
    except Exception as error:  # noqa: BLE001 - pixels that nobody foresaw cost their frame, not the run
        unforeseen = FrameProblem(f"cannot be measured ({' '.join(str(error).split())[:120]})")
        return _broken(path, frame, unforeseen, clock_offset_s, within)
    header = picture.header
    return MeasuredFrame(
        frame=frame,
        time_utc=time_utc,
        width_px=header.width_px,
        height_px=header.height_px,
        disc=on_the_sensor(disc, picture.step, picture.shift_px),
        exposure_s=header.exposure_s,
        iso=header.iso,
        aperture=header.aperture,
        camera=header.camera,
        zone_s=header.zone_s,
        flags=(*picture.flags, *doubts),
    )


def dated(
    path: Path, *, frame: str, clock_offset_s: float = 0.0, within: Path | None = None
) -> MeasuredFrame:
    """Return a frame of which the time alone is known, from its header."""
    return _broken(path, frame, FrameProblem("not measured yet"), clock_offset_s, within)


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
    )


def _when(path: Path, header: Header | None, clock_offset_s: float) -> tuple[datetime, tuple[str, ...]]:
    try:
        status = path.stat() if path.exists() else path.lstat()
        changed_utc = file_time_utc(status.st_mtime)
    except OSError:
        changed_utc = EPOCH_UTC
    if header is None:
        return exposure_time(None, None, clock_offset_s, changed_utc)
    return exposure_time(header.taken, header.zone, clock_offset_s, changed_utc)


def _broken(
    path: Path,
    frame: str,
    problem: FrameProblem,
    clock_offset_s: float,
    within: Path | None,
) -> MeasuredFrame:
    """Give a frame without pixels its place in time, by its header if that much can be read."""
    try:
        header: Header | None = read_header(path, within=within)
    except FrameProblem:
        header = None
    time_utc, doubts = _when(path, header, clock_offset_s)
    return MeasuredFrame(
        frame=frame,
        time_utc=time_utc,
        width_px=header.width_px if header else 0,
        height_px=header.height_px if header else 0,
        disc=Disc(found=False),
        camera=header.camera if header else "",
        zone_s=header.zone_s if header else None,
        error=f"{problem.what}; {problem.mend}" if problem.mend else problem.what,
        flags=(UNREADABLE, *doubts),
    )
