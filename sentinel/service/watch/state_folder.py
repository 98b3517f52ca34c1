"""The state folder: whose it is, what lies in it, and the space held back in it."""

import fcntl
import json
import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from sentinel.chain.intake.session import JOURNAL_NAME
from sentinel.core.clock import Clock
from sentinel.core.errors import Problem, RequestProblem, refused
from sentinel.core.files import unused, write_text_whole
from sentinel.core.times import format_utc, known_zone, parse_utc

SPARE_RATIO = 4.0
"""The ballast is laid out only where this many times its size is free."""


def state_path(configured: str, named: Path | None) -> Path:
    """Return where a watch keeps its files: as named, as set, as the service manager says, or as usual."""
    if named is not None:
        return named
    if configured:
        return Path(configured).expanduser()
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(base) / "sentinel"


class StateFolder:
    """A state folder's files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = folder / JOURNAL_NAME
        self.marks = folder / "marks"
        self.snapshot = folder / "snapshot.bin"
        self.second_copy = folder / "waiting.jsonl"
        self.attempt = folder / "attempt.json"
        self.ballast = folder / "ballast.bin"
        self.status_json = folder / "status.json"
        self.status_html = folder / "status.html"
        self._told_time = folder / "time-of-the-drill"
        self._lock_file = folder / "lock"
        self._lock: int | None = None

    def create(self) -> None:
        """Make the folders where they are missing.

        Raises `RequestProblem` if that cannot be.
        """
        with refused("cannot be created", where=self.folder, mend="name another state folder with --state"):
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o750)
            self.marks.mkdir(exist_ok=True)

    def lock(self) -> None:
        """Keep any second watch out until this process ends; again, where the folder had to be made anew.

        Raises `RequestProblem` if another watch is at work here, or the folder may not be written.
        """
        if self._lock is not None and self._holds(self._lock):
            return
        with refused(
            "cannot be written",
            where=self.folder,
            mend="make room, let this user write there, or name another state folder with --state",
        ):
            handle = os.open(self._lock_file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(handle, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(handle)
            raise RequestProblem(
                f"another watch is at work here (process {holder})",
                where=str(self.folder),
                mend="stop that one, or name another state folder with --state",
            ) from None
        with suppress(OSError):
            # In its own place: on a full disk what is cut off cannot be had back.
            os.pwrite(handle, f"{os.getpid():<15}\n".encode(), 0)
        self.unlock()
        self._lock = handle

    def _holds(self, lock: int) -> bool:
        try:
            return os.path.samestat(os.fstat(lock), self._lock_file.stat())
        except OSError:
            return False

    def unlock(self) -> None:
        """Let others in."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def is_watched(self) -> bool:
        """Whether a watch is at work here now."""
        try:
            handle = os.open(self._lock_file, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return False
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
        finally:
            os.close(handle)
        return False

    def read_status(self) -> str:
        """Return the status as it was written last.

        Raises `Problem` if there is none.
        """
        try:
            return self.status_json.read_text(encoding="utf-8")
        except OSError as error:
            missing = isinstance(error, FileNotFoundError)
            raise Problem(
                "no watch has run here" if missing else f"its status cannot be read ({error.strerror})",
                where=str(self.folder),
                mend="start the watch, or name its state folder with --state or --config",
            ) from None

    def zone(self) -> str | None:
        """Return the operator's time zone, as the watch that is or was here told it; None: UTC alone."""
        with suppress(OSError, ValueError, TypeError):
            return known_zone(json.loads(self.status_json.read_text(encoding="utf-8"))["zone"])
        return None

    def tell_time(self, now_utc: datetime) -> None:
        """Say by which time a drill goes, for the commands that ask or note something meanwhile."""
        write_quietly(self._told_time, format_utc(now_utc) + "\n")

    @property
    def is_drill(self) -> bool:
        """Whether the watch here goes by a drill's time."""
        return self._told_time.exists()

    def now_utc(self, clock: Clock) -> datetime:
        """Return the time by which the watch here goes: the computer's, or that of a drill under way."""
        if self.is_drill and self.is_watched():
            with suppress(OSError, RequestProblem):
                return parse_utc(self._told_time.read_text(encoding="ascii"))
        return clock.now_utc()

    def refuse_unknown(self) -> None:
        """Refuse a folder that no watch keeps: what is put there is never looked at.

        Raises `RequestProblem` if there is none, or it holds other things; an empty one waits for its watch.
        """
        mend = "name the watch's own with --state or --config"
        if not self.folder.is_dir():
            raise RequestProblem("there is no such state folder", where=str(self.folder), mend=mend)
        # A journal alone is a replay's.
        ours = (self._lock_file, self.status_json, self.marks)
        with suppress(OSError):
            if not any(path.exists() for path in ours) and any(self.folder.iterdir()):
                raise RequestProblem("is no state folder of a watch", where=str(self.folder), mend=mend)

    # Space held back.

    def lay_ballast(self, size_bytes: int) -> None:
        """Hold space back, where there is plenty; the content is not zeros, which some disks do not store."""
        try:
            held = self.ballast.stat().st_size if self.ballast.exists() else 0
            if held >= size_bytes or shutil.disk_usage(self.folder).free < SPARE_RATIO * size_bytes:
                return
            with self.ballast.open("wb") as ballast:
                for at in range(0, size_bytes, 1 << 20):
                    ballast.write(os.urandom(min(1 << 20, size_bytes - at)))
        except OSError:
            self.drop_ballast()

    def drop_ballast(self) -> bool:
        """Give the space back; return whether there was any."""
        try:
            self.ballast.unlink()
        except OSError:
            return False
        return True

    def set_aside(self, stamp: str) -> Path:
        """Move a damaged journal out of the way, with all that belongs to it; it is never written again."""
        aside = unused(self.folder / f"damaged-{stamp}")
        aside.mkdir()
        for path in self.folder.glob(f"{JOURNAL_NAME}*"):
            path.rename(aside / path.name)
        return aside


def state_folder_of(configs: Sequence[Path], state: Path | None) -> StateFolder:
    """Return the state folder that settings or options name; no settings are needed where an option does."""
    if state is not None or not configs:
        return StateFolder(state_path("", state))
    from sentinel.core.settings import load_settings  # noqa: PLC0415 - without them a command starts sooner

    return StateFolder(state_path(load_settings(configs).state.folder, None))


def refuse_folder_inside(state: Path, frames: Path) -> None:
    """Refuse a state folder within the watched one, where nothing may be written."""
    if state.resolve().is_relative_to(frames.resolve()):
        raise RequestProblem(
            "the state folder lies in the folder of the frames, where nothing is ever written",
            where=str(state),
            mend="name another with --state or state.folder",
        )


def write_quietly(path: Path, text: str) -> bool:
    """Write a file that is worth less than the watch itself; return whether it could be written."""
    try:
        write_text_whole(path, text)
    except (OSError, Problem):
        return False
    return True
