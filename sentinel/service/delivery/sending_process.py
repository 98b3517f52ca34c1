"""The sending process, as seen from the watch: asked one request at a time, and ended when it hangs."""

import json
import os
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from typing import Any

START_S = 20.0
"""What starting and loading may take on a small computer."""


def kill(process: "subprocess.Popen[Any]") -> None:
    """End a process with all it started; tidying up is left to whoever waits for it."""
    if process.poll() is None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)


class SendingProcess:
    """A process of `sentinel.service.delivery.sender`, started when first asked."""

    def __init__(self) -> None:
        self._in_use = threading.Lock()
        self._process: subprocess.Popen[str] | None = None

    def ask(self, request: dict[str, Any], *, patience_s: float) -> dict[str, Any] | None:
        """Return the answer to a request; None where the process ended, or was ended, without one."""
        with self._in_use:
            process, fresh = self._ready()
            timer = threading.Timer(patience_s + (START_S if fresh else 0.0), kill, (process,))
            timer.daemon = True
            timer.start()
            try:
                answer = _asked(process, json.dumps(request))
            finally:
                timer.cancel()
            # One that says it ends, because something in it hangs, is not asked again.
            if answer is None or answer.pop("ends", False):
                self._dismiss()
            return answer

    def end(self) -> None:
        """End the process, from any thread."""
        process = self._process
        if process is None:
            return
        kill(process)
        # Whoever waits for its answer notices at once and lets go.
        with self._in_use:
            self._dismiss()

    def _ready(self) -> tuple["subprocess.Popen[str]", bool]:
        """Return the process, and whether it has only just been started."""
        if self._process is not None and self._process.poll() is None:
            return self._process, False
        self._dismiss()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "sentinel.service.delivery.sender"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
            # Ctrl-C is for the watch to decide about: what is being sent is sent.
            start_new_session=True,
        )
        return self._process, True

    def _dismiss(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        kill(process)
        process.wait()
        for stream in (process.stdin, process.stdout):
            with suppress(OSError):  # what was still to be written to a process that is gone
                if stream is not None:
                    stream.close()


def _asked(process: "subprocess.Popen[str]", line: str) -> dict[str, Any] | None:
    assert process.stdin is not None  # noqa: S101 - opened as pipes
    assert process.stdout is not None  # noqa: S101
    try:
        process.stdin.write(line + "\n")
        process.stdin.flush()
        answer = process.stdout.readline()
        parsed = json.loads(answer) if answer else None
    except (OSError, ValueError):
        return None
    return parsed if isinstance(parsed, dict) else None
