"""The MQTT side of the collector: a persistent session whose messages are acknowledged by hand."""

from __future__ import annotations

import contextlib
import logging
import queue
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

import paho.mqtt.client as paho

from ingest.db.intake import Message
from ingest.settings import Settings
from ingest.wire.broker_look import reach
from ingest.wire.fair_queue import FairQueue
from ingest.wire.mqtt_client import DOWN, ECHO, TOPICS, UP, connect_args, make_client
from ingest.wire.sessions import Connection, client_id
from models.counterpart import Place

logger = logging.getLogger(__name__)

MOST_IN_FLIGHT = 20_000
_FROM_OTHER = [topic.split("/")[2:] for topic in (*UP, *DOWN)]


class Subscription:
    """What the broker has for the collector, in batches, each acknowledged when its rows are committed."""

    def __init__(
        self, settings: Settings, now: Callable[[], datetime], basis_s: Callable[[], float] = lambda: 0.0
    ) -> None:
        self._settings, self._now, self._basis_s = settings, now, basis_s
        self._queue = FairQueue()
        self._made: queue.SimpleQueue[Connection] = queue.SimpleQueue()
        self._told: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self.connected = False
        self._connection = 0
        self._also: dict[str, int] = {}  # other topics of units, and at which quality of service
        self._echo, self._echoed = b"", False
        self.trouble = "not connected yet"
        self._client = make_client(settings, client_id(settings), persistent=True)
        self._client.manual_ack_set(True)
        self._client.max_inflight_messages_set(MOST_IN_FLIGHT)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Connect in the background and keep trying."""
        args = connect_args(self._settings)
        self._client.connect_async(**args)
        self._client.loop_start()

    def stop(self) -> None:
        """Leave; the broker keeps the session and queues what comes."""
        self._client.disconnect()
        self._client.loop_stop()

    def also(self, filters: Mapping[str, bool]) -> None:
        """Topics of units beside their logs, and whether what comes there bears its own time.

        What bears none is asked for at QoS 0: a broker keeps nothing of it while we are away, for it would come as
        if it were of now.
        """
        before, wanted = self._also, {topic: 1 if timed else 0 for topic, timed in filters.items()}
        self._also = wanted  # first: a connection that is made just now subscribes to these
        if self.connected:
            if gone := [topic for topic in before if topic not in wanted]:
                self._client.unsubscribe(gone)
            if new := [(topic, qos) for topic, qos in wanted.items() if before.get(topic) != qos]:
                self._client.subscribe(new)

    def batch(self, wait_s: float) -> list[Message]:
        """What came, of all topics in turn; empty if nothing in `wait_s`."""
        return self._queue.batch(wait_s)

    @property
    def waiting(self) -> int:
        """How many messages came and are in no batch yet."""
        return self._queue.waiting

    def connections(self) -> list[Connection]:
        """Connections made since the last call; those whose messages a batch already has are among them."""
        out: list[Connection] = []
        with contextlib.suppress(queue.Empty):
            while True:
                out.append(self._made.get_nowait())
        return out

    def told(self, most: int, most_bytes: int) -> list[Message]:
        """What cabins' other collectors told since the last call, in its order, up to so many and so much."""
        out: list[Message] = []
        size = 0
        with contextlib.suppress(queue.Empty):
            while len(out) < most and size < most_bytes:
                out.append(self._told.get_nowait())
                size += len(out[-1].payload)
        return out

    def acknowledge(self, messages: list[Message]) -> None:
        """Tell the broker that these are ours now: only after their rows are committed.

        What an earlier connection brought is left out: the broker sends it again, perhaps under another number, and
        the old number may by now be that of a message which is not committed.
        """
        for message in messages:
            if message.qos and message.connection == self._connection:
                self._client.ack(message.mid, message.qos)

    def publish(self, topic: str, payload: str, *, retain: bool) -> Callable[[], bool]:
        """Publish at QoS 1; whether the broker has it can be asked of what this returns."""
        return self._client.publish(topic, payload, qos=1, retain=retain).is_published

    def echo(self, text: str) -> dict[str, Any]:
        """Publish a text to ourselves, once; whether it has come back, and whether messages wait before it.

        Only where somebody asks, and at QoS 0: a broker may cut off who writes what it may not (Debian's mosquitto
        2.0.11 does where its queue has no limit), and what is not acknowledged would be sent again at each one.
        """
        if self._echo != text.encode():
            self._echo, self._echoed = text.encode(), False
            self._client.subscribe(ECHO, 1)
            self._client.publish(ECHO, self._echo, qos=0)
        return {"heard": self._echoed, "waits": self.waiting > 0 or not self.connected}

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self.connected, self.trouble = False, f"the broker refused the connection: {reason}"
            logger.warning("broker refused the connection: %s", reason)
            return
        self._connection += 1
        self._made.put(Connection(self._now(), bool(flags.session_present)))  # before any message of it is queued
        others = DOWN if Place(self._settings.place) is Place.CABIN else UP
        self.connected, self.trouble = True, ""
        client.subscribe([*((topic, 1) for topic in (*TOPICS, *others)), *self._also.items()])
        logger.info("connected to the broker at %s", self._settings.broker)

    def _on_disconnect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if self.connected:  # else what kept us from it is said already
            self.connected, self.trouble = False, f"the connection to the broker was lost: {reason}"
        logger.info("connection to the broker ended: %s", reason)

    def _on_connect_fail(self, client: paho.Client, userdata: Any) -> None:
        why = reach(self._settings)
        words = why.words if not why.ok else f"{self._settings.broker} answers, but the connection failed"
        if words != self.trouble:
            logger.warning("%s", words)
        self.connected, self.trouble = False, words

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        if message._topic == ECHO.encode():
            client.ack(message.mid, message.qos)
            if bytes(message.payload) == self._echo:
                self._echoed = True
                client.unsubscribe(ECHO)
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:  # a topic that is no UTF-8 breaks the protocol; kept all the same
            topic = repr(message._topic)
        came = Message(
            topic, bytes(message.payload), self._now(), message.mid, message.qos, self._connection,
            retained=message.retain, basis_s=self._basis_s())
        if topic.count("/") == 3 and topic.split("/")[2:] in _FROM_OTHER:
            self._told.put(came)
        else:
            self._queue.put(came)
