"""The watch as a service: a process of its own, with whoever manages it, wakes and is woken by it."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml

from sentinel.core.settings import Settings
from tests.delivery.receivers import TOKEN, HttpReceiver, http_receiver, secret_file
from tests.watch.files import jpeg, put
from tests.watch.running import frames_in, settings_for

QUIET = {"from_utc": "00:00", "until_utc": "23:59"}
"""All day, but for the last minute."""


class Service:
    """Starts the watch again and again, and hears what it says to its manager."""

    def __init__(
        self,
        folder: Path,
        state: Path,
        settings: dict[str, Any],
        *,
        listener: socket.socket,
        phone: HttpReceiver,
        heart: HttpReceiver,
    ) -> None:
        self.folder, self.state, self._listener = folder, state, listener
        self.phone, self.heart = phone, heart
        self.config = folder.parent / "config.yaml"
        self.config.write_text(yaml.safe_dump(settings), encoding="utf-8")
        self.log = folder.parent / "log"
        self.process: subprocess.Popen[bytes] | None = None
        self.start_utc = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
        self._pings = 0
        threading.Thread(target=self._listen, daemon=True).start()

    def start(self) -> None:
        command = [sys.executable, "-m", "sentinel", "watch", "--config", str(self.config)]
        environment = os.environ | {
            "NOTIFY_SOCKET": str(self._listener.getsockname()),
            "WATCHDOG_USEC": "2000000",
            "PYTHONFAULTHANDLER": "1",
        }
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "--state", str(self.state)], env=environment, stderr=log
            )

    def kill(self) -> int:
        return self.end(signal.SIGKILL)

    def end(self, number: int = signal.SIGTERM, patience_s: float = 90.0) -> int:
        """End it; return its exit status."""
        assert self.process is not None
        self.process.send_signal(number)
        try:
            return self.process.wait(patience_s)
        finally:
            if self.process.poll() is None:
                # Where it hangs then stands in its log.
                self.process.send_signal(signal.SIGABRT)
                self.process.wait(5)

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def _listen(self) -> None:
        with contextlib.suppress(OSError):
            while said := self._listener.recv(4096):
                self._pings += b"WATCHDOG=1" in said

    def pings(self) -> int:
        """Return how often the manager was pinged since last asked."""
        count, self._pings = self._pings, 0
        return count

    def frame(self, number: int) -> None:
        put(self.folder / f"{number}.jpg", jpeg(number, start=self.start_utc))

    def names(self) -> list[str]:
        return [frame.frame for frame in frames_in(self.state / "journal.sqlite")]

    def until(self, what: Any, patience_s: float = 120.0) -> Any:
        """Wait until something is so; return it."""
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            found = what()
            if found:
                return found
            assert self.running, self.log.read_text(encoding="utf-8")[-3000:]
            time.sleep(0.1)
        raise AssertionError(f"it never came to that\n{self.log.read_text(encoding='utf-8')[-3000:]}")


@contextmanager
def service(base: Path, place: Path, **sections: Any) -> Iterator[Service]:
    """A watch with a phone in its quiet hours, and something that counts its heartbeats."""
    folder = base / "in"
    folder.mkdir()
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener,
        http_receiver() as phone,
        http_receiver() as heart,
    ):
        listener.bind(str(base / "notify"))
        beat = secret_file(base, "beat", f"http://127.0.0.1:{heart.port}/{TOKEN}")
        channel = {"name": "phone", "url_from": secret_file(base, "url", phone.url), "quiet": QUIET}
        # Where it is noon now.
        now = datetime.now(UTC)
        site = {"latitude_deg": 5.0, "longitude_deg": (12 - now.hour - now.minute / 60) * 15}
        made: Settings = settings_for(
            folder, heartbeat={"url_from": beat, "every_min": 0.02}, site=site, **sections
        )
        content = made.model_dump(mode="json") | {"channels": [channel]}
        one = Service(folder, place, content, listener=listener, phone=phone, heart=heart)
        try:
            yield one
        finally:
            if one.running:
                one.kill()
