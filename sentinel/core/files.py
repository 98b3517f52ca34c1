"""Files that appear whole or not at all, and names that can be shown."""

import hashlib
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain, count
from pathlib import Path

from sentinel.core.errors import RequestProblem, refused


@contextmanager
def replaced(path: Path) -> Iterator[Path]:
    """Hand out a path beside `path` that takes its place on leaving, or vanishes on an error."""
    # The suffix is kept last: some writers choose their format by it.
    temporary = path.with_name(f".{path.stem}.unfinished{path.suffix}")
    try:
        yield temporary
        with temporary.open("rb") as written:
            os.fsync(written.fileno())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def unused(path: Path, mark: str = "-") -> Path:
    """Return a path, or where it is taken one with a number before its suffix that is not."""
    numbered = (path.with_name(f"{path.stem}{mark}{number}{path.suffix}") for number in count(1))
    return next(one for one in chain([path], numbered) if not one.exists())


def write_text_whole(path: Path, text: str) -> None:
    """Write a text file that appears whole or not at all."""
    with replaced(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal; empty where it cannot be read."""
    # What is no plain file (a pipe named like a frame) might never end.
    if not path.is_file():
        return ""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def shown_name(path: Path | str) -> str:
    """Return a file's name as one line of valid Unicode: undecodable bytes and control characters escaped.

    A name goes into the journal, tables, messages and pages; a stray byte must not break them and a newline
    must not forge a line.
    """
    text = os.fsencode(path).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def made_folder(path: Path) -> Path:
    """Create a folder for results, and what lies above it, unless it is there.

    Raises `RequestProblem` if it cannot be created.
    """
    with refused("cannot be created", where=path, mend="choose another folder"):
        path.mkdir(parents=True, exist_ok=True)
    return path


def is_address(where: str) -> bool:
    """Whether it is an address and no folder."""
    return re.match(r"[A-Za-z][A-Za-z0-9+.-]*://", where) is not None


def refuse_used(path: Path, *, mend: str) -> None:
    """Refuse as a folder for results what is a file, or holds anything.

    Raises `RequestProblem` if it is or does.
    """
    if path.exists() and not path.is_dir():
        raise RequestProblem("is a file", where=str(path), mend=mend)
    if path.is_dir() and any(path.iterdir()):
        raise RequestProblem("holds something already", where=str(path), mend=mend)


def numbered_lines(path: Path) -> list[tuple[int, str]]:
    """Return the lines of a text file that are not blank, each with its number.

    Raises `RequestProblem` if it cannot be read.
    """
    with refused("cannot be read", where=path, mend="check the file"):
        lines = path.read_text(encoding="utf-8").splitlines()
    return [(number, line) for number, line in enumerate(lines, 1) if line.strip()]
