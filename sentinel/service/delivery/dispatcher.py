"""One target: its transport, the attempt under way, and how long it is left in peace after a failure."""

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from queue import SimpleQueue
from threading import Thread

from sentinel.chain.notify.sending import Message
from sentinel.core.errors import Problem
from sentinel.core.settings import Channel
from sentinel.service.delivery.secrets import resolve
from sentinel.service.delivery.sender import NO_PICTURES
from sentinel.service.delivery.transports import Attempt, CommandTransport, ServiceTransport, Transport
from sentinel.service.journal.outbox import Outbox
from sentinel.service.journal.rows import OutboxRow

log = logging.getLogger(__name__)

MakeTransport = Callable[[Channel], Transport]
Draw = Callable[[], bytes | None]


def transport_for(channel: Channel) -> Transport:
    """Return the way to a channel's target.

    Raises `RequestProblem` if its address is not where the settings say.
    """
    if channel.command is not None:
        return CommandTransport(channel.command, deadline_s=channel.patience_s)
    assert channel.url_from is not None  # noqa: S101 - the settings saw to it
    url = resolve(channel.url_from, where=f"channel {channel.name}")
    return ServiceTransport(url, deadline_s=channel.patience_s)


@dataclass(frozen=True, slots=True)
class Result:
    """What became of an attempt."""

    dispatcher: "Dispatcher"
    outbox: Outbox
    """Where the row stands; for the worker's thread alone."""
    row: OutboxRow
    attempt: Attempt
    picture: bool


@dataclass(eq=False)
class Dispatcher:
    """One target. Everything but the attempts runs in the worker's thread."""

    channel: Channel
    make_transport: MakeTransport
    results: "SimpleQueue[Result]"
    wake: Callable[[], None]
    under_way: OutboxRow | None = None
    picture_under_way: bool = False
    failures: int = 0
    """In a row."""
    rest_until_s: float = 0.0
    """By the monotonic clock."""
    used_s: float = 0.0
    """When it was used last; 0: nothing is kept ready."""
    takes_pictures: bool = True
    """As far as is known."""
    pictured: str | None = None
    """The frame whose picture was sent last: a reminder does not bring it again."""
    picture_for: tuple[Outbox, OutboxRow] | None = None
    """The last message whose picture is still to be sent."""
    _transport: Transport | None = None
    _thread: Thread | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """The target's name."""
        return self.channel.name

    @property
    def busy(self) -> bool:
        """Whether an attempt is under way."""
        return self.under_way is not None

    def wants_picture_of(self, frame: str | None) -> bool:
        """Whether a message's picture should follow it."""
        wanted = self.channel.wants_pictures and self.takes_pictures
        return wanted and frame is not None and frame != self.pictured

    def begin(self, outbox: Outbox, row: OutboxRow, message: Message, draw: Draw | None = None) -> None:
        """Start an attempt at a text, or at the picture that `draw` makes; the queue brings its result."""
        self.under_way, self.picture_under_way = row, draw is not None

        def attempt() -> None:
            result = Result(self, outbox, row, self._attempted(message, draw), draw is not None)
            self.results.put(result)
            self.wake()

        self._thread = Thread(target=attempt, name=f"deliver-{self.name}", daemon=True)
        self._thread.start()

    def ended(self) -> None:
        """Note that the attempt under way has come back."""
        self.under_way, self.picture_under_way = None, False
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def abandon(self) -> None:
        """End an attempt under way, and let go of what is kept ready."""
        if self._transport is not None:
            self._transport.abandon()

    def _attempted(self, message: Message, draw: Draw | None) -> Attempt:
        """Make the attempt; whatever happens, it comes back."""
        try:
            if self._transport is None:
                # Each time anew until it can be had: a secret may be mended without a restart.
                self._transport = self.make_transport(self.channel)
            if draw is None:
                return self._transport.send(message)
            return self._picture(self._transport, message, draw())
        except Problem as problem:
            return Attempt(outcome="unreachable", why=str(problem))
        except Exception as error:  # noqa: BLE001 - a dispatcher must come back whatever happens on it
            # Its name only: the text of somebody else's error may hold an address.
            log.error("%s: %s while sending", self.name, type(error).__name__)  # noqa: TRY400
            return Attempt(outcome="failed", why="a mistake of ours")

    def _picture(self, transport: Transport, message: Message, jpeg: bytes | None) -> Attempt:
        if jpeg is None:
            return Attempt(outcome="failed", why="there is none")
        attempt = transport.send_picture(message, jpeg)
        # A service that takes none is not asked again.
        self.takes_pictures = attempt.why != NO_PICTURES
        return attempt
