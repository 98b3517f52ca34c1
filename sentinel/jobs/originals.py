"""Where the picture files of a watched or replayed session lie."""

from collections.abc import Sequence
from pathlib import Path

from sentinel.chain.intake.decode import AnyTransfer, Picture, read_picture
from sentinel.core.errors import FrameProblem, RequestProblem
from sentinel.core.files import file_hash
from sentinel.core.records import MeasuredFrame
from sentinel.core.settings import Settings

_LOOKED_FOR = 50
"""Frames, spread over the session: a few may have been moved away since."""


def originals_folder(
    frames: Sequence[MeasuredFrame],
    home: Path,
    noted: Path | None,
    settings: Settings,
    given: Path | None = None,
) -> Path | None:
    """Return the folder that the frames' names are relative to; None: it is not to be found.

    `home`: the session's own folder, beside whose journal the frames may lie.
    `noted`: where the journal says that they lay.
    `given`: by whoever asks: then it must hold them.
    Raises `RequestProblem` if the folder given holds none of the frames.
    """
    if given is not None:
        if not _holds(given, frames):
            raise RequestProblem(
                "holds none of the session's pictures",
                where=str(given),
                mend=f"name the folder in which {frames[0].frame} lies",
            )
        return given
    told = Path(settings.frames.folder) if settings.frames.folder else None
    usual = [noted, told if told is not None and told.is_absolute() else None, home]
    return next((one for one in usual if one is not None and _holds(one, frames)), None)


def _holds(folder: Path, frames: Sequence[MeasuredFrame]) -> bool:
    every = max(1, len(frames) // _LOOKED_FOR)
    return any((folder / frame.frame).is_file() for frame in frames[::every])


def original_of(folder: Path | None, frame: MeasuredFrame) -> Path | None:
    """Return a frame's file; None: it is not there, or is not the one that was measured."""
    path = folder / frame.frame if folder is not None else None
    if path is None or not path.is_file():
        return None
    return path if not frame.sha256 or file_hash(path) == frame.sha256 else None


def picture_of(folder: Path | None, frame: MeasuredFrame, transfer: AnyTransfer) -> Picture | None:
    """Return a frame's decoded picture; None: its file is not the one measured, or cannot be read."""
    path = original_of(folder, frame)
    try:
        return read_picture(path, transfer=transfer) if path is not None else None
    except FrameProblem:
        return None
