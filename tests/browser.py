"""A real headless Chromium at a phone's size, driven as a thumb does: looked at, typed into, tapped."""

import json
import re
import shutil
import subprocess
import time
from base64 import b64decode
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import websocket

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic", "--hide-scrollbars",
    "--remote-debugging-port=0", "--remote-allow-origins=*",
)  # fmt: skip
PHONE = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
PATIENCE_S = 60.0


class Phone:
    """One page in the browser, over its debugging protocol."""

    def __init__(self, address: str) -> None:
        self._wire, self._count = websocket.create_connection(address, timeout=PATIENCE_S), 0
        self._ask("Page.enable")
        self._ask("Emulation.setDeviceMetricsOverride", **PHONE)

    def close(self) -> None:
        """Hang up."""
        self._wire.close()

    def open(self, address: str) -> None:
        """Go to a page, and wait until it is there."""
        self._ask("Page.navigate", url=address)
        self.wait(f"location.href.startsWith({json.dumps(address)}) && document.readyState === 'complete'")

    def find(self, script: str) -> Any:
        """Return what a script finds on the page."""
        found = self._ask("Runtime.evaluate", expression=script, returnByValue=True)
        return found["result"].get("value")

    def wait(self, script: str) -> None:
        """Wait until a script finds that something is so."""
        end = time.monotonic() + PATIENCE_S
        while not self.find(script):
            assert time.monotonic() < end, f"waited in vain for {script}"
            time.sleep(0.05)

    def tap(self, selector: str) -> None:
        """Scroll to something and tap its middle, as a thumb does."""
        one = f"document.querySelector({json.dumps(selector)})"
        self.find(f"{one}.scrollIntoView({{block: 'center', behavior: 'instant'}})")
        left, top, width, height = self.find(
            f"(b => [b.left, b.top, b.width, b.height])({one}.getBoundingClientRect())"
        )
        assert left >= 0
        assert left + width <= PHONE["width"], "all of it is on the screen"
        assert height >= 40, "a thumb meets it"
        where = {"x": left + width / 2, "y": top + height / 2, "button": "left", "clickCount": 1}
        for kind in ("mousePressed", "mouseReleased"):
            self._ask("Input.dispatchMouseEvent", type=kind, **where)

    def type(self, selector: str, text: str) -> None:
        """Tap a field and type into it."""
        self.tap(selector)
        self._ask("Input.insertText", text=text)

    def printed(self) -> bytes:
        """Return the page as a PDF, on the paper that it asks for."""
        paper = self._ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        return b64decode(paper["data"])

    def _ask(self, method: str, **params: Any) -> dict[str, Any]:
        self._count += 1
        self._wire.send(json.dumps({"id": self._count, "method": method, "params": params}))
        while True:
            said: dict[str, Any] = json.loads(self._wire.recv())
            if said.get("id") == self._count:
                assert "error" not in said, said
                result: dict[str, Any] = said["result"]
                return result


@contextmanager
def phone(folder: Path) -> Iterator[Phone]:
    """Start a browser with an empty profile in a folder of its own."""
    assert CHROMIUM is not None
    browser = subprocess.Popen(
        [CHROMIUM, *FLAGS, f"--user-data-dir={folder / 'profile'}", "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        with closing(Phone(_page_of(browser))) as one:
            yield one
    finally:
        browser.terminate()
        browser.communicate(timeout=PATIENCE_S)


def _page_of(browser: "subprocess.Popen[str]") -> str:
    """Return the address at which the browser's first page can be driven."""
    assert browser.stderr is not None
    for line in browser.stderr:
        if found := re.search(r"listening on ws://([\d.:]+)/", line):
            break
    else:
        raise AssertionError("the browser ended before it listened")

    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        with urlopen(f"http://{found.group(1)}/json/list", timeout=PATIENCE_S) as answer:
            pages = [one for one in json.load(answer) if one["type"] == "page"]
        if pages:
            return str(pages[0]["webSocketDebuggerUrl"])
        time.sleep(0.05)
    raise AssertionError("the browser shows no page")
