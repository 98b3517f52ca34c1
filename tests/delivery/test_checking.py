"""Before the night: the channels' check, the test message; and the heartbeat."""

import re
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from sentinel.cli import main
from sentinel.core.clock import SystemClock
from sentinel.core.settings import Channel, Settings
from sentinel.core.settings import Heartbeat as Chosen
from sentinel.service.delivery.checking import check_channels, send_test
from sentinel.service.delivery.heartbeat import HeartbeatPinger
from sentinel.service.delivery.secrets import Secret
from sentinel.service.delivery.transports import Attempt, ServiceTransport
from sentinel.service.delivery.worker import Worker
from tests.delivery.receivers import (
    PASSWORD,
    TOKEN,
    ManualClock,
    free_port,
    http_receiver,
    secret_file,
    settings_for,
    shared,
    wait_for,
)


def with_heartbeat(settings: Settings, reference: str) -> Settings:
    return settings.model_copy(update={"heartbeat": Chosen(url_from=reference)})


def channel(name: str, **values: Any) -> Channel:
    return Channel.model_validate({"name": name, "deadline_s": 60.0} | values)


def test_a_test_message_goes_down_every_channel_and_each_says_what_came_of_it(tmp_path: Path) -> None:
    with http_receiver() as well, http_receiver() as ill, http_receiver() as captive:
        ill.mode = "500"
        captive.mode = "302"
        closed = secret_file(tmp_path, "closed", f"json://127.0.0.1:{free_port()}")
        settings = settings_for(
            channel("phone", url_from=secret_file(tmp_path, "well", well.url), severities=["now"]),
            channel("ill", url_from=secret_file(tmp_path, "ill", ill.url)),
            channel("captive", url_from=secret_file(tmp_path, "captive", captive.url)),
            channel("closed", url_from=closed, called="second"),
            channel("unset", url_from="env:NOT_SET_AT_ALL"),
            channel("siren", command=[sys.executable, "-c", "pass"]),
        )
        results = {one.channel: one for one in send_test(settings, SystemClock(), make_transport=shared)}
    assert [one.title for one in well.got] == ["Test, nothing to do"]
    assert {name: (one.delivered, one.why) for name, one in results.items()} == {
        "phone": (True, ""),
        "ill": (False, "the service is in trouble (500)"),
        "captive": (False, "sent elsewhere (302): a login page in between, or its address has changed"),
        "closed": (False, "connection refused"),
        "unset": (False, "unset: the variable NOT_SET_AT_ALL is not set; set it for the service"),
        "siren": (True, ""),
    }
    assert all(0 <= one.took_s < 60 for one in results.values())


def test_what_is_wrong_with_a_channel_is_said_without_sending(tmp_path: Path) -> None:
    two = f"mailto://127.0.0.1?from=a@camp.test&to=b@camp.test,c@camp.test&pass={PASSWORD}"
    open_file = tmp_path / "open"
    open_file.write_text("json://127.0.0.1")
    open_file.chmod(0o644)
    with http_receiver() as receiver:
        settings = settings_for(
            channel("well", url_from=secret_file(tmp_path, "well", receiver.url)),
            channel("odd", url_from=secret_file(tmp_path, "odd", f"carrier-pigeon://{TOKEN}")),
            channel("two", url_from=secret_file(tmp_path, "two", two)),
            channel("open", url_from=f"file:{open_file}"),
            channel("absent", command=["/no/such/siren"]),
        )
        problems = [str(problem) for problem in check_channels(with_heartbeat(settings, "env:NO_BEAT_URL"))]
        assert receiver.tries == 0
    assert problems == [
        "channel odd: the address is not understood; write it as apprise documents it",
        "channel two: its address names 2 recipients; give each a channel of its own",
        f"channel open: {open_file} can be read by others (mode 644); chmod 600 {open_file}",
        "channel absent: the command '/no/such/siren' is not there; check its path and mode",
        "heartbeat.url_from: the variable NO_BEAT_URL is not set; set it for the service",
    ]


class FakePinger:
    def __init__(self, outcomes: list[str]) -> None:
        self.outcomes, self.pings = outcomes, 0

    def ping(self) -> Attempt:
        self.pings += 1
        outcome = self.outcomes.pop(0) if self.outcomes else "delivered"
        return Attempt(outcome=outcome)  # type: ignore[arg-type]

    def abandon(self) -> None:
        pass


def turned(heart: HeartbeatPinger) -> None:
    heart.turn()
    heart.stop()


def test_it_pings_while_all_is_well_and_is_silent_while_it_is_not() -> None:
    clock, pinger, well = ManualClock(), FakePinger([]), [True]
    chosen = Chosen(url_from="env:BEAT", every_min=5)
    heart = HeartbeatPinger(chosen, clock, lambda: well[0], make_pinger=lambda _: pinger)
    for _ in range(20):
        turned(heart)
        clock.pass_s(60)
    assert pinger.pings == heart.sent == 4
    well[0] = False
    clock.pass_s(3600)
    turned(heart)
    assert pinger.pings == 4
    well[0] = True
    turned(heart)
    assert pinger.pings == 5


def test_a_ping_that_does_not_get_through_is_tried_again_soon() -> None:
    clock, pinger = ManualClock(), FakePinger(["unreachable", "doubtful"])
    heart = HeartbeatPinger(Chosen(url_from="env:B"), clock, lambda: True, make_pinger=lambda _: pinger)
    for _ in range(7):
        turned(heart)
        clock.pass_s(15)
    assert (pinger.pings, heart.sent) == (3, 1)


def test_without_an_address_there_is_no_heartbeat() -> None:
    heart = HeartbeatPinger(Chosen(), ManualClock(), lambda: pytest.fail("was asked"))
    turned(heart)


def test_a_real_ping_reaches_a_real_receiver(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        url = f"http://127.0.0.1:{receiver.port}/{TOKEN}"
        reference = secret_file(tmp_path, "beat", url)
        heart = HeartbeatPinger(Chosen(url_from=reference), ManualClock(), lambda: True)
        heart.turn()
        wait_for(lambda: receiver.pings == 1)
        heart.stop()
        assert heart.sent == 1


class SlowPinger(FakePinger):
    """One whose way hangs until it is let go of."""

    def __init__(self) -> None:
        super().__init__([])
        self.let_go = threading.Event()

    def ping(self) -> Attempt:
        self.let_go.wait(30)
        return Attempt(outcome="doubtful")

    def abandon(self) -> None:
        self.let_go.set()


def test_no_ping_goes_on_when_the_watch_has_ended() -> None:
    clock, pinger = ManualClock(), SlowPinger()
    heart = HeartbeatPinger(Chosen(url_from="env:B"), clock, lambda: True, make_pinger=lambda _: pinger)
    worker = Worker(None, settings_for(), clock, heartbeat=heart)
    worker.turn()
    assert not pinger.let_go.is_set()
    worker.stop(patience_s=0.1)
    assert pinger.let_go.is_set(), "it would say that a watch that is no more is at work"
    assert heart.sent == 0


class Joined(threading.Thread):
    """A thread that ends when it is waited for, and keeps how long it was waited for."""

    def __init__(self, heart: HeartbeatPinger) -> None:
        super().__init__()
        self.waits_s: list[float | None] = []
        heart._thread = self

    def is_alive(self) -> bool:
        return len(self.waits_s) < 3

    def join(self, timeout: float | None = None) -> None:
        self.waits_s.append(timeout)


def test_a_ping_under_way_is_waited_for_as_long_as_it_may_take_and_then_let_go_of() -> None:
    heart = HeartbeatPinger(Chosen(), ManualClock(), lambda: True)
    thread = Joined(heart)
    heart.stop()
    # A minute is what a ping may take; then it is ended, more than once.
    assert thread.waits_s == [60.0, 0.1, 0.1]


@pytest.mark.parametrize(("host", "arrives"), [("localhost", False), ("127.0.0.1", True)])
def test_a_ping_that_is_sent_to_another_host_has_not_arrived(host: str, arrives: bool) -> None:
    with http_receiver() as receiver:
        receiver.mode = "302"
        # The receiver names 127.0.0.1 as the place to go to.
        way = ServiceTransport(Secret(f"http://{host}:{receiver.port}/{TOKEN}"), deadline_s=60.0)
        attempt = way.ping()
        way.abandon()
    said = "sent elsewhere (302): a login page in between, or its address has changed"
    assert (attempt.delivered, attempt.why) == ((True, "") if arrives else (False, said))


def test_the_command_says_which_arrived_and_how_long_it_took(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    with http_receiver() as receiver:
        reference = secret_file(tmp_path, "url", receiver.url)
        config = tmp_path / "config.yaml"
        config.write_text(
            "site: {latitude_deg: 70, longitude_deg: 31}\ncamera: {focal_length_mm: 400, pixel_pitch_um: 4}\n"
            f"frames: {{folder: {frames}}}\nstate: {{folder: {tmp_path / 'state'}}}\n"
            f"channels:\n  - {{name: phone, url_from: '{reference}'}}\n"
            "  - {name: siren, command: ['false'], severities: [now]}\n"
        )
        monkeypatch.setattr("sys.argv", ["sentinel", "check", "--config", str(config), "--send-test"])
        with pytest.raises(SystemExit) as ended:
            main()
    assert ended.value.code == 1
    out, err = capsys.readouterr()
    assert re.search(r"^test message: phone: arrived, \d+\.\d s$", out, re.MULTILINE)
    assert re.search(
        r"^test message: siren: did not arrive \(ended with status 1\), \d+\.\d s$", err, re.MULTILINE
    )
    assert [one.title for one in receiver.got] == ["config: Test, nothing to do"]
    assert TOKEN not in out + err
