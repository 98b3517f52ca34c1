"""A folder that a camera fills: which of its files are finished, each once.

Looks at the folder are the truth; events of the file system only hurry them. A file is finished when somebody
closed it and both its ends are there, or when it has stopped changing; one that stays unfinished is handed on
after a patience, and decoding says what is wrong with it. Nothing is ever written here.
"""

import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from fnmatch import translate
from pathlib import Path

from sentinel.chain.intake.completeness import Completeness, completeness_of
from sentinel.chain.intake.decode import MAX_FILE_BYTES
from sentinel.chain.intake.seen_files import SeenFiles
from sentinel.chain.intake.session import PREFERRED, preference
from sentinel.core.files import shown_name

SETTLE_S = 4.0
"""A file whose ends are whole and that nobody was seen to close must stay unchanged for so long."""

OLD_S = 60.0
"""One that was last changed so long ago has settled, though it was never seen before."""

OLD_WHOLE_S = 5.0
"""So has one whose both ends are there, after less."""

PAIR_S = 120.0
"""Files of one stem that were written within so long of each other are one exposure."""


class FolderState(StrEnum):
    """How the folder is found; four different things to a person who has to mend it."""

    PRESENT = "present"
    EMPTY = "empty"
    """It is there and holds no frame: often the place where a disk is not mounted."""
    MISSING = "missing"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Finished:
    """A file to be measured."""

    path: Path
    frame: str
    """Its name relative to the folder, fit to be shown."""
    size_bytes: int
    modified_ns: int
    digest: str | None
    """SHA-256 of its bytes; None where it is no file that can be read through."""
    problem: str = ""
    """Why it cannot even be looked at; then it is not to be measured."""


@dataclass(frozen=True, slots=True)
class FolderLook:
    """What one look at the folder found."""

    state: FolderState
    files: int = 0
    """Frames in the folder, old ones too."""
    ready: tuple[Finished, ...] = ()
    """In order of exposure."""
    more: bool = False
    """Others are finished too and come with the next look."""
    waiting: int = 0
    """Not finished yet."""
    locked_folders: int = 0
    """Subfolders that may not be read."""


@dataclass(slots=True)
class _Waiting:
    """A file that was seen and not handed on yet."""

    path: Path
    frame: str
    regular: bool
    size_bytes: int
    modified_ns: int
    changed_s: float
    """When it was last seen to change."""
    closed: bool = False
    """Somebody was seen to close it, or to move it to its place, since."""
    looks: int = 0
    """For how many more looks it has been the same."""
    finished: bool = False
    taken_s: float | None = None
    seen: int = 0
    """Number of the look that saw it last."""
    problem: str = ""

    @property
    def key(self) -> tuple[str, int, int]:
        return self.frame, self.size_bytes, self.modified_ns


class LiveFolder:
    """The state of a live folder, moved on by looks.

    `folder`, `patterns`: where frames arrive and what their names look like, upper and lower case alike.
    `known`: what was handed on before; kept up to date.
    `taken_s`: given a path and the file's time of change, returns when it was exposed, in POSIX seconds;
        orders the files that one look finds.
    `patience_s`: how long an unfinished file is waited for after it last grew.
    """

    def __init__(
        self,
        folder: Path,
        patterns: Iterable[str],
        known: SeenFiles,
        *,
        taken_s: Callable[[Path, float], float] = lambda path, modified_s: modified_s,  # noqa: ARG005
        patience_s: float = 60.0,
    ) -> None:
        patterns = tuple(pattern.lower() for pattern in patterns)
        self.folder = folder
        self._matches = re.compile("|".join(map(translate, patterns))).match
        lower = {Path(pattern).suffix for pattern in patterns} - {""}
        self._suffixes = sorted(lower | {suffix.upper() for suffix in lower})
        self._known, self._taken_s, self._patience_s = known, taken_s, patience_s
        self._waiting: dict[str, _Waiting] = {}
        self._closed: set[str] = set()
        # Files that are no frames because another file of the same exposure is.
        self._partners: set[tuple[str, int, int]] = set()
        # Files that were given up because they may not be opened, in case they may be later.
        self._locked: set[tuple[str, int, int]] = set()
        self._looks = self._files = self._locked_folders = 0
        self._now_ns = 0.0
        self.at = ""
        """The entry that is being looked at, in case something nobody foresaw comes of it."""

    def closed(self, path: str) -> None:
        """Take the file system's word that a file was closed by its writer, or moved to its place whole."""
        self._closed.add(_shown(path.removeprefix(f"{os.fspath(self.folder)}{os.sep}")))

    def look(self, now_s: float, now_utc_s: float | None = None, *, limit: int = 32) -> FolderLook:
        """Look at the folder; return what is finished, at most `limit` files of it, and how the folder is.

        `now_s`: monotonic seconds.
        `now_utc_s`: what a file's time of change is held against: one that is old already has settled. None:
            none is.
        """
        self._looks += 1
        self._now_ns = now_utc_s * 1e9 if now_utc_s is not None else 0.0
        self._files = self._locked_folders = 0
        try:
            self._walk(os.fspath(self.folder), now_s)
        except (FileNotFoundError, NotADirectoryError):
            return self._nothing(FolderState.MISSING)
        except OSError:
            return self._nothing(FolderState.UNREADABLE)
        finally:
            self._closed.clear()
        self._waiting = {name: file for name, file in self._waiting.items() if file.seen == self._looks}
        finished = [file for file in self._waiting.values() if self._is_finished(file, now_s)]
        ready, more = self._hand_on(finished, limit, now_s)
        return FolderLook(
            FolderState.PRESENT if self._files else FolderState.EMPTY,
            files=self._files,
            ready=tuple(ready),
            more=more,
            waiting=len(self._waiting),
            locked_folders=self._locked_folders,
        )

    def forget(self, file: Finished) -> None:
        """Take a file as new when it is seen again: it was handed on and went away before it was measured."""
        self._known.forget(file.frame, file.size_bytes, file.modified_ns, file.digest)

    def _nothing(self, state: FolderState) -> FolderLook:
        self._waiting.clear()
        return FolderLook(state)

    # What is there.

    def _walk(self, root: str, now_s: float) -> None:
        # Not by calls within calls: folders may be nested deeper than those may.
        left = [(root, "")]
        while left:
            folder, prefix = left.pop()
            try:
                with os.scandir(folder) as entries:
                    for entry in entries:
                        if not entry.name.startswith("."):
                            left += self._look_at(entry, prefix, now_s)
            except OSError as error:
                if not prefix:
                    raise
                if isinstance(error, PermissionError):
                    self._locked_folders += 1
                elif not isinstance(error, FileNotFoundError | NotADirectoryError):
                    self._fail(Path(folder), prefix, error, now_s)

    def _look_at(self, entry: "os.DirEntry[str]", prefix: str, now_s: float) -> list[tuple[str, str]]:
        """Look at one entry; return it, where it is a folder. Whatever is wrong with it costs it alone."""
        self.at = name = prefix + entry.name
        try:
            if self._matches(entry.name.lower()):
                self._files += 1
                self._see(entry, name, now_s)
            elif entry.is_dir(follow_symlinks=False):
                return [(entry.path, name + os.sep)]
        except FileNotFoundError:
            pass  # renamed or deleted while we looked
        except Exception as error:  # noqa: BLE001 - nobody can foresee what stands in a folder
            self._fail(Path(entry.path), name, error, now_s)
        return []

    def _fail(self, path: Path, name: str, error: Exception, now_s: float) -> None:
        """Wait with an entry that cannot be looked at, as with one that is not whole."""
        frame = _shown(name)
        if self._known.holds_file(frame, 0, 0):
            return
        file = self._waiting.get(frame)
        if file is None or not file.problem:
            file = self._waiting[frame] = _Waiting(path, frame, False, 0, 0, changed_s=now_s)
        file.problem = f"cannot be looked at ({getattr(error, 'strerror', None) or error})"
        file.seen = self._looks

    def _see(self, entry: "os.DirEntry[str]", name: str, now_s: float) -> None:
        status = entry.stat(follow_symlinks=False)
        regular = stat.S_ISREG(status.st_mode)
        # A pipe, link or folder named like a frame is one thing however it changes.
        size, modified = (status.st_size, status.st_mtime_ns) if regular else (0, status.st_ino)
        frame = _shown(name)
        key = (frame, size, modified)
        if self._known.holds_file(*key) or key in self._partners:
            if key not in self._locked or not os.access(entry.path, os.R_OK):
                return
            self._locked.discard(key)
            self._known.forget(*key, None)
        file = self._waiting.get(frame)
        if file is None or file.problem or (file.size_bytes, file.modified_ns) != (size, modified):
            file = _Waiting(Path(entry.path), frame, regular, size, modified, changed_s=now_s)
            self._waiting[frame] = file
        else:
            file.looks += 1
        file.closed = file.closed or frame in self._closed
        file.seen = self._looks

    # What is finished.

    def _is_finished(self, file: _Waiting, now_s: float) -> bool:
        file.finished = file.finished or self._is_finished_now(file, now_s - file.changed_s)
        return file.finished

    def _is_finished_now(self, file: _Waiting, still_s: float) -> bool:
        if file.problem:
            return still_s >= self._patience_s
        settled = file.looks >= 1 and still_s >= SETTLE_S
        if not file.regular:
            return settled
        old_s = (self._now_ns - file.modified_ns) / 1e9
        settled = settled or old_s > OLD_WHOLE_S
        # A raw file may be followed by the JPEG of the same exposure.
        raw = preference(file.path) >= len(PREFERRED)
        if not settled and (raw or not file.closed):
            return False
        match completeness_of(file.path):
            case Completeness.WHOLE:
                return True
            case Completeness.UNTOLD:
                steady = file.looks >= 2 and still_s >= 2 * SETTLE_S
                return settled and (file.closed or steady or old_s > OLD_S)
            case Completeness.GONE:
                return False
            case Completeness.LOCKED:
                if still_s >= self._patience_s:
                    self._locked.add(file.key)
                return still_s >= self._patience_s
            case Completeness.CUT:
                return still_s >= self._patience_s

    def _hand_on(self, finished: list[_Waiting], limit: int, now_s: float) -> tuple[list[Finished], bool]:
        """Return the first of the finished files in order of exposure, and whether others are left."""
        if len(finished) > 1:
            for file in finished:
                self.at = file.frame
                if file.taken_s is None:
                    modified_s = file.modified_ns / 1e9
                    file.taken_s = self._taken_s(file.path, modified_s) if file.regular else modified_s
            finished.sort(key=lambda file: (file.taken_s or 0.0, file.frame))
        ready: list[Finished] = []
        for file in finished:
            if len(ready) >= limit:
                return ready, True
            self.at = file.frame
            try:
                one = self._as_finished(file)
            except FileNotFoundError:
                continue
            except _StillChangingError:
                file.finished, file.closed, file.looks, file.changed_s = False, False, 0, now_s
                continue
            if one is not None:
                ready.append(one)
            del self._waiting[file.frame]
        return ready, False

    def _as_finished(self, file: _Waiting) -> Finished | None:
        """Return a file as it is handed on; None where another is the same frame. Either way it is known."""
        if self._has_partner(file):
            self._partners.add(file.key)
            return None
        digest = _digest(file) if file.regular else None
        old = digest is not None and self._known.holds_content(digest)
        self._known.add(*file.key, digest)
        return None if old else Finished(file.path, *file.key, digest, file.problem)

    def _has_partner(self, file: _Waiting) -> bool:
        """Say whether another file of the same exposure is the frame."""
        if len(self._suffixes) < 3 or not file.regular:
            return False
        for suffix in self._suffixes:
            other = file.path.with_suffix(suffix)
            if suffix == file.path.suffix:
                continue
            try:
                status = other.lstat()
            except OSError:
                continue
            apart_s = abs(status.st_mtime_ns - file.modified_ns) / 1e9
            if not stat.S_ISREG(status.st_mode) or apart_s > PAIR_S:
                continue
            frame = file.frame.removesuffix(_shown(file.path.suffix)) + suffix
            taken = self._known.holds_file(frame, status.st_size, status.st_mtime_ns)
            if taken or preference(other) < preference(file.path):
                return True
        return False


class _StillChangingError(Exception):
    """A file changed while it was read."""


def _digest(file: _Waiting) -> str | None:
    """Return the digest of a file that is to be as it was when last seen; None where it cannot be read."""
    try:
        handle = os.open(file.path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
    except FileNotFoundError:
        raise
    except OSError:
        return None
    with os.fdopen(handle, "rb") as opened:
        status = os.fstat(handle)
        if (status.st_size, status.st_mtime_ns) != (file.size_bytes, file.modified_ns):
            raise _StillChangingError
        if status.st_size > MAX_FILE_BYTES:
            return None
        try:
            return hashlib.file_digest(opened, "sha256").hexdigest()
        except OSError:
            return None


def _shown(name: str) -> str:
    # Escaping is slow and seldom needed; printable text is shown as it is.
    return name if name.isprintable() else shown_name(name)
