"""The watch's state for home and observatory automation, kept by an MQTT broker.

Two retained topics a camera: `TOPIC/CAMERA/watch` is `online` or `offline`, the latter also as the last will
that the broker tells when the watch is gone without a word; `TOPIC/CAMERA/state` is a JSON object, told when
something in it changes. The library's own thread connects, and again after each loss: nothing waits for it.
"""

import json
import logging
import re
import ssl
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import SplitResult, unquote, urlsplit

from sentinel.core.errors import RequestProblem, need_extra
from sentinel.core.monitoring import Mqtt
from sentinel.service.delivery.secrets import resolve
from sentinel.service.journal.codec import plain
from sentinel.service.status.several import CameraNews, need_of
from sentinel.service.status.standing import Standing

if TYPE_CHECKING:
    from paho.mqtt.client import Client

log = logging.getLogger(__name__)

KEEPALIVE_S = 30
"""After one and a half times as long without a word the broker tells the last will."""
RETRY_S = 120
"""Between two attempts to connect, at the most."""
ONLINE, OFFLINE = "online", "offline"
_PORTS = {"mqtt": 1883, "mqtts": 8883}


def state_json(s: Standing) -> dict[str, Any]:
    """Return what is told of a camera: nothing that changes by itself, no place and no text of a message."""
    head = s.headline(s.written_utc)
    return {
        "camera": s.camera,
        "need": need_of(CameraNews(where="", standing=s), s.written_utc).name.lower(),
        "leave_until_utc": plain(head.until_utc),
        "leave_reason": head.reason,
        "set_off_utc": plain(head.set_off_utc),
        "open": [
            {"condition": t.condition, "severity": t.severity.value, "since_utc": plain(t.since_utc)}
            for t in s.troubles
        ],
        "folder": s.folder,
        "messages_waiting": s.messages.waiting > 0,
    }


class StatePublisher:
    """Tells a broker how the watch stands.

    `chosen`: where the broker's address stands, and under which topic.
    Raises `RequestProblem` if the extra is not installed, or the address is not where the settings say, or is
    none.
    """

    def __init__(self, chosen: Mqtt, camera: str | None) -> None:
        assert chosen.url_from is not None  # noqa: S101 - the caller saw to it
        address = _address(resolve(chosen.url_from, where="mqtt.url_from").reveal())
        # What cuts topics apart, or stands for any of them, is no part of a name.
        name = re.sub(r"[+#/\s]+", "-", camera or "camera")
        base = f"{chosen.topic}/{name}"
        self._watch, self._state = f"{base}/watch", f"{base}/state"
        self._told: str | None = None
        self._trouble = ""
        self._client = self._made(address)

    def _made(self, address: SplitResult) -> "Client":
        need_extra("mqtt", where="mqtt.url_from", instead="take the setting out")
        from paho.mqtt.client import Client  # noqa: PLC0415 - an extra
        from paho.mqtt.enums import CallbackAPIVersion  # noqa: PLC0415

        client = Client(CallbackAPIVersion.VERSION2)
        if address.username:
            client.username_pw_set(unquote(address.username), unquote(address.password or ""))
        if address.scheme == "mqtts":
            client.tls_set_context(ssl.create_default_context())
        client.will_set(self._watch, OFFLINE, qos=1, retain=True)
        client.reconnect_delay_set(1, RETRY_S)
        client.on_connect, client.on_connect_fail = self._connected, self._failed
        client.connect_async(address.hostname or "", address.port or _PORTS[address.scheme], KEEPALIVE_S)
        return client

    def start(self) -> None:
        """Begin to connect; how long that takes keeps nobody waiting."""
        self._client.loop_start()

    def tell(self, standing: Standing, now_utc: datetime) -> None:
        """Tell how it stands, where that is not what was told last."""
        del now_utc
        told = json.dumps(state_json(standing), ensure_ascii=False)
        if told != self._told:
            self._told = told
            # What changes while there is no broker is told when there is one: the last of it, not all.
            if self._client.is_connected():
                self._publish(self._client, self._state, told)

    @staticmethod
    def _publish(client: "Client", topic: str, text: str) -> None:
        # Not acknowledged: what is, the library sends again after a loss, later than what has come since. All
        # is told anew with each connection anyway.
        client.publish(topic, text, qos=0, retain=True)

    def stop(self) -> None:
        """Say that the watch ends, and end."""
        if self._client.is_connected():
            # A broker that went a moment ago says the same by the last will.
            with suppress(RuntimeError):
                self._client.publish(self._watch, OFFLINE, qos=1, retain=True).wait_for_publish(2)
        self._client.disconnect()
        self._client.loop_stop()

    # On the library's thread.

    def _connected(self, client: "Client", data: Any, flags: Any, reason: Any, properties: Any) -> None:
        del data, flags, properties
        if reason.is_failure:
            self._note(f"refuses the connection ({reason})")
            return
        self._trouble = ""
        log.info("the MQTT broker is told how things stand")
        self._publish(client, self._watch, ONLINE)
        if self._told is not None:
            self._publish(client, self._state, self._told)

    def _failed(self, client: "Client", data: Any) -> None:
        del client, data
        self._note("cannot be reached")

    def _note(self, trouble: str) -> None:
        if trouble != self._trouble:
            log.warning("the MQTT broker %s; it is tried again", trouble)
        self._trouble = trouble


def _address(text: str) -> SplitResult:
    """Return a broker's address; what is wrong with it is told without repeating any of it."""
    try:
        address = urlsplit(text)
        fine = address.scheme in _PORTS and bool(address.hostname) and address.port != 0
    except ValueError:
        fine = False
    if not fine:
        raise RequestProblem(
            "holds no broker's address", where="mqtt.url_from", mend="write mqtt://HOST or mqtts://HOST"
        )
    return address
