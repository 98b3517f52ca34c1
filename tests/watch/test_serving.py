"""The page on the network: it can be read, a mark can be left with the token, and nothing else."""

import http.client
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urlencode

import pytest

from sentinel.core.clock import SystemClock
from sentinel.core.errors import RequestProblem
from sentinel.core.records import Mark
from sentinel.core.settings import Page, validate
from sentinel.service.status.page import undo_value
from sentinel.service.watch.page_server import PageServer
from sentinel.service.watch.web_server import JSON, Reply, WebServer
from tests.watch.running import Running, settings_for


@pytest.fixture
def token(tmp_path: Path) -> str:
    path = tmp_path / "token"
    path.write_text("a-long-enough-token\n", encoding="utf-8")
    path.chmod(0o600)
    return f"file:{path}"


@pytest.fixture
def marks() -> list[Mark]:
    return []


def served(chosen: Page, marks: list[Mark]) -> PageServer:
    page = Reply(HTTPStatus.OK, "<!doctype html><p>The page")
    status = Reply(HTTPStatus.OK, '{"all": "that is known"}', JSON)
    return PageServer(chosen, SystemClock(), {"/": lambda _: page}, lambda: status, marks.append)


@pytest.fixture
def server(token: str, marks: list[Mark]) -> Iterator[PageServer]:
    pytest.importorskip("waitress", reason="the extra `page` is not installed")
    chosen = Page(listen="127.0.0.1:0", token_from=token)
    server = served(chosen, marks)
    server.start()
    yield server
    server.stop()


def asked(
    server: WebServer, method: str, path: str, body: bytes | None = None, bearer: str = ""
) -> tuple[int, str, dict[str, str]]:
    # The server lets go of whoever is slow after 20 s: who has to wait for that is shut out.
    connection = http.client.HTTPConnection(*server.address, timeout=15)
    headers = {"Content-Type": "application/x-www-form-urlencoded"} if body is not None else {}
    if bearer:
        headers["Authorization"] = f"Bearer {bearer}"
    connection.request(method, path, body, headers)
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer.status, text, dict(answer.getheaders())


def pressed(server: PageServer, **fields: str) -> tuple[int, str]:
    status, text, _ = asked(server, "POST", "/mark", urlencode(fields).encode())
    return status, text


def test_the_page_is_read_by_anybody_and_asks_nobody(server: PageServer) -> None:
    status, text, headers = asked(server, "GET", "/")
    assert (status, text) == (200, "<!doctype html><p>The page")
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert headers["Cache-Control"] == "no-store"
    assert "Server" not in headers
    assert asked(server, "HEAD", "/")[:2] == (200, "")


@pytest.mark.parametrize("path", ["/journal.sqlite", "/../etc/passwd", "/%2e%2e/", "//", "/mark", "/?a=b/.."])
def test_nothing_else_is_read(server: PageServer, path: str) -> None:
    status, text, _ = asked(server, "GET", path)
    assert text == "<!doctype html><p>The page" if status == 200 else status in {400, 404}


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "PATCH"])
def test_nothing_else_is_done(server: PageServer, marks: list[Mark], method: str) -> None:
    assert asked(server, method, "/", b"token=a-long-enough-token&kind=seen")[0] == 404
    assert marks == []


def test_what_the_watch_knows_in_full_needs_the_token(server: PageServer) -> None:
    assert asked(server, "GET", "/status.json")[0] == 401
    for wrong in ("a-long-enough-toke", "A-LONG-ENOUGH-TOKEN", "a-long-enough-token x"):
        assert asked(server, "GET", "/status.json", bearer=wrong)[0] == 403
    status, text, headers = asked(server, "GET", "/status.json", bearer="a-long-enough-token")
    assert (status, text, headers["Content-Type"]) == (200, '{"all": "that is known"}', "application/json")
    assert asked(server, "HEAD", "/status.json", bearer="a-long-enough-token")[:2] == (200, "")
    assert asked(server, "POST", "/status.json", b"kind=seen", bearer="a-long-enough-token")[0] == 404


def test_guessing_tokens_for_the_status_is_no_quicker_than_for_a_button(server: PageServer) -> None:
    begin_s = time.monotonic()
    said = [asked(server, "GET", "/status.json", bearer=f"guess-{n}")[0] for n in range(60)]
    assert said.count(403) <= 31 + 1.5 * (time.monotonic() - begin_s)
    assert 429 in said


@pytest.mark.parametrize("said", [None, "Bearer", "Basic YTpi", "a-long-enough-token"])
def test_who_names_no_token_is_asked_for_it_and_not_shut_out(server: PageServer, said: str | None) -> None:
    headers = {} if said is None else {"Authorization": said}
    for _ in range(40):
        connection = http.client.HTTPConnection(*server.address, timeout=15)
        connection.request("GET", "/status.json", headers=headers)
        assert connection.getresponse().status == 401
        connection.close()
    assert asked(server, "GET", "/status.json", bearer="a-long-enough-token")[0] == 200


def test_a_button_needs_the_token(server: PageServer, marks: list[Mark]) -> None:
    for wrong in ("", "a-long-enough-toke", "A-LONG-ENOUGH-TOKEN", "\N{SNOWMAN}"):
        assert pressed(server, token=wrong, kind="seen")[0] == 403
    assert pressed(server, kind="seen")[0] == 403
    assert marks == []
    status, text = pressed(server, token="a-long-enough-token", kind="visit")
    assert status == 200
    assert "Noted: At the camera, 15 min." in text
    assert [(m.kind, m.minutes) for m in marks] == [("visit", 15.0)]
    assert pressed(server, token="a-long-enough-token", kind="seen")[0] == 200
    assert marks[-1].minutes is None


def test_a_button_takes_a_mark_back(server: PageServer, marks: list[Mark]) -> None:
    made = Mark(time_utc=datetime(2027, 6, 21, 1, 2, 3, 456000, tzinfo=UTC), kind="realigned")
    status, text = pressed(server, token="a-long-enough-token", undo=undo_value(made))
    assert (status, "Taken back: Axis realigned." in text) == (200, True)
    assert (marks[-1].kind, marks[-1].text, marks[-1].undoes_utc) == ("undo", "realigned", made.time_utc)


@pytest.mark.parametrize("undo", ["realigned", "realigned yesterday", "<b> 2027-06-21T01:02:03Z", " "])
def test_nothing_else_can_be_taken_back(server: PageServer, marks: list[Mark], undo: str) -> None:
    assert pressed(server, token="a-long-enough-token", undo=undo)[0] == 400
    assert marks == []


@pytest.mark.parametrize("kind", ["remark", "moved", "<script>", "", "visit\n"])
def test_only_the_buttons_can_be_pressed(server: PageServer, marks: list[Mark], kind: str) -> None:
    status, text = pressed(server, token="a-long-enough-token", kind=kind)
    assert status == 400
    assert kind == "" or kind not in text
    assert marks == []


@pytest.mark.parametrize("many", [b"a=1&b=2&c=3&d=4&e=5&token=x", b"&" * 500, b"kind", b"%ff%00=%ud800"])
def test_fields_that_make_no_sense_are_a_bad_request(
    server: PageServer, marks: list[Mark], many: bytes
) -> None:
    assert asked(server, "POST", "/mark", many)[0] in {400, 403}
    assert asked(server, "POST", "/mark", b"a=1&b=2&c=3&d=4&e=5&token=x")[0] == 400
    assert asked(server, "GET", "/")[0] == 200
    assert marks == []


def test_clients_with_wrong_tokens_shut_out_nobody_but_themselves(
    server: PageServer, marks: list[Mark]
) -> None:
    def wrong(source: str) -> int:
        while True:
            connection = http.client.HTTPConnection(*server.address, timeout=10, source_address=(source, 0))
            try:
                connection.request("POST", "/mark", b"token=wrong&kind=seen")
                return connection.getresponse().status
            except (ConnectionError, http.client.RemoteDisconnected):
                continue  # of more than eight that wait from one address the oldest is let go: tried again
            finally:
                connection.close()

    begin_s = time.monotonic()
    with ThreadPoolExecutor(15) as clients:
        said = list(clients.map(wrong, ["127.0.0.2"] * 150))
        status, _ = pressed(server, token="a-long-enough-token", kind="seen")
    assert status == 200
    assert len(marks) == 1
    assert said.count(403) <= 30 + 1.5 * (time.monotonic() - begin_s), "a guess costs a second"
    assert said.count(403) + said.count(429) == 150
    assert 429 in said
    # From the same address as a few who mistype, too.
    assert [wrong("127.0.0.1") for _ in range(15)] == [403] * 15
    assert pressed(server, token="a-long-enough-token", kind="seen")[0] == 200


def test_slow_clients_shut_out_nobody(server: PageServer, marks: list[Mark]) -> None:
    slow = []
    try:
        for number in range(300):
            one = socket.create_connection(
                server.address, timeout=5, source_address=(f"127.0.0.{2 + number // 3}", 0)
            )
            slow.append(one)
            one.sendall(b"POST /mark HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\ntoken=")
            if number % 20 == 19:
                assert pressed(server, token="a-long-enough-token", kind="seen")[0] == 200
        slow += [socket.create_connection(server.address, timeout=5) for _ in range(40)]
        assert asked(server, "GET", "/")[0] == 200
        assert len(marks) == 15
    finally:
        for one in slow:
            one.close()


def test_a_name_of_more_than_one_address_can_be_listened_to(token: str) -> None:
    server = served(Page(listen="localhost:0", token_from=token), [])
    server.start()
    try:
        assert asked(server, "GET", "/")[0] == 200
    finally:
        server.stop()


def test_too_much_is_not_read(server: PageServer, marks: list[Mark]) -> None:
    assert asked(server, "POST", "/mark", b"token=" + b"x" * 100_000)[0] in {400, 413}
    assert asked(server, "POST", "/mark", b"")[0] == 400
    assert marks == []


@pytest.mark.parametrize(
    ("page", "said"),
    [
        ({"listen": "127.0.0.1:80"}, "needs token_from"),
        ({"listen": "0.0.0.0:8712", "token_from": "env:A"}, "can be reached from elsewhere"),
        ({"listen": "[::]:8712", "token_from": "env:A"}, "can be reached from elsewhere"),
        ({"listen": "camera.local:8712", "token_from": "env:A"}, "can be reached from elsewhere"),
        ({"listen": "127.0.0.1", "token_from": "env:A"}, "page.listen"),
    ],
)
def test_it_listens_to_this_computer_alone_unless_told_otherwise(page: dict[str, object], said: str) -> None:
    content = {
        "site": {"latitude_deg": 0.0, "longitude_deg": 0.0},
        "camera": {"focal_length_mm": 400.0, "pixel_pitch_um": 4.0},
        "page": page,
    }
    with pytest.raises(RequestProblem, match=said):
        validate(content, where="test")
    if "elsewhere" in said:
        validate(content | {"page": page | {"beyond_loopback": True}}, where="test")


def test_a_mark_pressed_on_the_page_reaches_the_journal(tmp_path: Path, token: str) -> None:
    pytest.importorskip("waitress", reason="the extra `page` is not installed")
    (tmp_path / "in").mkdir()
    settings = settings_for(tmp_path / "in", page={"listen": "127.0.0.1:0", "token_from": token})
    with Running(settings, tmp_path / "state") as watch:
        server = watch.wait(lambda: watch.watch is not None and watch.watch.server)
        watch.wait(
            lambda: (
                "last picture" in asked(server, "GET", "/")[1] or "no picture" in asked(server, "GET", "/")[1]
            )
        )
        assert 'value="recentred"' in asked(server, "GET", "/")[1]
        watch.wait(watch.home.status_html.exists)
        assert 'value="recentred"' not in watch.home.status_html.read_text(encoding="utf-8")
        assert pressed(server, token="a-long-enough-token", kind="recentred")[0] == 200
        watch.wait(lambda: not list(watch.home.marks.glob("*.json")))
    assert "recentred" in (tmp_path / "state" / "marks.jsonl").read_text(encoding="utf-8")
