"""A collector that is there and does nothing: whoever asks is told soon, and nothing is done twice for it."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator

import pytest

from ingest.db import engine
from ingest.settings import CollectorHangs
from tests.conftest import Running, count, tarnlight, wait_for

WORDS = "the collector does not answer"
WITHIN_S = 2 * engine.ALIVE_WITHIN_S + 10  # what a command takes to begin and to end is in it


@pytest.fixture
def stopped(collector: Running) -> Iterator[Running]:
    """A collector that holds its store and is not let run."""
    assert collector.process is not None
    os.kill(collector.process.pid, signal.SIGSTOP)
    yield collector
    os.kill(collector.process.pid, signal.SIGCONT)


@pytest.mark.parametrize("words", [
    ("status",), ("doctor",), ("advisory", "raise", "--cabin", "heron-point", "--unit", "main", "--by", "Kim")],
    ids=lambda words: words[0])
def test_a_command_says_so_and_ends(stopped: Running, words: tuple[str, ...]):
    begun = time.monotonic()
    done = tarnlight(stopped.settings.store, *words)
    assert time.monotonic() - begun < WITHIN_S
    assert done.returncode == 1
    assert WORDS in (done.stdout if words == ("doctor",) else done.stderr)
    assert "Traceback" not in done.stderr


def test_what_it_was_sent_is_done_once_when_it_goes_on(collector: Running):
    assert collector.process is not None
    asks = collector.client()
    os.kill(collector.process.pid, signal.SIGSTOP)
    try:
        with pytest.raises(CollectorHangs, match="may still be done, so look before you ask for it again"):
            asks.act("record-service", {
                "kind": "note", "cabin": "heron-point", "unit": "main", "at": "2026-11-01T10:00:00Z", "who": "Kim"})
    finally:
        os.kill(collector.process.pid, signal.SIGCONT)
    wait_for(lambda: count(collector.client(), "service_event") > 0, 20, "it is done")
    time.sleep(2)  # for what might be sent again
    assert count(collector.client(), "service_event") == 1
    assert count(collector.client(), "request") == 0


def test_a_statement_that_takes_its_time_is_waited_for_and_others_go_on(
    collector: Running, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(engine, "ALIVE_WITHIN_S", 0.6)  # beside busy processes too an idle one answers in that
    begun = time.monotonic()
    asks = collector.client()
    found = asks.ask("SELECT sum(hash(a.range * b.range) % 7)::BIGINT AS n FROM range(60000) a, range(10000) b")
    assert time.monotonic() - begun > 1.2  # else it was no trial
    assert found["n"].iloc[0] > 0
