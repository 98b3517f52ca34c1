"""What the computer knows beside the frames: disks, clock, folder."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from sentinel.core.clock import Clock
from sentinel.core.records import Surroundings
from sentinel.service.journal.rows import Messages
from sentinel.service.watch.computer import boot_id, free_bytes, synchronised
from sentinel.service.watch.folder_intake import FolderIntake
from sentinel.service.watch.liveness import Liveness

EVERY_S = 600.0


class SurroundingsReader:
    """Reads the surroundings now and then, and whenever something about them has changed."""

    def __init__(
        self,
        frames: Path,
        state: Path,
        intake: FolderIntake,
        clock: Clock,
        liveness: Liveness,
        *,
        messages: Callable[[], Messages],
    ) -> None:
        self._frames, self._state, self._messages = frames, state, messages
        self._intake, self._clock, self._liveness = intake, clock, liveness
        self._boot_id = boot_id()
        self._read_s: float | None = None
        self._last: tuple[object, ...] = ()

    def due(self) -> bool:
        """Whether it is time for a reading."""
        old = self._read_s is None or self._clock.monotonic_s() - self._read_s >= EVERY_S
        return old or self._what_matters() != self._last

    def read(
        self, now_utc: datetime, *, away_s: float | None = None, clock_step_s: float | None = None
    ) -> Surroundings:
        """Return a reading as of now."""
        self._read_s = self._clock.monotonic_s()
        self._last = self._what_matters()
        folder = self._folder()
        messages = self._messages()
        return Surroundings(
            time_utc=now_utc,
            # Looking at a share that is stuck would not come back.
            free_bytes=free_bytes(self._frames) if folder in {"present", "empty"} else None,
            bytes_per_frame=self._intake.frame_bytes,
            clock_step_s=clock_step_s,
            clock_synchronised=synchronised(),
            boot_id=self._boot_id,
            folder=folder,  # type: ignore[arg-type]
            camera_offset_s=self._intake.offset.known_s,
            state_free_bytes=free_bytes(self._state),
            away_s=away_s,
            waiting_messages=messages.waiting,
            last_message_utc=messages.last_utc,
        )

    def _what_matters(self) -> tuple[object, ...]:
        return self._folder(), synchronised()

    def _folder(self) -> str | None:
        if {"intake", "measuring"} <= set(self._liveness.stuck()):
            return "stuck"
        return self._intake.found.state.value if self._intake.found is not None else None
