"""The worker and a real web service on the loopback interface, well and ill."""

from pathlib import Path

import pytest

from sentinel.settings import Channel
from tests.delivery.receivers import (
    HttpReceiver,
    ManualClock,
    alert,
    http_receiver,
    secret_file,
    session,
    settings_for,
    settle,
    turning,
)


def phone(folder: Path, receiver: HttpReceiver, **changes: object) -> Channel:
    values: dict[str, object] = {"name": "phone", "deadline_s": 1.0} | changes
    return Channel.model_validate(values | {"url_from": secret_file(folder, "url", receiver.url)})


def test_a_message_arrives_once_and_is_known_to_have(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        settings = settings_for(phone(tmp_path, receiver))
        with session(tmp_path, settings) as one, turning(one, ManualClock()) as worker:
            one.commit(alert())
            settle(worker)
            settle(worker)
            assert one.states() == {("phone", "delivered"): 1}
    (got,) = receiver.got
    assert (got.title, got.body, got.kind) == (alert().title, alert().body, "failure")


@pytest.mark.parametrize("mode", ["429", "500", "404", "slam", "half"])
def test_what_a_service_did_not_take_is_sent_again(tmp_path: Path, mode: str) -> None:
    clock = ManualClock()
    with http_receiver() as receiver:
        receiver.mode = mode
        settings = settings_for(phone(tmp_path, receiver))
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
