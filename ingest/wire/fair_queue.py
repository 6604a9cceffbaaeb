"""Messages that came and are in no batch yet, taken from all topics in turn.

A broker hands out what it has in the order in which it came, so one logger that sends much stands before all
others. Here each topic has a queue of its own: a batch takes one message of each in turn, and of one topic no more
than `TOPIC_BYTES`. So who sends what costs long to decode waits for itself, and the others for one message of it.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict, deque

from ingest.db.intake import Message
from ingest.wire.limits import PAYLOAD_BYTES

BATCH = 5_000
BATCH_BYTES = 8_000_000  # of payloads: what is worked on at once is bounded, and others wait no longer for it
TOPIC_BYTES = PAYLOAD_BYTES  # of one topic's payloads: one of the largest, which takes seconds, or thousands
BATCH_S = 0.25  # a batch closes then,
IDLE_S = 0.01  # or when nothing came for that long: a broker's limit of unacknowledged messages is not known


class FairQueue:
    """Filled by one thread, emptied by another."""

    def __init__(self) -> None:
        self._topics: OrderedDict[str, deque[Message]] = OrderedDict()  # the next in turn first; none is empty
        self._waiting = 0
        self._came = threading.Condition()

    def put(self, message: Message) -> None:
        """Add a message, behind those of its topic."""
        with self._came:
            self._topics.setdefault(message.topic, deque()).append(message)
            self._waiting += 1
            self._came.notify()

    @property
    def waiting(self) -> int:
        """How many messages are in no batch yet."""
        return self._waiting

    def batch(self, wait_s: float) -> list[Message]:
        """At most `BATCH` messages, and no more once `BATCH_BYTES` are reached; empty if nothing came in `wait_s`.

        Each topic's messages are in their order.
        """
        batch = _Batch()
        with self._came:
            if not self._came.wait_for(lambda: self._waiting, wait_s):
                return []
            until = time.monotonic() + BATCH_S
            self._take(batch, until)
            while not batch.full and time.monotonic() < until:
                # those that had their share wait for the next batch, and it begins at once
                if self._waiting or not self._came.wait_for(lambda: self._waiting, IDLE_S):
                    break
                self._take(batch, until)
        return batch.messages

    def _take(self, batch: _Batch, until: float) -> None:
        """One of each topic in turn, until the batch is full or none is left that may come."""
        had_share: dict[str, deque[Message]] = {}
        while self._topics and not batch.full and time.monotonic() < until:
            topic, queue = self._topics.popitem(last=False)
            if not batch.takes(queue[0]):
                had_share[topic] = queue
                continue
            batch.add(queue.popleft())
            self._waiting -= 1
            if queue:
                self._topics[topic] = queue  # at the end: all others come first
        self._topics.update(had_share)


class _Batch:
    """What a batch holds so far, in all and of each topic."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self._bytes = 0
        self._of_topic: dict[str, int] = {}

    @property
    def full(self) -> bool:
        return len(self.messages) >= BATCH or self._bytes >= BATCH_BYTES

    def takes(self, message: Message) -> bool:
        """Whether its topic has had less than its share."""
        had = self._of_topic.get(message.topic)
        return had is None or had + len(message.payload) <= TOPIC_BYTES

    def add(self, message: Message) -> None:
        size = len(message.payload)
        self.messages.append(message)
        self._bytes += size
        self._of_topic[message.topic] = self._of_topic.get(message.topic, 0) + size
