"""Hearing of other cameras: from their state folders, or from the pages that their watches serve.

Each is asked on a thread of its own and waited for so long and no longer: a share that hangs or a link that
drips costs the news of that camera alone.
"""

import re
import ssl
import threading
from collections.abc import Sequence
from contextlib import closing, suppress
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.files import is_address, shown_name
from sentinel.service.delivery.secrets import Secret, resolve
from sentinel.service.status.lines import from_json
from sentinel.service.status.several import CameraNews
from sentinel.service.watch.state_folder import StateFolder

WAIT_S = 8.0
"""For one camera's news, from asking to the last byte."""
MOST_BYTES = 4_000_000
STATUS_PATH = "/status.json"


def token_of(place: str | None) -> Secret | None:
    """Return the token that stands in a place (`--token-from`).

    Raises `RequestProblem` if it does not, or the place is none.
    """
    if place is None:
        return None
    if not re.fullmatch(r"(env|file|credential):.+", place):
        raise RequestProblem(
            "is no place of a token",
            where="--token-from",
            mend="write env:NAME or file:PATH",
        )
    return resolve(place, where="--token-from")


def refuse_unheard(where: str) -> None:
    """Refuse what can be neither a state folder nor the address of a page.

    Raises `RequestProblem` if it is an address that cannot be asked.
    """
    if not is_address(where):
        return
    try:
        address = urlsplit(where)
        fine = bool(address.hostname) and address.port != 0 and address.scheme in {"http", "https"}
    except ValueError:
        fine = False
    if not fine or address.username is not None or address.path not in {"", "/"} or address.query:
        raise RequestProblem(
            "is no address of a served page",
            where=shown_name(where),
            mend="write it like http://10.0.0.7:8712",
        )


def hear(places: Sequence[str], token: Secret | None = None, *, wait_s: float = WAIT_S) -> list[CameraNews]:
    """Return what is heard of each camera, in the order of the places; all are asked at once.

    `places`: state folders, or addresses of served pages.
    `token`: of the pages; None: there is none.
    `wait_s`: how long all of them together may take.
    Raises `RequestProblem` if one is an address that cannot be asked.
    """
    for place in places:
        refuse_unheard(place)
    found: list[CameraNews] = [
        CameraNews(where=place, problem=f"it did not answer within {wait_s:g} s") for place in places
    ]

    all_heard = threading.Barrier(len(places) + 1)

    def ask(number: int) -> None:
        found[number] = heard_from(places[number], token, wait_s=wait_s)
        with suppress(threading.BrokenBarrierError):
            all_heard.wait()

    for number in range(len(places)):
        # Daemons: one that never comes back must not keep the program from ending.
        threading.Thread(target=ask, args=(number,), daemon=True).start()
    with suppress(threading.BrokenBarrierError):
        all_heard.wait(wait_s)
    return list(found)


def heard_from(place: str, token: Secret | None = None, *, wait_s: float = WAIT_S) -> CameraNews:
    """Return what is heard of one camera; whatever is wrong with it is part of the news."""
    try:
        if is_address(place):
            text, watched = _asked_over_http(urlsplit(place), token, wait_s), True
        else:
            files = StateFolder(Path(place))
            text, watched = _shortened(files.read_status()), files.is_watched()
        return CameraNews(where=place, standing=from_json(text, where=place), watched=watched)
    except Problem as problem:
        return CameraNews(where=place, problem="; ".join(filter(None, (problem.what, problem.mend))))
    except Exception as error:  # noqa: BLE001 - whatever a broken one makes of itself hides no other
        return CameraNews(where=place, problem=f"its status cannot be read ({type(error).__name__})")


def _shortened(text: str) -> str:
    if len(text) > MOST_BYTES:
        raise Problem("what is there is too long for a status", mend="is it the right folder or address?")
    return text


def _asked_over_http(address: SplitResult, token: Secret | None, wait_s: float) -> str:
    """Return the status that a page's server tells; it is followed nowhere else."""
    host, port = address.hostname or "", address.port
    server = (
        HTTPSConnection(host, port, timeout=wait_s, context=ssl.create_default_context())
        if address.scheme == "https"
        else HTTPConnection(host, port, timeout=wait_s)
    )
    headers = {} if token is None else {"Authorization": f"Bearer {token.reveal()}"}
    try:
        with closing(server):
            server.request("GET", STATUS_PATH, headers=headers)
            answer = server.getresponse()
            content = answer.read(MOST_BYTES + 1)
    except (OSError, HTTPException, ValueError) as error:
        said = getattr(error, "strerror", None) or type(error).__name__
        raise Problem(
            f"it cannot be reached ({said})", mend="check its power, its link and the address"
        ) from None
    if answer.status in _REFUSALS:
        raise Problem(_REFUSALS[answer.status], mend="name its page.token_from with --token-from")
    if answer.status != 200:
        raise Problem(f"no page of a watch answers there (status {answer.status})", mend="check the address")
    return _shortened(content.decode("utf-8", "replace"))


_REFUSALS = {
    401: "it wants the token of its page",
    403: "it does not take that token",
    429: "too many wrong tokens came from here; it hears none for a while",
}
