"""Watches of one computer take turns at measuring: so they do not all hold a measuring process at once.

Such a process takes a third of what the rest of a watch does. One watch alone keeps it. Among several it ends
with the look that needed it, and only one is at work at a time. That is a courtesy and no more: no frame is
kept waiting long for another camera's, and whoever ends or hangs with the turn in hand holds up nobody.
"""

import fcntl
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from threading import Event as Flag

from sentinel.chain.intake.examine import MeasureJob
from sentinel.chain.intake.pool import MeasuringPool
from sentinel.core.clock import Clock
from sentinel.core.errors import refused
from sentinel.core.records import MeasuredFrame

PATIENCE_S = 10.0
"""So long a frame waits for its turn: a mount that stops leaves minutes."""
RETRY_S = 0.05


def runtime_folder() -> Path:
    """Return where what runs now meets: as the service manager says, the user's own, or a temporary one."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    own = os.environ.get("XDG_RUNTIME_DIR")
    return Path(own, "sentinel") if own else Path(tempfile.gettempdir(), f"sentinel-{os.getuid()}")


class MeasuringTurn:
    """The turn at measuring, and who else is there to take it.

    `folder`: where the watches of this computer meet; where it cannot be used, each is on its own.
    `stop`: ends all waiting.
    """

    def __init__(self, folder: Path, clock: Clock, stop: Flag) -> None:
        self._clock, self._stop = clock, stop
        self._presence, self._turn = _opened(folder, "watches"), _opened(folder, "measuring")
        self._patience_s = PATIENCE_S
        if self._presence is not None:
            fcntl.flock(self._presence, fcntl.LOCK_SH)

    def in_company(self) -> bool:
        """Whether another watch is at work on this computer."""
        if self._presence is None:
            return False
        others = not _locked(self._presence)
        # Waits no longer than others take to ask the same.
        fcntl.flock(self._presence, fcntl.LOCK_SH)
        return others

    def take(self) -> None:
        """Wait for the turn; without it, once patience has ended, go on all the same."""
        if self._turn is None:
            return
        until_s = self._clock.monotonic_s() + self._patience_s
        while not (taken := _locked(self._turn)) and self._clock.monotonic_s() < until_s:
            if self._stop.wait(RETRY_S):
                return
        # Whoever was waited for in vain is stuck, and is not waited for again before it has moved.
        self._patience_s = PATIENCE_S if taken else 0.0

    def give(self) -> None:
        """Let others have the turn."""
        if self._turn is not None:
            fcntl.flock(self._turn, fcntl.LOCK_UN)

    def close(self) -> None:
        """Leave the others."""
        for handle in (self._presence, self._turn):
            if handle is not None:
                os.close(handle)
        self._presence = self._turn = None


class MeasuringInTurn:
    """A measuring process that is there while it is this watch's turn.

    `make_pool`: starts it.
    """

    def __init__(self, make_pool: Callable[[], MeasuringPool], turn: MeasuringTurn) -> None:
        self._make_pool, self._turn = make_pool, turn
        self._pool: MeasuringPool | None = None

    def results(self, jobs: Iterable[MeasureJob]) -> Iterator[MeasuredFrame]:
        """Yield what each file comes to.

        Raises `Problem` if no process can be started.
        """
        if self._pool is None:
            self._turn.take()
            with refused("cannot be started", where="the measuring process", mend="free memory"):
                self._pool = self._make_pool()
        yield from self._pool.results(jobs)

    def rest(self) -> None:
        """Nothing is to be measured for now: among several watches, the next one's turn."""
        if self._pool is not None and self._turn.in_company():
            self._end()

    def close(self) -> None:
        """End the process, and leave the others."""
        self._end()
        self._turn.close()

    def _end(self) -> None:
        if self._pool is not None:
            self._pool.close()
            self._pool = None
        self._turn.give()


def _opened(folder: Path, name: str) -> int | None:
    """Return a file to lock; None where that cannot be, or where others could hold us up."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if folder.stat().st_uid != os.getuid():
            return None
        return os.open(folder / name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError:
        return None


def _locked(handle: int) -> bool:
    """Lock a file, if nobody else has."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
