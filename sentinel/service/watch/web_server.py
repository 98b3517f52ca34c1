"""A small server for few clients, bounded in all that one of them can take: the pages stand on it."""

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from contextlib import suppress
from http import HTTPStatus
from ipaddress import IPv6Address, ip_address
from typing import Any, NamedTuple

from sentinel.core.errors import RequestProblem, need_extra

MOST_BYTES = 2000
"""Of a request's body."""
HTML, JSON = "text/html; charset=utf-8", "application/json"

_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = [
    ("Cache-Control", "no-store"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Content-Type-Options", "nosniff"),
    ("Content-Security-Policy", _POLICY),
]

StartResponse = Callable[[str, list[tuple[str, str]]], Any]


class Reply(NamedTuple):
    """What is answered to one request."""

    status: HTTPStatus
    body: str
    kind: str = HTML


NOTHING_HERE = Reply(HTTPStatus.NOT_FOUND, "Nothing here.")


WRONG_AT_ONCE = 30
WRONG_EVERY_S = 1.0
"""An address may be wrong so often at once, and then once in so long: a guess costs a second."""
MOST_ADDRESSES = 1000
CONNECTIONS_EACH = 8
CONNECTIONS = 64
"""What waits is let go of, the oldest first, so that a newcomer always gets in."""


def _sender(address: str) -> str:
    """Return what counts as one sender: of IPv6 the network, of which a computer has all the addresses."""
    try:
        known = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(known, IPv6Address) and known.ipv4_mapped is None:
        return known.exploded[:19]
    return str(getattr(known, "ipv4_mapped", None) or known)


class WrongTokens:
    """Counts wrong tokens, by address."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._until_s: OrderedDict[str, float] = OrderedDict()
        """When each address's wrong tokens will be forgotten."""

    def allowed(self, address: str, now_s: float) -> bool:
        """Whether a token from there is looked at."""
        with self._lock:
            until_s = self._until_s.get(_sender(address), now_s)
        return until_s - now_s <= (WRONG_AT_ONCE - 1) * WRONG_EVERY_S

    def wrong(self, address: str, now_s: float) -> None:
        """Note that one was wrong."""
        sender = _sender(address)
        with self._lock:
            self._until_s[sender] = max(self._until_s.get(sender, now_s), now_s) + WRONG_EVERY_S
            self._until_s.move_to_end(sender)
            if len(self._until_s) > MOST_ADDRESSES:
                self._until_s.popitem(last=False)


def bounded(make: Callable[..., Any]) -> Callable[..., Any]:
    """Return how connections are taken in: where too many wait, the oldest of them makes room.

    `make`: how the server itself takes one in (`waitress.channel.HTTPChannel`); called in its loop.
    """

    def taken_in(server: Any, sock: Any, addr: Any, adj: Any, **rest: Any) -> Any:
        # One whose request is complete is being answered, which takes a moment only.
        waiting = [one for one in list(server.active_channels.values()) if not one.requests]
        waiting.sort(key=lambda one: float(one.creation_time))
        same = [one for one in waiting if _sender(one.addr[0]) == _sender(addr[0])]
        if len(same) >= CONNECTIONS_EACH:
            same[0].handle_close()
        elif len(waiting) >= CONNECTIONS:
            waiting[0].handle_close()
        return make(server, sock, addr, adj, **rest)

    return taken_in


class WebServer:
    """Listens, and answers what `answered` returns for a request (its WSGI environment, PEP 3333).

    `listen`: address and port.
    `answered`: called on the server's threads.
    `where`: the setting or option that names the address, for complaints.
    """

    def __init__(self, listen: str, answered: Callable[[dict[str, Any]], Reply], *, where: str) -> None:
        self._listen, self._answer_to, self._where = listen, answered, where
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

        Raises `RequestProblem` if the extra is not installed, or the address cannot be had.
        """
        need_extra("page", where=self._where, instead="do without")
        import waitress  # noqa: PLC0415 - an extra

        host, _, port = self._listen.rpartition(":")
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
                f"cannot listen there ({error})", where=self._where, mend="choose another address or port"
            ) from None
        # A name may stand for more than one address, each with a listener of its own.
        for one in (self._server, *getattr(self._server, "map", {}).values()):
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

    def answer(self, environ: dict[str, Any], start_response: StartResponse) -> Iterable[bytes]:
        """Reply one request."""
        status, body, kind = self._answer_to(environ)
        content = body.encode()
        start_response(
            f"{status.value} {status.phrase}",
            [("Content-Type", kind), *_HEADERS, ("Content-Length", str(len(content)))],
        )
        return [] if environ["REQUEST_METHOD"] == "HEAD" else [content]
