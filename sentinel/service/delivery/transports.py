"""Ways to hand a message over: a service by way of a sending process, or a command on this computer."""

import base64
import os
import re
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from sentinel.chain.notify.sending import Message
from sentinel.service.delivery.secrets import Secret
from sentinel.service.delivery.sender import NO_PICTURES
from sentinel.service.delivery.sending_process import SendingProcess, kill

STOPPED = "stopped at its time limit"
GRACE_S = 3.0
"""What a sending process may take beyond its own deadline before it is ended."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """What became of one attempt, in fixed words."""

    outcome: Literal["delivered", "failed", "unreachable", "doubtful"]
    """`unreachable`: not delivered, for no fault of the message; `doubtful`: it may have arrived."""
    why: str = ""
    details: dict[str, Any] | None = None

    @property
    def delivered(self) -> bool:
        """Whether it is known to have arrived."""
        return self.outcome == "delivered"


class Transport(Protocol):
    """One target's way; used by one thread at a time, ended by any."""

    def send(self, message: Message) -> Attempt:
        """Hand a message over; takes no longer than the target's patience allows."""
        ...

    def send_picture(self, message: Message, jpeg: bytes) -> Attempt:
        """Hand a picture over."""
        ...

    def abandon(self) -> None:
        """End an attempt under way, and whatever is kept ready for the next."""
        ...


class ServiceTransport:
    """Sends through apprise, in a process that is kept for the next message and ended when it hangs."""

    def __init__(self, url: Secret, *, deadline_s: float, process: SendingProcess | None = None) -> None:
        self._url, self._deadline_s = url, deadline_s
        self._process = process or SendingProcess()

    def send(self, message: Message) -> Attempt:
        """Send a message."""
        return self._request("notify", _said(message))

    def send_picture(self, message: Message, jpeg: bytes) -> Attempt:
        """Send a picture with a line of text; a service that takes none is told nothing."""
        picture = base64.b64encode(jpeg).decode("ascii")
        return self._request("notify", _said(message) | {"picture": picture})

    def inspect(self) -> Attempt:
        """Learn whether the address is understood, and how many recipients it names; nothing is sent."""
        return self._request("inspect", {})

    def ping(self) -> Attempt:
        """Fetch the address."""
        return self._request("ping", {})

    def abandon(self) -> None:
        """End the sending process; an attempt under way comes back as doubtful."""
        self._process.end()

    def _request(self, kind: str, content: dict[str, Any]) -> Attempt:
        request = content | {"kind": kind, "url": self._url.reveal(), "deadline_s": self._deadline_s}
        answer = self._process.ask(request, patience_s=self._deadline_s + GRACE_S)
        if answer is None:
            return Attempt(outcome="doubtful", why="the sending process ended without an answer")
        details = {key: value for key, value in answer.items() if key not in {"outcome", "why"}}
        return Attempt(outcome=answer["outcome"], why=answer["why"], details=details)


def _said(message: Message) -> dict[str, Any]:
    return {"title": message.title, "body": message.body, "severity": message.severity.value}


_PASSED_ON = re.compile(
    r"PATH|HOME|USER|LOGNAME|SHELL|TERM|TZ|TMPDIR|LANG|LANGUAGE|LC_\w+|DISPLAY|WAYLAND_DISPLAY|XAUTHORITY|"
    r"XDG_RUNTIME_DIR|DBUS_SESSION_BUS_ADDRESS|PULSE_\w+|ALSA_\w+"
)


def _environment() -> dict[str, str]:
    """Return what any program needs to run and to sound; the addresses of other channels are not among it."""
    passed_on = {name: value for name, value in os.environ.items() if _PASSED_ON.fullmatch(name)}
    return {name: value for name, value in passed_on.items() if "://" not in value}


class CommandTransport:
    """Runs a command of this computer, like a siren, without a shell and within its time."""

    def __init__(self, command: Sequence[str], *, deadline_s: float) -> None:
        self._command, self._deadline_s = tuple(command), deadline_s
        self._process: subprocess.Popen[bytes] | None = None

    def send(self, message: Message) -> Attempt:
        """Run it; the text comes on standard input and where an argument is `{title}` or `{text}`."""
        text = "\n".join(part for part in (message.title, message.body) if part)
        # Whole arguments only: nothing in a text can become a second argument, or an option of its own.
        known = {"{title}": message.title or message.body, "{text}": text}
        arguments = [known.get(argument, argument).replace("\0", "") for argument in self._command]
        environment = _environment() | {"SENTINEL_SEVERITY": message.severity.value}
        try:
            self._process = process = subprocess.Popen(  # noqa: S603 - the operator's own settings
                arguments,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=environment,
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            return Attempt(
                outcome="failed", why=f"cannot be run ({getattr(error, 'strerror', None) or error})"
            )
        try:
            process.communicate(f"{text}\n".encode(), timeout=self._deadline_s)
        except subprocess.TimeoutExpired:
            kill(process)
            process.communicate()
            # It may be one that sounds until it is stopped; if it hung instead, the reminders run it again.
            return Attempt(outcome="delivered", why=STOPPED)
        finally:
            self._process = None
        if process.returncode != 0:
            return Attempt(outcome="failed", why=f"ended with status {process.returncode}")
        return Attempt(outcome="delivered")

    def send_picture(self, message: Message, jpeg: bytes) -> Attempt:
        """Refuse: a command takes no pictures."""
        del message, jpeg
        return Attempt(outcome="failed", why=NO_PICTURES)

    def abandon(self) -> None:
        """End the command that is running."""
        process = self._process
        if process is not None:
            kill(process)
