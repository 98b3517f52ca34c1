"""Planes -> a folder of single pictures, which appears whole or not at all."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image

from sentinel.jobs.film.rendering import Planes


class StillsWriter:
    """Takes one picture after another; a card is one picture, however long a film would show it."""

    shrink = 1

    def __init__(self, folder: Path) -> None:
        self._folder, self._written = folder, 0

    def write(self, planes: Planes, name: str, times: int = 1) -> None:
        """Write a picture; in order of their names they are in order of time."""
        del times
        self._written += 1
        Image.fromarray(planes.rgb()).save(self._folder / f"{self._written:06}-{name}.png", compress_level=3)


@contextmanager
def stills_at(folder: Path) -> Iterator[StillsWriter]:
    """Hand out a writer into a folder that takes its place on leaving, or vanishes on an error."""
    temporary = folder.with_name(f".{folder.name}.unfinished")
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir()
    try:
        yield StillsWriter(temporary)
        if folder.exists():
            old = folder.with_name(f".{folder.name}.old")
            folder.rename(old)
            temporary.rename(folder)
            shutil.rmtree(old, ignore_errors=True)
        else:
            temporary.rename(folder)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
