"""The status page as a phone's browser shows it, in a real headless Chromium."""

import dataclasses
import json
import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from html import escape, unescape
from pathlib import Path
from typing import Any

import pytest

from sentinel.service.status.page import page_html
from sentinel.service.status.standing import Standing
from tests.watch.test_status import board, standing

__all__ = ["board", "standing"]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = (
    "--headless --no-sandbox --disable-gpu --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --disable-quic --hide-scrollbars"
)
LOOK = """<script>
const one = (q) => document.querySelector(q);
const box = (q) => { const b = one(q).getBoundingClientRect(); return [b.top, b.bottom, b.left, b.right]; };
parent.document.documentElement.setAttribute("data-seen", JSON.stringify({
  h1: box("h1"), text: one("h1").textContent, size: parseFloat(getComputedStyle(one("h1")).fontSize),
  wide: document.documentElement.scrollWidth, screen: [innerWidth, innerHeight],
  scripts: document.scripts.length, alien: document.querySelectorAll(".alien").length,
  stale: document.querySelectorAll("header .stale").length,
  level: one("h1").className,
  dead: [...document.querySelectorAll("#dead:not([hidden])")].map((p) => p.textContent).join(""),
}));
</script></body>"""

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")


def shown(page: str, folder: Path) -> dict[str, Any]:
    """Load a page at a phone's size; return what the browser made of it."""
    # A headless window is never narrower than 500 px; a frame in it may be.
    inside = escape(page.replace("</body>", LOOK), quote=True)
    outside = f'<!doctype html><iframe style="border:0" width="390" height="844" srcdoc="{inside}"></iframe>'
    (folder / "page.html").write_text(outside, encoding="utf-8")
    command = [
        str(CHROMIUM), *QUIET.split(), f"--user-data-dir={folder / 'profile'}", "--window-size=800,1000",
        "--virtual-time-budget=2000", "--dump-dom", (folder / "page.html").as_uri(),
    ]  # fmt: skip
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    seen = re.search(r'data-seen="([^"]*)"', told.stdout)
    assert seen is not None, told.stderr[-500:]
    looked: dict[str, Any] = json.loads(unescape(seen.group(1)))
    return looked


def test_the_first_line_is_read_on_a_phone_without_scrolling_or_zooming(
    standing: Standing, tmp_path: Path
) -> None:
    seen = shown(page_html(standing), tmp_path)
    top, bottom, left, right = seen["h1"]
    width, height = seen["screen"]
    assert width == 390, "a phone's"
    assert seen["text"] == standing.left_alone
    assert top >= 0
    assert bottom <= height / 2, "until when it may be left alone stands in the upper half"
    assert left >= 0
    assert right <= width
    assert seen["wide"] <= width, "nothing has to be pushed sideways"
    assert seen["size"] >= 20
    assert seen["stale"] == 2, "a page and a picture of another year are old, and red"


def test_a_page_that_nobody_writes_any_more_does_not_look_well(standing: Standing, tmp_path: Path) -> None:
    """A frozen page looks healthy: its green line is of then, and it says so itself."""
    calm = dataclasses.replace(standing, troubles=())
    fresh, old = (
        shown(page_html(dataclasses.replace(calm, written_utc=datetime.now(UTC) - ago)), tmp_path)
        for ago in (timedelta(seconds=20), timedelta(hours=2))
    )
    assert fresh["level"] in {"well", "soon"}
    assert fresh["dead"] == ""
    assert old["level"] == "old"
    assert old["dead"].startswith("THE WATCH IS NOT RUNNING, or this page could not be loaded anew")


def test_names_with_mark_up_stay_text(standing: Standing, tmp_path: Path) -> None:
    name = (
        '"><img class=alien src=x onerror=alert(1)><script class="alien">document.title="alien"</script>.jpg'
    )
    usual = shown(page_html(standing), tmp_path)
    seen = shown(page_html(dataclasses.replace(standing, frame=name)), tmp_path)
    assert seen["alien"] == 0
    assert seen["scripts"] == usual["scripts"]
