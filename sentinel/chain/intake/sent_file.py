"""A file that goes along with the work on it, to a machine that does not see it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory


@dataclass(frozen=True, slots=True)
class SentFile:
    """What a file holds, and when it was changed."""

    content: bytes = field(repr=False)
    modified_ns: int


def sent_file(path: Path) -> SentFile | None:
    """Return a file to be sent along; None: it cannot be read, as whoever works on it will find."""
    try:
        return SentFile(path.read_bytes(), path.stat().st_mtime_ns)
    except OSError:
        return None


@contextmanager
def at_hand(path: Path, sent: SentFile | None) -> Iterator[Path]:
    """Give a path under which the file can be opened here: its own, or that of a copy, kept meanwhile."""
    if sent is None:
        yield path
        return
    with TemporaryDirectory(prefix="sentinel-") as folder:
        copy = Path(folder, path.name)
        copy.write_bytes(sent.content)
        os.utime(copy, ns=(sent.modified_ns, sent.modified_ns))
        yield copy
