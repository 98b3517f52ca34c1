"""The status page on the local network, with buttons for the marks. Off unless it is asked for.

The page can be had by anybody, and metrics; what the watch knows in full, and leaving a mark, by those who
know the token. Nothing else is read or done.
"""

import hmac
import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from http import HTTPStatus
from typing import Any, cast
from urllib.parse import parse_qs

from sentinel.core.clock import Clock
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Mark, MarkKind
from sentinel.core.settings import Page
from sentinel.core.times import parse_utc
from sentinel.service.delivery.secrets import Secret, resolve
from sentinel.service.status.page import BUTTONS
from sentinel.service.watch.hearing import STATUS_PATH
from sentinel.service.watch.marks import made_mark
from sentinel.service.watch.web_server import MOST_BYTES, NOTHING_HERE, Reply, WebServer, WrongTokens

log = logging.getLogger(__name__)

VISIT_MIN = 15.0


class PageServer(WebServer):
    """Serves the page.

    `chosen`: where to listen, and where the token stands.
    `read`: by path: what answers a request for a page that anybody may read.
    `status`: returns what the watch knows, for those who know the token.
    `leave`: takes a mark.
    Raises `RequestProblem` if the token is not where the settings say.
    """

    def __init__(
        self,
        chosen: Page,
        clock: Clock,
        read: Mapping[str, Callable[[dict[str, Any]], Reply]],
        status: Callable[[], Reply],
        leave: Callable[[Mark], None],
    ) -> None:
        super().__init__(chosen.listen or "", self.answered, where="page.listen")
        self._clock, self._read, self._status, self._leave = clock, read, status, leave
        assert chosen.token_from is not None  # noqa: S101 - the settings saw to it
        self._token: Secret = resolve(chosen.token_from, where="page.token_from")
        self._tries = WrongTokens()

    def answered(self, environ: dict[str, Any]) -> Reply:
        """Return the answer to one request."""
        method, path = environ["REQUEST_METHOD"], environ.get("PATH_INFO") or "/"
        if method in {"GET", "HEAD"} and path in self._read:
            return self._read[path](environ)
        if method in {"GET", "HEAD"} and path == STATUS_PATH:
            return self._told(environ)
        return self._marked(environ) if (method, path) == ("POST", "/mark") else NOTHING_HERE

    def _told(self, environ: dict[str, Any]) -> Reply:
        """Tell what the watch knows to another that looks after several."""
        kind, _, given = str(environ.get("HTTP_AUTHORIZATION", "")).partition(" ")
        if kind.lower() != "bearer" or not given:
            return Reply(HTTPStatus.UNAUTHORIZED, "That needs the token.")
        return self._refused(environ, given.strip()) or self._status()

    def _refused(self, environ: dict[str, Any], given: str) -> Reply | None:
        """Return what is answered to a wrong token; None: it is the right one."""
        sender, now_s = str(environ.get("REMOTE_ADDR", "?")), self._clock.monotonic_s()
        if not self._tries.allowed(sender, now_s):
            said = "Too many wrong tokens came from there. Wait a little."
            return Reply(HTTPStatus.TOO_MANY_REQUESTS, _said(said))
        if not hmac.compare_digest(given.encode(), self._token.reveal().encode()):
            self._tries.wrong(sender, now_s)
            log.warning("the page was given a wrong token from %s", sender)
            return Reply(HTTPStatus.FORBIDDEN, _said("That is not the token. Nothing was noted."))
        return None

    def _marked(self, environ: dict[str, Any]) -> Reply:
        try:
            length = int(environ.get("CONTENT_LENGTH") or 0)
        except ValueError:
            length = -1
        if not 0 < length <= MOST_BYTES:
            return Reply(HTTPStatus.BAD_REQUEST, "No mark in that.")
        try:
            content = environ["wsgi.input"].read(length).decode("utf-8", "replace")
            fields = parse_qs(content, max_num_fields=5)
        except ValueError:
            return Reply(HTTPStatus.BAD_REQUEST, "No mark in that.")
        given, kind, undo = (fields.get(name, [""])[0] for name in ("token", "kind", "undo"))
        refusal = self._refused(environ, given)
        if refusal is not None:
            return refusal
        made = _mark_of(kind, undo, self._clock.now_utc())
        if made is None:
            return Reply(HTTPStatus.BAD_REQUEST, _said("There is no such button."))
        try:
            self._leave(made)
        except (OSError, Problem):
            return Reply(
                HTTPStatus.INSUFFICIENT_STORAGE, _said("It could not be noted: no room on the disk?")
            )
        if made.kind == "undo":
            return Reply(HTTPStatus.OK, _said(f"Taken back: {dict(BUTTONS).get(made.text, made.text)}."))
        said = f"Noted: {dict(BUTTONS)[kind]}. On the page it can be taken back for five minutes."
        return Reply(HTTPStatus.OK, _said(said))


def _mark_of(kind: str, undo: str, now_utc: datetime) -> Mark | None:
    """Return the mark that a button asks for; None: there is no such button."""
    if undo:
        what, _, when = undo.partition(" ")
        with suppress(RequestProblem):
            return made_mark("undo", what, now_utc, undoes_utc=parse_utc(when))
        return None
    if kind not in dict(BUTTONS):
        return None
    return Mark(time_utc=now_utc, kind=cast(MarkKind, kind), minutes=VISIT_MIN if kind == "visit" else None)


def _said(text: str) -> str:
    """Return a short page around a sentence of our own."""
    return (
        '<!doctype html><meta name="viewport" content="width=device-width, initial-scale=1">'
        '<body style="background:#15120e;color:#efe6d6;font:1.3rem system-ui;padding:1rem">'
        # As high as a button: it is met by a thumb, in the dark and the cold.
        f'<p>{text}</p><p><a style="color:#f7cf6b;display:inline-block;padding:.6rem 0" href="./">'
        "Back to the page</a></p>"
    )
