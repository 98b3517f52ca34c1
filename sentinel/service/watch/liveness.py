"""What passes between the watch and its service manager: the word to stop, and whether all loops turn."""

import os
import signal
import socket
import threading
from types import FrameType

from sentinel.core.clock import Clock

STUCK_S = 100.0
"""A loop that has not turned for so long is stuck; measuring one file may take two patiences."""
PATIENCE_S = 2.0


def tell_manager(text: str) -> None:
    """Send one notification, if anybody wants it (systemd: sd_notify(3), one datagram)."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
            # A manager that does not listen must not hold up the watch.
            channel.settimeout(PATIENCE_S)
            channel.connect("\0" + address[1:] if address.startswith("@") else address)
            channel.sendall(text.encode())
    except OSError:
        return  # nobody listens any more; there is nobody to tell


def stop_on_signals() -> threading.Event:
    """Return a flag that SIGTERM, SIGINT and SIGHUP set from now on."""
    stop = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:
        del number, frame
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, on_signal)
    return stop


class Liveness:
    """When each of the loops that must turn turned last."""

    def __init__(self, clock: Clock, names: tuple[str, ...]) -> None:
        self._clock = clock
        self._last_s = dict.fromkeys(names, clock.monotonic_s())
        self.blind: set[str] = set()
        """Why no frame is judged though all loops turn; nothing of it would be mended by a new start."""

    @property
    def sees(self) -> bool:
        """Whether frames are looked for, measured and judged, and messages seen to."""
        return not self.blind and not self.stuck()

    def beat(self, name: str) -> None:
        """Note that a loop has turned."""
        self._last_s[name] = self._clock.monotonic_s()

    def stuck(self) -> tuple[str, ...]:
        """Return the loops that do not turn."""
        now_s = self._clock.monotonic_s()
        return tuple(name for name, last_s in self._last_s.items() if now_s - last_s > STUCK_S)


class Keepalive:
    """The ping that keeps the service manager from starting the watch anew."""

    def __init__(self, clock: Clock, liveness: Liveness) -> None:
        self._clock, self._liveness = clock, liveness
        asked_us = os.environ.get("WATCHDOG_USEC", "")
        # Half of what is asked is what systemd itself advises; oftener costs nothing.
        self._every_s = int(asked_us) / 1e6 / 4 if asked_us.isdigit() and int(asked_us) > 0 else 0.0
        self._last_s = clock.monotonic_s() - self._every_s

    def turn(self) -> None:
        """Ping if it is time and every loop turns."""
        now_s = self._clock.monotonic_s()
        if self._every_s and now_s - self._last_s >= self._every_s and not self._liveness.stuck():
            self._last_s = now_s
            tell_manager("WATCHDOG=1")
