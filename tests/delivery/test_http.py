"""The worker and a real web service on the loopback interface, well and ill."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from sentinel.core.records import Severity
from sentinel.core.settings import Channel
from sentinel.service.delivery.sender import Evidence, judged
from sentinel.service.delivery.sending_process import SendingProcess
from tests.delivery.receivers import (
    T0,
    TOKEN,
    HttpReceiver,
    ManualClock,
    alert,
    free_port,
    http_receiver,
    incident,
    secret_file,
    session,
    settings_for,
    settle,
    turning,
)


def channel(folder: Path, receiver: HttpReceiver, name: str = "phone", **changes: Any) -> Channel:
    values: dict[str, Any] = {"name": name, "deadline_s": 60.0} | changes
    return Channel.model_validate(values | {"url_from": secret_file(folder, name, receiver.url)})


def test_a_message_arrives_once_and_is_known_to_have(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        settings = settings_for(channel(tmp_path, receiver))
        with session(tmp_path, settings) as one, turning(one, ManualClock()) as worker:
            one.commit(alert())
            settle(worker)
            settle(worker)
            assert one.states() == {("phone", "delivered"): 1}
    (got,) = receiver.got
    assert (got.title, got.body, got.kind) == (alert().title, alert().body, "failure")


@pytest.mark.parametrize("mode", ["429", "500", "404", "301", "302", "303", "307", "308", "slam", "half"])
def test_what_a_service_did_not_take_is_sent_again(tmp_path: Path, mode: str) -> None:
    clock = ManualClock()
    with http_receiver() as receiver:
        receiver.mode = mode
        settings = settings_for(channel(tmp_path, receiver))
        with session(tmp_path, settings) as one, turning(one, clock) as worker:
            one.commit(alert())
            for _ in range(4):
                settle(worker)
                clock.pass_s(30)
            assert one.states() == {("phone", "waiting"): 1}
            # Not hammered: backing off leaves no more than an attempt every few seconds, then fewer.
            assert 2 <= receiver.tries <= 4
            receiver.mode = "fine"
            clock.pass_s(900)
            settle(worker)
            assert one.states() == {("phone", "delivered"): 1}
    assert receiver.titles() == ["Late, of 03:01Z: MOUNT STOPPED: go now"]
    # Only where it may have arrived does the message say so.
    assert ("You may have had this before" in receiver.got[-1].body) is (mode in {"slam", "half"})


@pytest.mark.parametrize(
    ("status", "outcome"),
    [(200, "failed"), (302, "unreachable"), (404, "failed"), (413, "failed"), (429, "unreachable"),
     (500, "unreachable"), (503, "unreachable")],
)  # fmt: skip
def test_a_service_in_trouble_says_nothing_of_the_message(status: int, outcome: str) -> None:
    """As DEVELOPERS has it: 429 and 5xx are out of reach; what it refuses, it refuses this message."""
    evidence = Evidence()
    evidence.status = status
    assert judged(evidence)["outcome"] == outcome


def test_a_way_that_sends_messages_elsewhere_says_so(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        receiver.mode = "302"
        settings = settings_for(channel(tmp_path, receiver))
        with session(tmp_path, settings) as one, turning(one, ManualClock()) as worker:
            one.commit(alert())
            settle(worker)
            said = one.troubles()["phone"]
    assert said == "sent elsewhere (302): a login page in between, or its address has changed"


def test_an_answer_that_drips_for_ever_counts_as_arrived(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        receiver.mode = "drip"
        settings = settings_for(channel(tmp_path, receiver, deadline_s=1.0))
        with session(tmp_path, settings) as one, turning(one, ManualClock()) as worker:
            one.commit(alert())
            settle(worker)
            settle(worker)
            assert one.states() == {("phone", "delivered"): 1}
        assert receiver.tries == 1


@pytest.mark.slow
def test_a_service_that_hangs_is_cut_off_and_asked_again_ever_more_rarely(tmp_path: Path) -> None:
    clock = ManualClock()
    with http_receiver() as receiver:
        receiver.mode = "hang"
        settings = settings_for(channel(tmp_path, receiver, deadline_s=1.0))
        with session(tmp_path, settings) as one, turning(one, clock) as worker:
            one.commit(alert(severity=Severity.SOON))
            for _ in range(4):
                settle(worker)
                clock.pass_s(200)
            assert receiver.tries == 3
            receiver.mode = "fine"
            # Another message gets through; so the link is up, and what hung is due at once.
            one.commit(alert("Disk full in 11 h", condition="storage"), now_utc=clock.now)
            settle(worker)
            assert one.states() == {("phone", "delivered"): 2}
    assert sorted(title.split(": ")[-1] for title in receiver.titles()) == ["Disk full in 11 h", "go now"]


def test_a_name_that_does_not_resolve_and_a_port_that_refuses_are_no_fault_of_the_message(
    tmp_path: Path,
) -> None:
    nowhere = Channel(
        name="nowhere", url_from=secret_file(tmp_path, "a", "json://no-such-host.invalid/x"), deadline_s=5
    )
    closed = Channel(
        name="closed", url_from=secret_file(tmp_path, "b", f"json://127.0.0.1:{free_port()}/x"), deadline_s=5
    )
    with session(tmp_path, settings_for(nowhere, closed)) as one, turning(one, ManualClock()) as worker:
        one.commit(alert())
        settle(worker)
        assert one.states() == {("nowhere", "waiting"): 1, ("closed", "waiting"): 1}
        assert one.troubles() == {"nowhere": "name not resolved", "closed": "connection refused"}


def test_one_target_failing_never_repeats_another(tmp_path: Path) -> None:
    clock = ManualClock()
    with http_receiver() as ill, http_receiver() as well:
        ill.mode = "500"
        settings = settings_for(channel(tmp_path, ill, "ill"), channel(tmp_path, well, "well"))
        with session(tmp_path, settings) as one, turning(one, clock) as worker:
            one.commit(alert())
            for _ in range(6):
                settle(worker)
                clock.pass_s(300)
            assert one.states() == {("ill", "waiting"): 1, ("well", "delivered"): 1}
        assert len(well.got) == 1
        assert len(ill.got) >= 4


def test_after_twelve_hours_without_a_link_nothing_is_lost_nothing_doubled_and_now_comes_first(
    tmp_path: Path,
) -> None:
    clock, port = ManualClock(), free_port()
    hours = 12
    with http_receiver(port) as receiver:
        settings = settings_for(channel(tmp_path, receiver))
    with session(tmp_path, settings) as one, turning(one, clock) as worker:
        for minute in range(0, hours * 60, 5):
            if minute % 30 == 0:
                severity = Severity.NOW if minute % 120 == 60 else Severity.SOON
                condition, title = f"thing-{minute}", f"Trouble {minute:03}"
                one.commit(alert(title, condition=condition, severity=severity, time_utc=clock.now),
                           now_utc=clock.now)  # fmt: skip
            if minute == 400:
                # One that came and went: it opens at 390 and is over, with its all-clear, at 400.
                one.commit(
                    alert("Over: 390", kind="clear", condition="thing-390", severity=Severity.NOTE,
                          answers=Severity.SOON, time_utc=clock.now),
                    incidents=[incident("thing-390", "cleared", clock.now)], now_utc=clock.now,
                )  # fmt: skip
            settle(worker)
            clock.pass_s(300)
        with http_receiver(port) as receiver:
            for _ in range(20):
                settle(worker)
                clock.pass_s(60)
            assert one.open_rows() == 0
            titles = [title.split("Z: ")[-1] for title in receiver.titles()]
            # A link that is back is used at once: a minute or two, not a quarter of an hour, and in order.
            assert len(titles) == len(set(titles)) == 24
            nows = [f"Trouble {minute:03}" for minute in range(60, 720, 120)]
            soons = [f"Trouble {minute:03}" for minute in range(0, 720, 30) if minute % 120 != 60]
            soons.remove("Trouble 390")
            assert titles == [*nows, *soons, "Over: 390"]
            assert all(one.title.startswith("Late, of ") for one in receiver.got)
    assert clock.now == T0 + timedelta(hours=12, minutes=20)


def test_repeats_that_piled_up_without_a_link_are_one_message(tmp_path: Path) -> None:
    clock, port = ManualClock(), free_port()
    with http_receiver(port) as receiver:
        settings = settings_for(channel(tmp_path, receiver))
    with session(tmp_path, settings) as one, turning(one, clock) as worker:
        one.commit(alert())
        for repeat in range(1, 6):
            clock.pass_s(900)
            one.commit(alert(f"STILL {repeat}", kind="repeat", repeat=repeat, time_utc=clock.now))
            settle(worker)
        with http_receiver(port) as receiver:
            clock.pass_s(120)
            settle(worker)
            assert one.open_rows() == 0
            assert [title.split("Z: ")[-1] for title in receiver.titles()] == ["STILL 5"]


@pytest.mark.slow
def test_a_thousand_messages_in_an_hour_arrive_in_order_with_now_ahead(tmp_path: Path) -> None:
    clock = ManualClock()
    with http_receiver() as receiver:
        settings = settings_for(channel(tmp_path, receiver))
        with session(tmp_path, settings) as one, turning(one, clock) as worker:
            for number in range(1000):
                severity = Severity.NOW if number % 10 == 0 else Severity.NOTE
                one.commit(
                    alert(f"{number:04}", condition=f"c{number}", severity=severity, time_utc=clock.now),
                    now_utc=clock.now,
                )
                worker.turn()
                clock.pass_s(3.6)
            for _ in range(5000):
                settle(worker)
                if one.open_rows() == 0:
                    break
            titles = [title.split("Z: ")[-1] for title in receiver.titles()]
    assert sorted(titles) == [f"{number:04}" for number in range(1000)]
    nows = [title for title in titles if title.endswith("0")]
    rest = [title for title in titles if not title.endswith("0")]
    assert nows == sorted(nows)
    assert rest == sorted(rest)


def test_what_a_library_prints_is_no_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sitecustomize.py").write_text(
        "import urllib.request as library\n"
        "made = library.build_opener\n"
        "def noisy(*handlers):\n"
        "    print('nobody asked for this')\n"
        "    return made(*handlers)\n"
        "library.build_opener = noisy\n",
        encoding="utf-8",
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path), prepend=os.pathsep)
    process = SendingProcess()
    with http_receiver() as receiver:
        ping = {"kind": "ping", "url": f"http://127.0.0.1:{receiver.port}/{TOKEN}", "deadline_s": 20.0}
        answer = process.ask(ping, patience_s=20.0)
    process.end()
    assert answer == {"outcome": "delivered", "why": ""}
