"""The sending process: takes a request a line on standard input, answers each with a line on standard output.

It is a process of its own because a service may hold a connection for ever, and only a process can be ended;
because the libraries that talk to services take memory that is not needed while nothing is said; and because
what they log at debug level, addresses and tokens among it, then never comes near our own log. For the same
reason an answer is one of a few fixed phrases, never a text of theirs.
"""

import base64
import json
import logging
import os
import re
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

# Nothing of this program is imported here, and the slow library only where it is needed: messages wait.

Answer = dict[str, Any]
Request = dict[str, Any]

NO_PICTURES = "takes no pictures"

_ELSEWHERE = "sent elsewhere ({}): a login page in between, or its address has changed"

_KINDS = {"now": "failure", "soon": "warning", "note": "info"}


def _answer(outcome: str, why: str) -> Answer:
    return {"outcome": outcome, "why": why}


class Evidence(logging.Handler):
    """Keeps what the libraries log, in memory, to judge by it what became of a message."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []
        self.status: int | None = None
        """Of the last response whose head has come; None while one is awaited."""

    def emit(self, record: logging.LogRecord) -> None:
        """Take note of a line; of a request's beginning and of a response's head in particular."""
        try:
            text = record.getMessage()
        except (TypeError, ValueError):
            return
        if record.name.startswith("urllib3"):
            if text.startswith("Starting new HTTP"):
                self.status = None
            elif isinstance(record.args, tuple) and len(record.args) == 8:
                status = record.args[6]
                self.status = status if isinstance(status, int) else None
        self.lines.append(text[:2000])

    @property
    def accepted(self) -> bool:
        """Whether the service has said yes, however slowly the rest of its answer comes."""
        return self.status is not None and 200 <= self.status < 300


# What the libraries write, and what it means; the first that fits the last lines counts.
_SIGNS: tuple[tuple[str, str, str], ...] = (
    (r"NameResolution|Name or service not known|getaddrinfo|No address associated|name resolution",
     "unreachable", "name not resolved"),
    (r"ConnectTimeout|connect timeout|Connection to \S+ timed out", "unreachable", "no connection in time"),
    (r"Connection refused|\[Errno 111\]", "unreachable", "connection refused"),
    (r"Network is unreachable|No route to host|\[Errno 101\]|\[Errno 113\]", "unreachable", "no route"),
    (r"CERTIFICATE|SSLError|SSLCert", "failed", "its certificate is not trusted"),
    (r"Read timed out|read timeout|timed out", "doubtful", "no answer in time"),
    (r"RemoteDisconnected|Connection aborted|reset by peer|IncompleteRead|Connection broken|BadStatusLine",
     "doubtful", "connection lost half-way"),
    (r"ChunkedEncoding|unexpectedly closed|Broken pipe", "doubtful", "connection lost half-way"),
)  # fmt: skip


def judged(evidence: Evidence) -> Answer:
    """Return what became of a message that the library calls not sent."""
    if evidence.status is not None and not evidence.accepted:
        said = {401: "not allowed", 403: "not allowed", 404: "not found", 413: "too large", 429: "too many"}
        if evidence.status < 400:
            return _answer("unreachable", _ELSEWHERE.format(evidence.status))
        trouble = evidence.status >= 500 or evidence.status == 429
        meaning = said.get(evidence.status, "the service is in trouble" if trouble else "refused")
        return _answer("unreachable" if trouble else "failed", f"{meaning} ({evidence.status})")
    text = "\n".join(evidence.lines[-8:])
    for pattern, outcome, why in _SIGNS:
        if re.search(pattern, text, re.IGNORECASE):
            return _answer(outcome, why)
    if re.search(r"authentication|login|credential|Bad user", text, re.IGNORECASE):
        return _answer("failed", "user or password not accepted")
    return _answer("failed", "the service did not take it")


def _service(request: Request) -> Any:
    # Slow to import, so only where it is needed.
    import apprise  # noqa: PLC0415

    service = apprise.Apprise.instantiate(request["url"])
    if service is None:
        return None
    patience_s = float(request.get("deadline_s", 45.0))
    # One deadline over all: the library's own patience must not end before it and call "no answer" a failure.
    service.socket_connect_timeout = min(30.0, patience_s)
    service.socket_read_timeout = patience_s
    # Followed, most of them turn a message into a mere look at some page, whose "yes" means nothing.
    service.redirects = False
    return service


def notify(request: Request, evidence: Evidence) -> Answer:
    """Hand one message, or one picture, to a service."""
    import apprise  # noqa: PLC0415
    from apprise.attachment.memory import AttachMemory  # noqa: PLC0415

    service = _service(request)
    if service is None:
        return _answer("failed", "the address is not understood")
    picture = request.get("picture")
    if picture and not service.attachment_support:
        return _answer("failed", NO_PICTURES)
    target = apprise.Apprise()
    target.add(service)
    attach = None
    if picture:
        content = base64.b64decode(picture)
        attach = apprise.AppriseAttachment(
            [
                AttachMemory(  # type: ignore[no-untyped-call]
                    content=content, name="sun.jpg", mimetype="image/jpeg"
                )
            ]
        )
    result = target.notify(
        body=request["body"] or request["title"],
        title=request["title"],
        notify_type=_KINDS[request["severity"]],
        body_format="text",
        attach=attach,
    )
    if result:
        return _answer("delivered", "")
    return judged(evidence)


def inspect(request: Request, evidence: Evidence) -> Answer:
    """Say whether an address is understood, and how many recipients it names; nothing is sent."""
    del evidence
    service = _service(request)
    if service is None:
        return _answer("failed", "the address is not understood")
    recipients = max(1, len(service) // (service.retry + 1))
    return _answer("delivered", "") | {"recipients": recipients, "pictures": bool(service.attachment_support)}


class _SameHost(urllib.request.HTTPRedirectHandler):
    """Goes on to another page of the same host alone: another host is a login page's, not the one asked."""

    def redirect_request(self, req: Any, *answer: Any) -> Any:
        """Return what to ask instead, if anything; the last of what was answered is the new address."""
        if urlsplit(answer[-1]).hostname != urlsplit(req.full_url).hostname:
            return None
        return super().redirect_request(req, *answer)


def ping(request: Request, evidence: Evidence) -> Answer:
    """Fetch an address, so that whoever stands behind it knows we are alive."""
    del evidence
    if not request["url"].startswith(("http://", "https://")):
        return _answer("failed", "the address is not understood")
    try:
        with urllib.request.build_opener(_SameHost).open(
            request["url"], timeout=float(request["deadline_s"])
        ):
            return _answer("delivered", "")
    except urllib.error.HTTPError as error:
        if error.code < 400:
            return _answer("unreachable", _ELSEWHERE.format(error.code))
        return _answer("failed", f"refused ({error.code})")
    except (OSError, ValueError):
        return _answer("unreachable", "no connection")


_SERVICES: dict[str, Callable[[Request, Evidence], Answer]] = {
    "notify": notify, "inspect": inspect, "ping": ping,
}  # fmt: skip


def _prepare(request: Request) -> None:
    """Load what the request needs: that may take seconds, for which the service is not to blame."""
    if request["kind"] != "ping":
        import apprise  # noqa: PLC0415

        apprise.Apprise.instantiate("json://localhost")


def serve(request: Request) -> Answer:
    """Run one request within its deadline; `ends` in the answer: something still hangs, do not ask again."""
    _prepare(request)
    evidence = Evidence()
    listened = [logging.getLogger(name) for name in ("apprise", "urllib3")]
    for logger in listened:
        logger.setLevel(logging.DEBUG)
        logger.propagate = False
        logger.handlers = [evidence]
    answers: list[Answer] = []

    def run() -> None:
        try:
            answers.append(_SERVICES[request["kind"]](request, evidence))
        except Exception:  # noqa: BLE001 - a library's mistake must not end the process without an answer
            answers.append(judged(evidence))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(float(request["deadline_s"]))
    if answers:
        return answers[0]
    if evidence.accepted:
        return _answer("delivered", "accepted; the rest of the answer did not come") | {"ends": True}
    return _answer("doubtful", "no answer in time") | {"ends": True}


def main() -> None:
    """Serve until standard input ends."""
    # Whatever a library prints must not look like an answer.
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    for line in sys.stdin:
        answer = serve(json.loads(line))
        answers.write(json.dumps(answer) + "\n")
        answers.flush()
        if "ends" in answer:
            break
    # Threads that wait for a service would keep an interpreter from ending in the ordinary way.
    os._exit(0)


if __name__ == "__main__":
    main()
