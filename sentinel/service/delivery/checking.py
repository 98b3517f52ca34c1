"""Before the night: whether the channels are what they should be, and a message down each arrives."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from shutil import which

from sentinel.chain.notify.sending import Message
from sentinel.core.clock import Clock
from sentinel.core.errors import Problem, RequestProblem
from sentinel.core.records import Severity
from sentinel.core.settings import Channel, Settings
from sentinel.core.times import format_utc
from sentinel.core.words import opened
from sentinel.service.delivery.dispatcher import MakeTransport, transport_for
from sentinel.service.delivery.secrets import resolve
from sentinel.service.delivery.sending_process import SendingProcess
from sentinel.service.delivery.transports import Attempt, ServiceTransport, Transport


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelTest:
    """What became of one channel's test message."""

    channel: str
    delivered: bool
    why: str
    """What is wrong; empty where nothing is."""
    took_s: float


def check_channels(settings: Settings) -> tuple[RequestProblem, ...]:
    """Return what is wrong with the channels and the heartbeat, without sending anything."""
    # One process for all: only starting it takes time.
    process = SendingProcess()
    found = [problem for channel in settings.channels if (problem := _wrong(channel, process)) is not None]
    process.end()
    reference = settings.heartbeat.url_from
    if reference is not None:
        try:
            resolve(reference, where="heartbeat.url_from")
        except RequestProblem as problem:
            found.append(problem)
    return tuple(found)


def _wrong(channel: Channel, process: SendingProcess) -> RequestProblem | None:
    where = f"channel {channel.name}"
    if channel.command is not None:
        if which(channel.command[0]) is None:
            return RequestProblem(
                f"the command {channel.command[0]!r} is not there",
                where=where,
                mend="check its path and mode",
            )
        return None
    assert channel.url_from is not None  # noqa: S101 - the settings saw to it
    try:
        url = resolve(channel.url_from, where=where)
    except RequestProblem as problem:
        return problem
    attempt = ServiceTransport(url, deadline_s=20.0, process=process).inspect()
    if not attempt.delivered:
        return RequestProblem(attempt.why, where=where, mend="write it as apprise documents it")
    recipients = int((attempt.details or {}).get("recipients", 1))
    if recipients > 1:
        # One of them failing would have the message repeated to all.
        return RequestProblem(
            f"its address names {recipients} recipients", where=where, mend="give each a channel of its own"
        )
    return None


def send_test(
    settings: Settings, clock: Clock, *, make_transport: MakeTransport = transport_for
) -> tuple[ChannelTest, ...]:
    """Send one test message down every channel, all at once; return the results in the settings' order.

    Returns when the last has come back, which takes no longer than the longest patience of a channel.
    """
    text = f"Test of this channel at {format_utc(clock.now_utc())}. Nothing is wrong; nothing to do."
    title = opened(settings.camera.name, "Test, nothing to do")
    message = Message(title=title, body=text, severity=Severity.NOTE)

    def tried(channel: Channel) -> ChannelTest:
        begin_s = clock.monotonic_s()
        attempt = _attempt(lambda: make_transport(channel), message)
        took_s = clock.monotonic_s() - begin_s
        return ChannelTest(
            channel=channel.name, delivered=attempt.delivered, why=attempt.why, took_s=round(took_s, 3)
        )

    if not settings.channels:
        return ()
    with ThreadPoolExecutor(len(settings.channels)) as pool:
        return tuple(pool.map(tried, settings.channels))


def _attempt(make: Callable[[], Transport], message: Message) -> Attempt:
    try:
        transport = make()
        attempt = transport.send(message)
        transport.abandon()
    except Problem as problem:
        return Attempt(outcome="failed", why=str(problem))
    return attempt
