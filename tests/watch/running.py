"""A whole watch in this process, on real files and a clock that can be set."""

import contextlib
import json
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sentinel.core.clock import SystemClock
from sentinel.core.errors import Problem
from sentinel.core.records import Incident, MeasuredFrame, Surroundings
from sentinel.core.settings import Settings, validate
from sentinel.service.journal.journal import Journal
from sentinel.service.watch.daemon import Watch
from sentinel.service.watch.state_folder import StateFolder
from tests.delivery.receivers import PATIENCE_S


class SetClock:
    """The computer's clock, which a test may set."""

    def __init__(self) -> None:
        self._real = SystemClock()
        self._set = timedelta(0)

    def now_utc(self) -> datetime:
        return self._real.now_utc() + self._set

    def monotonic_s(self) -> float:
        return self._real.monotonic_s()

    def step(self, seconds: float) -> None:
        self._set += timedelta(seconds=seconds)


def settings_for(folder: Path, **sections: dict[str, Any]) -> Settings:
    """Return settings for a small invented camera whose folder is this one."""
    content: dict[str, Any] = {
        "site": {"latitude_deg": 70.0, "longitude_deg": 30.0},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 90.0},
        "frames": {"folder": str(folder)},
        "intake": {"rescan_s": 1.0, "patience_s": 5.0, "hang_s": 20.0},
        "state": {"ballast_mb": 0.0, "picture": "none"},
    }
    for name, section in sections.items():
        content[name] = content.get(name, {}) | section
    return validate(content, where="test")


class Running:
    """A watch from entering to leaving."""

    def __init__(self, settings: Settings, state: Path, clock: SetClock | None = None) -> None:
        self.settings, self.home, self.clock = settings, StateFolder(state), clock or SetClock()
        self.stop = threading.Event()
        self.failed: BaseException | None = None
        self.watch: Watch | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        try:
            self.watch = Watch(self.settings, self.home, self.clock, self.stop)
            self.watch.run()
        except BaseException as error:  # noqa: BLE001 - told to the test
            self.failed = error

    def __enter__(self) -> "Running":
        self._thread.start()
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.stop.set()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive(), "the watch does not stop"
        if self.failed is not None:
            raise self.failed

    def wait(self, what: Callable[[], Any], timeout_s: float = PATIENCE_S) -> Any:
        """Wait until something is so; return it."""
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            if self.failed is not None:
                raise self.failed
            found = what()
            if found:
                return found
            time.sleep(0.05)
        raise AssertionError("it never came to that")

    def frames(self) -> list[MeasuredFrame]:
        return frames_in(self.home.journal)

    def names(self) -> list[str]:
        return [frame.frame for frame in self.frames()]

    def status(self) -> dict[str, Any]:
        held: dict[str, Any] = json.loads(self.home.status_json.read_text(encoding="utf-8"))
        return held


def frames_in(path: Path) -> list[MeasuredFrame]:
    """Return the frames of a journal that may be in use."""
    with contextlib.suppress(Problem), Journal.read(path) as journal:
        return list(journal.frames())
    return []  # not begun yet, or just set aside


def incidents_in(path: Path) -> list[Incident]:
    """Return the changes of incidents in a journal."""
    with Journal.read(path) as journal:
        return list(journal.incidents())


def readings_in(path: Path) -> list[Surroundings]:
    """Return the readings of the surroundings in a journal."""
    with contextlib.suppress(Problem), Journal.read(path) as journal:
        return [event for event, _ in journal.events() if isinstance(event, Surroundings)]
    return []
