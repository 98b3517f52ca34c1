"""A real MQTT broker: what arrives, in what order, and what a broker that is away costs."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sentinel.core.records import Severity
from sentinel.core.settings import Channel
from tests.delivery.receivers import (
    PATIENCE_S,
    ManualClock,
    alert,
    mqtt_broker,
    secret_file,
    session,
    settings_for,
    settle,
    turning,
    wait_for,
)

mqtt = pytest.importorskip("paho.mqtt.client", reason="paho-mqtt is not installed")


@contextmanager
def listener(port: int, topic: str) -> Iterator[list[str]]:
    got: list[str] = []
    ready = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: got.append(message.payload.decode())
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.subscribe(topic, qos=1)
    client.loop_start()
    try:
        assert ready.wait(PATIENCE_S)
        yield got
    finally:
        client.disconnect()
        client.loop_stop()


def test_a_broker_gets_every_message_once_with_the_gravest_first(tmp_path: Path) -> None:
    clock = ManualClock()
    with mqtt_broker(tmp_path) as port:
        url = secret_file(tmp_path, "url", f"mqtt://127.0.0.1:{port}/camp?qos=1")
        channel = Channel(name="broker", url_from=url, deadline_s=60)
        with (
            listener(port, "camp") as got,
            session(tmp_path, settings_for(channel)) as one,
            turning(one, clock) as worker,
        ):
            one.commit(
                alert("Card full in 11 h", condition="supply", severity=Severity.SOON),
                alert("MOUNT STOPPED: go now"),
                alert("Disk full in 1 h", condition="storage"),
            )
            for _ in range(6):
                settle(worker)
            assert one.states() == {("broker", "delivered"): 3}
            wait_for(lambda: len(got) >= 3)
    assert [text.splitlines()[0] for text in got] == [
        "MOUNT STOPPED: go now",
        "Disk full in 1 h",
        "Card full in 11 h",
    ]


def test_a_broker_that_is_away_is_tried_again(tmp_path: Path) -> None:
    clock = ManualClock()
    with mqtt_broker(tmp_path) as port:
        url = secret_file(tmp_path, "url", f"mqtt://127.0.0.1:{port}/camp?qos=1")
    channel = Channel(name="broker", url_from=url, deadline_s=60)
    with session(tmp_path, settings_for(channel)) as one, turning(one, clock) as worker:
        one.commit(alert())
        settle(worker)
        assert one.states() == {("broker", "waiting"): 1}
        assert one.troubles() == {"broker": "connection refused"}
