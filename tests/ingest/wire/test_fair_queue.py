"""Who sends much waits for itself; the others for one message of it."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as some

from ingest.db.intake import Message
from ingest.wire import fair_queue
from ingest.wire.fair_queue import BATCH, BATCH_BYTES, TOPIC_BYTES, FairQueue

NOW = datetime(2026, 11, 27, 12, tzinfo=UTC)


def message(topic: str, size: int = 100, mid: int = 0) -> Message:
    return Message(topic, b"x" * size, NOW, mid)


def filled(*messages: Message) -> FairQueue:
    queue = FairQueue()
    for one in messages:
        queue.put(one)
    return queue


def test_behind_a_hundred_large_ones_another_topics_message_comes_in_the_first_batch():
    queue = filled(*[message("much", 2_000_000, n) for n in range(100)], message("little", mid=7))
    first = queue.batch(0.1)
    assert [(one.topic, one.mid) for one in first] == [("much", 0), ("little", 7)]
    assert queue.waiting == 99


def test_behind_many_small_ones_too():
    queue = filled(*[message("much", 100, n) for n in range(20_000)], *[message(f"unit {n}") for n in range(10)])
    first = queue.batch(0.1)
    assert {f"unit {n}" for n in range(10)} <= {one.topic for one in first}
    assert len(first) == BATCH


def test_one_alone_that_had_its_share_is_not_waited_for():
    queue = filled(message("much", TOPIC_BYTES), message("much", TOPIC_BYTES))
    begun = time.monotonic()
    assert len(queue.batch(5)) == len(queue.batch(5)) == 1
    assert time.monotonic() - begun < fair_queue.BATCH_S


def test_of_nothing_there_is_none_and_a_late_one_is_not_missed():
    queue = FairQueue()
    assert queue.batch(0.01) == []
    timer = threading.Timer(0.05, queue.put, [message("late")])
    timer.start()
    assert [one.topic for one in queue.batch(30)] == ["late"]
    timer.join()


@given(some.lists(some.tuples(some.integers(0, 5), some.sampled_from((1, 100, 900_000, TOPIC_BYTES))), max_size=60))
def test_all_come_once_each_topics_in_their_order_and_no_batch_is_too_large(sent):
    put = [message(str(topic), size, mid) for mid, (topic, size) in enumerate(sent)]
    queue, came = filled(*put), []
    while queue.waiting:
        batch = queue.batch(0.0)
        assert 0 < len(batch) <= BATCH
        assert sum(len(one.payload) for one in batch[:-1]) < BATCH_BYTES
        for topic in {one.topic for one in batch}:
            own = [len(one.payload) for one in batch if one.topic == topic]
            assert len(own) == 1 or sum(own) <= TOPIC_BYTES
        came += batch
    for topic in {one.topic for one in put}:
        assert [one.mid for one in came if one.topic == topic] == [one.mid for one in put if one.topic == topic]
    assert len(came) == len(put)
