"""Events of the file system, where it gives any: they hurry the looks at a folder and are never relied on."""

import os
from collections import deque
from pathlib import Path
from threading import Event as Flag

from watchdog.events import (
    DirCreatedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

_WANTED: list[type[FileSystemEvent]] = [
    FileClosedEvent,
    FileMovedEvent,
    FileCreatedEvent,
    DirCreatedEvent,
    DirMovedEvent,
]
_KEPT = 10_000


class FolderEvents:
    """Listens to a folder, and listens anew whenever another folder stands in its place.

    A folder that is unmounted, deleted or replaced goes on being "watched" by the library without a word, so
    the identity of the folder and the life of each emitter are looked at by `renew`, which is to be called
    with each look at the folder.
    """

    def __init__(self, folder: Path, wake: Flag) -> None:
        self._folder, self._wake = folder, wake
        self._observer: BaseObserver | None = None
        self._identity: tuple[int, int] | None = None
        self._closed: deque[str] = deque(maxlen=_KEPT)

    def renew(self) -> None:
        """Listen to the folder as it is now; where that cannot be, looks have to do."""
        identity = _identity(self._folder)
        if self._observer is not None and identity == self._identity and _is_well(self._observer):
            return
        self.close()
        self._identity = identity
        if identity is None:
            return
        observer = Observer()
        try:
            observer.schedule(
                _Handler(self._closed, self._wake),
                os.fspath(self._folder),
                recursive=True,
                event_filter=_WANTED,
            )
            observer.start()
        except Exception:  # noqa: BLE001 - whatever a strange folder makes of the library
            # No such folder any more, or no more listeners to be had: looks are the truth anyway.
            return
        self._observer = observer

    def closed(self) -> list[str]:
        """Return the paths closed or moved into place since last asked."""
        paths = []
        while self._closed:
            paths.append(self._closed.popleft())
        return paths

    def close(self) -> None:
        """Stop listening."""
        if self._observer is not None:
            observer, self._observer = self._observer, None
            observer.stop()
            observer.join(timeout=5)


class _Handler(FileSystemEventHandler):
    """Notes and wakes; an exception here would end the library's thread."""

    def __init__(self, closed: deque[str], wake: Flag) -> None:
        self._closed, self._wake = closed, wake

    def on_any_event(self, event: FileSystemEvent) -> None:
        if isinstance(event, FileClosedEvent):
            self._closed.append(os.fsdecode(event.src_path))
        elif isinstance(event, FileMovedEvent):
            self._closed.append(os.fsdecode(event.dest_path))
        self._wake.set()


def _identity(folder: Path) -> tuple[int, int] | None:
    try:
        status = folder.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _is_well(observer: BaseObserver) -> bool:
    return observer.is_alive() and all(emitter.is_alive() for emitter in observer.emitters)
