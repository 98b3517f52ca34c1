"""The status page on the local network, with buttons for the marks. Off unless it is asked for.

Two things can be had: the page, and a mark left by somebody who knows the token. Nothing else is read or
done.
"""

import hmac
import logging
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from http import HTTPStatus
from typing import Any, cast
from urllib.parse import parse_qs

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Mark, MarkKind
from sentinel.core.settings import Page
from sentinel.service.delivery.secrets import Secret, resolve
from sentinel.service.status.page import BUTTONS
from sentinel.service.watch.client_limits import CONNECTIONS, WrongTokens, bounded

log = logging.getLogger(__name__)

MOST_BYTES = 2000
VISIT_MIN = 15.0

_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = [
    ("Content-Type", "text/html; charset=utf-8"),
    ("Cache-Control", "no-store"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Content-Type-Options", "nosniff"),
    ("Content-Security-Policy", _POLICY),
]

StartResponse = Callable[[str, list[tuple[str, str]]], Any]


class PageServer:
    """Serves the page.

    Parameters
    ----------
    chosen
        Where to listen, and where the token stands.
    page
        Returns the page as it is now, buttons included.
    leave
        Takes a mark.

    Raises
    ------
    RequestProblem
        If the token is not where the settings say.
    """

    def __init__(
        self, chosen: Page, clock: Clock, page: Callable[[], str], leave: Callable[[Mark], None]
    ) -> None:
        self._chosen, self._clock, self._page, self._leave = chosen, clock, page, leave
        assert chosen.token_from is not None  # noqa: S101 - the settings saw to it
        self._token: Secret = resolve(chosen.token_from, where="page.token_from")
        self._tries = WrongTokens()
        self._server: Any = None
        self._thread: threading.Thread | None = None

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens."""
        # A name may stand for more than one address.
        listen = getattr(self._server, "effective_listen", None)
        host, port = listen[0] if listen else (self._server.effective_host, self._server.effective_port)
        return host, int(port)

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        RequestProblem
            If the extra is not installed, or the address cannot be had.
        """
        try:
            import waitress  # noqa: PLC0415 - an extra
        except ImportError:
            raise RequestProblem(
                "needs a small server that is not installed",
                where="page.listen",
                mend="pip install 'sentinel[page]', or take the setting out",
            ) from None
        host, _, port = (self._chosen.listen or "").rpartition(":")
        logging.getLogger("waitress").setLevel(logging.ERROR)
        try:
            self._server = waitress.create_server(
                self.answer,
                host=host.strip("[]"),
                port=int(port),
                threads=2,
                ident=None,
                max_request_body_size=MOST_BYTES,
                max_request_header_size=8192,
                channel_timeout=20,
                connection_limit=4 * CONNECTIONS,
            )
        except (OSError, ValueError) as error:
            raise RequestProblem(
                f"cannot listen there ({error})", where="page.listen", mend="choose another address or port"
            ) from None
        listening = getattr(self._server, "map", {}).values() if hasattr(self._server, "map") else ()
        for one in (self._server, *listening):
            if hasattr(one, "channel_class"):
                one.channel_class = bounded(one.channel_class)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        # Closing from another thread ends its loop with an error about the file that is gone.
        with suppress(OSError, ValueError):
            self._server.run()

    def stop(self) -> None:
        """End."""
        if self._server is not None:
            self._server.close()
        if self._thread is not None:
            self._thread.join(timeout=3)

    # What is asked and answered (WSGI, PEP 3333).

    def answer(self, environ: dict[str, Any], start_response: StartResponse) -> Iterable[bytes]:
        """Answer one request."""
        asked = environ["REQUEST_METHOD"], environ.get("PATH_INFO") or "/"
        if asked in {("GET", "/"), ("HEAD", "/")}:
            status, body = HTTPStatus.OK, self._page()
        elif asked == ("POST", "/mark"):
            status, body = self._marked(environ)
        else:
            status, body = HTTPStatus.NOT_FOUND, "Nothing here."
        content = body.encode()
        start_response(f"{status.value} {status.phrase}", [*_HEADERS, ("Content-Length", str(len(content)))])
        return [] if asked[0] == "HEAD" else [content]

    def _marked(self, environ: dict[str, Any]) -> tuple[HTTPStatus, str]:
        try:
            length = int(environ.get("CONTENT_LENGTH") or 0)
        except ValueError:
            length = -1
        if not 0 < length <= MOST_BYTES:
            return HTTPStatus.BAD_REQUEST, "No mark in that."
        try:
            content = environ["wsgi.input"].read(length).decode("utf-8", "replace")
            fields = parse_qs(content, max_num_fields=5)
        except ValueError:
            return HTTPStatus.BAD_REQUEST, "No mark in that."
        given, kind = (fields.get(name, [""])[0] for name in ("token", "kind"))
        sender, now_s = str(environ.get("REMOTE_ADDR", "?")), self._clock.monotonic_s()
        if not self._tries.allowed(sender, now_s):
            return HTTPStatus.TOO_MANY_REQUESTS, _said(
                "Too many wrong tokens came from there. Wait a little."
            )
        if not hmac.compare_digest(given.encode(), self._token.reveal().encode()):
            self._tries.wrong(sender, now_s)
            log.warning("the page was given a wrong token from %s", sender)
            return HTTPStatus.FORBIDDEN, _said("That is not the token. Nothing was noted.")
        if kind not in dict(BUTTONS):
            return HTTPStatus.BAD_REQUEST, _said("There is no such button.")
        made = self._clock.now_utc()
        known: MarkKind = cast(MarkKind, kind)
        try:
            self._leave(Mark(time_utc=made, kind=known, minutes=VISIT_MIN if kind == "visit" else None))
        except (OSError, Problem):
            return HTTPStatus.INSUFFICIENT_STORAGE, _said("It could not be noted: no room on the disk?")
        return HTTPStatus.OK, _said(f"Noted: {dict(BUTTONS)[kind]}.")


def _said(text: str) -> str:
    """Return a short page around a sentence of our own."""
    return (
        '<!doctype html><meta name="viewport" content="width=device-width, initial-scale=1">'
        '<body style="background:#15120e;color:#efe6d6;font:1.3rem system-ui;padding:1rem">'
        f'<p>{text}</p><p><a style="color:#f7cf6b" href="./">Back to the page</a></p>'
    )
