"""What a past session is made of: a folder of frames, a table of measurements, or a journal."""

import os
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from sentinel.core.errors import RequestProblem
from sentinel.core.files import shown_name

JOURNAL_NAME = "journal.sqlite"
TABLE_NAME = "measurements.ecsv"
CONFIG_NAME = "config.yaml"
MARKS_NAME = "marks.jsonl"

# Of several files of one exposure (a raw file and its JPEG) the first of these kinds is taken.
PREFERRED = (".jpg", ".jpeg", ".tif", ".tiff", ".png", ".fits", ".fit")


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file that is to be a frame."""

    path: Path
    frame: str
    """Its name relative to the session, fit to be shown."""


def find_frames(folder: Path, patterns: tuple[str, ...]) -> list[FoundFile]:
    """List the frames in a folder and its subfolders, by name; hidden files and folders are left out.

    Files in one folder that differ only in their suffix are one exposure, and one frame.
    """
    by_exposure: dict[tuple[str, str], Path] = {}
    left = [os.fspath(folder)]
    while left:
        # A level at a time: folders may be nested deeper than calls may.
        root, folders, names = next(os.walk(left.pop()), ("", [], []))
        # A folder that is named like a frame is listed as one: decoding says what is wrong with it.
        misnamed = [name for name in folders if _matches(name, patterns)]
        below = [os.path.join(root, n) for n in folders if not n.startswith(".") and n not in misnamed]  # noqa: PTH118
        left += [path for path in below if not os.path.islink(path)]  # noqa: PTH114
        for name in sorted(names + misnamed):
            path = Path(root, name)
            if name.startswith(".") or not _matches(name, patterns):
                continue
            key = (root, path.stem.lower())
            held = by_exposure.get(key)
            if held is None or preference(path) < preference(held):
                by_exposure[key] = path
    return [FoundFile(path, shown_name(path.relative_to(folder))) for path in sorted(by_exposure.values())]


def _matches(name: str, patterns: tuple[str, ...]) -> bool:
    return any(fnmatch(name.lower(), pattern.lower()) for pattern in patterns)


def preference(path: Path) -> int:
    """Return a file's rank among those of one exposure: the lowest is the frame; raw ones come last."""
    suffix = path.suffix.lower()
    return PREFERRED.index(suffix) if suffix in PREFERRED else len(PREFERRED)


@dataclass(frozen=True, slots=True)
class Session:
    """Where a past session's events come from; exactly one of the three."""

    folder: Path | None = None
    table: Path | None = None
    journal: Path | None = None

    @property
    def home(self) -> Path:
        """The folder where the session's settings and marks are looked for."""
        if self.folder is not None:
            return self.folder
        source = self.table or self.journal
        assert source is not None  # noqa: S101 - one of the three is set
        return source.parent

    def beside(self, name: str) -> Path | None:
        """Return a file of that name that belongs to the session, if there is one."""
        path = self.home / name
        return path if path.is_file() else None


def open_session(path: Path) -> Session:
    """Tell what a path holds.

    Raises `RequestProblem` if it does not exist.
    """
    if path.is_dir():
        if (path / JOURNAL_NAME).is_file():
            return Session(journal=path / JOURNAL_NAME)
        entries = {entry.name for entry in path.iterdir()} - {TABLE_NAME, CONFIG_NAME, MARKS_NAME}
        only_table = (path / TABLE_NAME).is_file() and not any(_has_frames(path / name) for name in entries)
        return Session(table=path / TABLE_NAME) if only_table else Session(folder=path)
    if not path.is_file():
        raise RequestProblem(
            "there is no such session",
            where=str(path),
            mend="give a folder of frames, a measurements.ecsv or a state folder",
        )
    return Session(journal=path) if path.suffix == ".sqlite" else Session(table=path)


def _has_frames(path: Path) -> bool:
    return path.is_dir() or path.suffix.lower() in PREFERRED
