"""The page of several cameras: written once, or served and made anew for whoever asks."""

import threading
from collections.abc import Callable, Sequence
from http import HTTPStatus
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from sentinel.core.clock import Clock, SystemClock
from sentinel.core.complaints import one_line
from sentinel.core.contact import Page
from sentinel.core.errors import RequestProblem
from sentinel.core.files import is_address, write_text_whole
from sentinel.service.delivery.secrets import Secret
from sentinel.service.status.cameras_page import cameras_html
from sentinel.service.watch.hearing import hear, refuse_unheard
from sentinel.service.watch.liveness import stop_on_signals
from sentinel.service.watch.web_server import NOTHING_HERE, Reply, WebServer

FRESH_S = 5.0
"""News so young are shown to the next who asks: many who look are no burden to the cameras."""


def write_cameras(states: Sequence[str], token: Secret | None, out: Path) -> None:
    """Write the page as things stand now."""
    write_text_whole(out, _page(states, token, SystemClock()))


def _page(states: Sequence[str], token: Secret | None, clock: Clock) -> str:
    cameras = hear(states, token)
    return cameras_html(cameras, clock.now_utc(), lambda where: where if is_address(where) else "")


class CamerasServer(WebServer):
    """Serves the page of several cameras; nothing can be done on it."""

    def __init__(self, states: Sequence[str], token: Secret | None, listen: str, clock: Clock) -> None:
        super().__init__(listen, self._answered, where="--listen")
        for state in states:
            refuse_unheard(state)
        self._states, self._token, self._clock = states, token, clock
        self._lock = threading.Lock()
        self._made: tuple[float, str] | None = None

    def _answered(self, environ: dict[str, Any]) -> Reply:
        if environ["REQUEST_METHOD"] not in {"GET", "HEAD"} or (environ.get("PATH_INFO") or "/") != "/":
            return NOTHING_HERE
        with self._lock:
            now_s = self._clock.monotonic_s()
            if self._made is None or now_s - self._made[0] > FRESH_S:
                self._made = (now_s, _page(self._states, self._token, self._clock))
            return Reply(HTTPStatus.OK, self._made[1])


def serve_cameras(
    states: Sequence[str],
    token: Secret | None,
    listen: str,
    *,
    beyond_loopback: bool,
    ready: Callable[[str], None],
) -> None:
    """Serve the page until SIGTERM, SIGINT or SIGHUP; `ready` is told its address.

    Raises `RequestProblem` if it cannot be served there, or others could reach it and that was not said to be
    meant.
    """
    try:
        # The same guard as the page of one camera has; there is no button here that needs a token.
        Page(listen=listen, beyond_loopback=beyond_loopback, token_from="env:NONE")  # noqa: S106 - a place
    except ValidationError as error:
        complaint = one_line(error)[1].replace("beyond_loopback: true", "--beyond-loopback")
        raise RequestProblem(complaint, where="--listen") from None
    served = CamerasServer(states, token, listen, SystemClock())
    stop = stop_on_signals()
    served.start()
    host, port = served.address
    ready(f"http://{f'[{host}]' if ':' in host else host}:{port}")
    stop.wait()
    served.stop()
