"""The list of pictures and the running hash, checked with standard tools as the page says."""

import hashlib
import html
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from sentinel.jobs.report.frame_list import LIST_NAME, checksum_line
from sentinel.jobs.report.page import write_report
from tests.report.sessions import frame, journal_of

NAMES = ["100VIEWS/a 1.jpg", "100VIEWS/b.jpg", "c.jpg", "d\\e.jpg", "f.jpg", "g.jpg"]
ARRIVED = (1, 0, 3, 2, 5)
"""In another order than they were exposed in; the fifth without its hash."""


@pytest.fixture
def pictures(tmp_path: Path) -> Path:
    folder = tmp_path / "pictures"
    for number, name in enumerate(NAMES):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(f"picture {number}".encode())
    return folder


@pytest.fixture
def page(tmp_path: Path, pictures: Path) -> str:
    frames = [
        replace(frame(n), frame=name, sha256=hashlib.sha256((pictures / name).read_bytes()).hexdigest())
        for n, name in enumerate(NAMES)
    ]
    arrived = [frames[i] for i in ARRIVED] + [replace(frames[4], sha256="")]
    path = write_report(journal_of(tmp_path / "session", arrived))
    (pictures / LIST_NAME).write_bytes(path.with_name(LIST_NAME).read_bytes())
    return path.read_text(encoding="utf-8")


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["sh", "-c", command], cwd=folder, capture_output=True, text=True, check=False)


def commands(page: str) -> tuple[str, str]:
    """The lines that the page gives to be copied."""
    (given,) = re.findall(r"<pre>(sha256sum.*?)</pre>", page, re.DOTALL)
    first, rest = html.unescape(given).split("\n", 1)
    return first, rest


def test_the_list_is_accepted_and_a_changed_picture_is_not(pictures: Path, page: str) -> None:
    check, _ = commands(page)
    done = run(check, pictures)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": OK") == len(ARRIVED)
    assert not done.stderr
    (pictures / "c.jpg").write_bytes(b"another")
    spoilt = run(check, pictures)
    assert spoilt.returncode != 0
    assert "c.jpg: FAILED" in spoilt.stdout


def test_the_running_hash_is_what_the_list_gives(pictures: Path, page: str) -> None:
    _, chain = commands(page)
    running = b""
    for i in ARRIVED:
        held = (pictures / NAMES[i]).read_bytes()
        running = hashlib.sha256(running + hashlib.sha256(held).digest()).digest()
    assert f'<code class="hash whole">{running.hex()}</code>' in page
    assert "5 of 6 pictures were hashed" in page
    done = run(chain, pictures)
    assert done.stdout.strip() == running.hex(), done.stderr
    lines = (pictures / LIST_NAME).read_text().splitlines(keepends=True)
    (pictures / LIST_NAME).write_text("".join([lines[1], lines[0], *lines[2:]]))
    assert run(chain, pictures).stdout.strip() != running.hex(), "another order is another chain"


def test_a_table_without_pictures_has_no_list(tmp_path: Path) -> None:
    folder = journal_of(tmp_path / "table", [replace(frame(n), sha256="") for n in range(5)])
    path = write_report(folder)
    assert not path.with_name(LIST_NAME).exists()
    assert "sha256sum" not in path.read_text(encoding="utf-8")


def test_a_name_cannot_make_a_line_of_its_own() -> None:
    line = checksum_line("0" * 64, "a\nb.jpg")
    assert line.count("\n") == 1
