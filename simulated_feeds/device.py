"""One logger's connection to a broker: its last will, its link, its messages."""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
import time
from dataclasses import dataclass
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

logger = logging.getLogger(__name__)

ANSWER_WITHIN_S = 10.0
FLUSH_WITHIN_S = 5.0
IN_FLIGHT = 50  # small brokers stall on more
WAITING_MOST = 500  # messages of one device without acknowledgement, before it waits
KEEPALIVE_S = 60
PORTS = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAddress:
    """Where to publish, and as whom."""

    host: str
    port: int
    tls: bool
    user: str | None = None
    password: str | None = None

    @classmethod
    def parse(cls, url: str, user: str | None = None, password: str | None = None) -> BrokerAddress:
        """From `mqtt://HOST:PORT` or `mqtts://HOST:PORT`; the port may be left out."""
        parts = urlsplit(url)
        if parts.scheme not in PORTS or not parts.hostname:
            raise ValueError(f"broker must be like mqtt://HOST:PORT or mqtts://HOST:PORT; got {url!r}")
        return cls(host=parts.hostname, port=parts.port or PORTS[parts.scheme], tls=parts.scheme == "mqtts",
                   user=user, password=password)


class Device:
    """One unit's logger at a broker.

    Parameters
    ----------
    address : BrokerAddress
    cabin, unit : str
        Slugs; they make the topics and the client's id.
    """

    def __init__(self, address: BrokerAddress, cabin: str, unit: str) -> None:
        self.topic = f"tarnlight/{cabin}/{unit}"
        self._address = address
        self._answered = threading.Event()
        self._refusal = ""
        self._acknowledged = threading.Condition()
        self._waiting = 0  # messages that the broker has not acknowledged
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"logger-{cabin}-{unit}", protocol=mqtt.MQTTv311)
        self._client.will_set(f"{self.topic}/link", "down", qos=1, retain=True)
        self._client.max_inflight_messages_set(IN_FLIGHT)
        self._client.reconnect_delay_set(1, 30)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._client.on_disconnect = self._on_disconnect
        self._client.on_connect_fail = lambda *_: None  # paho tries again by itself
        if address.user:
            self._client.username_pw_set(address.user, address.password)
        if address.tls:
            self._client.tls_set()
        self.linked = False

    def _on_connect(self, _client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode,
                    _properties: object) -> None:
        self._refusal = str(reason) if reason.is_failure else ""
        if not self._refusal:
            self._send(f"{self.topic}/link", "up", retain=True)
        self._answered.set()

    def _on_publish(self, *_: object) -> None:
        with self._acknowledged:
            self._waiting -= 1
            self._acknowledged.notify_all()

    def _on_disconnect(self, _client: mqtt.Client, _userdata: object, _flags: object,
                       reason: ReasonCode, _properties: object) -> None:
        if reason.is_failure:
            logger.warning("%s: connection lost: %s", self.topic, reason)

    def _send(self, topic: str, payload: str, *, retain: bool) -> None:
        with self._acknowledged:
            self._waiting += 1
        self._client.publish(topic, payload, qos=1, retain=retain)  # unconnected, paho keeps it for later

    def link(self) -> None:
        """Connect, with `down` as last will, and say `up`.

        Raises
        ------
        ConnectionError
            If the broker is not there, does not answer, or refuses.
        """
        where = f"broker {self._address.host}:{self._address.port}"
        self._answered.clear()
        try:
            self._client.connect(self._address.host, self._address.port, keepalive=KEEPALIVE_S)
        except OSError as error:
            raise ConnectionError(f"{where} cannot be reached: {error}") from error
        self._client.loop_start()
        if not self._answered.wait(ANSWER_WITHIN_S) or self._refusal:
            self._client.loop_stop()
            raise ConnectionError(f"{where} {self._refusal or f'gave no answer in {ANSWER_WITHIN_S:g} s'}")
        self.linked = True

    def publish(self, payload: str) -> None:
        """One message to the log, at least once; waits where too many are not yet acknowledged."""
        self._send(f"{self.topic}/log", payload, retain=False)
        if self._waiting >= WAITING_MOST:
            self.flush()

    def relink(self) -> None:
        """The link is back: connect as soon as the broker answers; messages wait until then."""
        self._client.connect_async(self._address.host, self._address.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()
        self.linked = True

    def flush(self) -> bool:
        """Whether all messages were acknowledged within a few seconds; without a connection it does not wait."""
        until = time.monotonic() + FLUSH_WITHIN_S
        with self._acknowledged:
            while self._waiting and self._client.is_connected() and time.monotonic() < until:
                self._acknowledged.wait(0.2)
            return self._waiting == 0

    def lose(self) -> None:
        """The link breaks: no goodbye, so that the broker publishes the last will."""
        self.flush()
        self._client.loop_stop()
        taken = self._client.socket()
        if isinstance(taken, socket.socket):
            with contextlib.suppress(OSError):
                taken.shutdown(socket.SHUT_RDWR)
        self.linked = False

    def close(self) -> None:
        """Say `down`, and goodbye."""
        if not self.linked:
            return
        self.flush()
        if self._client.is_connected():
            self._send(f"{self.topic}/link", "down", retain=True)
            self.flush()
        self._client.disconnect()
        self._client.loop_stop()
        self.linked = False
        if self._waiting:
            logger.warning("%s: %d messages were not acknowledged", self.topic, self._waiting)
