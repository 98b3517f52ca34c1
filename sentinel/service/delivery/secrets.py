"""Where the addresses of services stand, and how they stay out of sight."""

import os
import stat
from pathlib import Path

from sentinel.core.errors import RequestProblem

MAX_BYTES = 16_384


class Secret:
    """A text that is not shown by accident: printing, logging and formatting give `***`."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def reveal(self) -> str:
        """Return the text itself, for the one who sends."""
        return self._value

    def __repr__(self) -> str:
        return "***"

    def __reduce__(self) -> str:
        raise TypeError("a secret is not stored")


def resolve(reference: str, *, where: str) -> Secret:
    """Return what a reference from the settings stands for.

    `reference`: `env:NAME`: a variable of the environment. `credential:NAME`: a file in the folder that
        systemd names in `$CREDENTIALS_DIRECTORY`. `file:PATH`: a file that nobody else may read.
    `where`: the setting, for complaints.
    Raises `RequestProblem` if it is not there, is empty, or others may read it. The content is never part of
    the complaint.
    """
    kind, _, name = reference.partition(":")
    if kind == "env":
        text = os.environ.get(name, "")
        if not text.strip():
            raise RequestProblem(
                f"the variable {name} is not set", where=where, mend="set it for the service"
            )
    elif kind == "credential":
        text = _read(_credential(name, where), where, private=False)
    else:
        text = _read(Path(name).expanduser(), where, private=True)
    lines = text.split()
    if len(lines) != 1:
        raise RequestProblem(
            f"{reference} does not hold one address", where=where, mend="write the address alone into it"
        )
    return Secret(lines[0])


def _credential(name: str, where: str) -> Path:
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        raise RequestProblem(
            "there is no credentials folder", where=where, mend="start it as a service with LoadCredential="
        )
    if name != Path(name).name or name in {".", ".."}:
        raise RequestProblem(f"{name!r} is not a credential's name", where=where, mend="give its bare name")
    return Path(folder) / name


def _read(path: Path, where: str, *, private: bool) -> str:
    try:
        # Without waiting for a pipe; what was opened is what is checked.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            status = os.fstat(descriptor)
            if not stat.S_ISREG(status.st_mode):
                raise RequestProblem(f"{path} is not a file", where=where, mend="name a file")
            # systemd guards a credential by other means than its mode, which says nothing then.
            if private:
                _must_be_private(path, status, where)
            return os.read(descriptor, MAX_BYTES).decode("utf-8", "replace")
        finally:
            os.close(descriptor)
    except OSError as error:
        raise RequestProblem(
            f"{path} cannot be read ({error.strerror})", where=where, mend="check its path and owner"
        ) from None


def _must_be_private(path: Path, status: os.stat_result, where: str) -> None:
    if status.st_mode & 0o077:
        raise RequestProblem(
            f"{path} can be read by others (mode {stat.S_IMODE(status.st_mode):o})",
            where=where,
            mend=f"chmod 600 {path}",
        )
    if status.st_uid not in {os.getuid(), 0}:
        raise RequestProblem(
            f"{path} belongs to somebody else", where=where, mend="make it the service user's own"
        )
