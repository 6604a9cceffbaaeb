"""A request rings, so that a collector which looks seldom by itself answers at once; unrung it answers soon."""

from __future__ import annotations

import statistics
import time

from ingest.db import engine
from ingest.store import Client
from tests.conftest import Running

TRIES = 9


def took_s(store: Client) -> float:
    """The middle of a few waits for an answer, each begun at another moment of the collector's own. [s]"""
    out = []
    for number in range(TRIES):
        time.sleep(0.37 + 0.11 * (number % 3))
        begun = time.monotonic()
        store.act("evaluate", {})
        out.append(time.monotonic() - begun)
    return statistics.median(out)


def test_who_rings_is_heard_before_who_does_not(collector: Running):
    address, token = engine.read_address(collector.settings.address_file)
    rung = collector.client()
    unrung = Client(address, token)
    with_bell, without = took_s(rung), took_s(unrung)
    assert with_bell < without
    assert without < 5  # it looks by itself, too


def test_a_bell_that_is_gone_holds_nobody_up(tmp_path):
    engine.ring(tmp_path / "gone")
    assert engine.rung(tmp_path / "gone") == 0


def test_each_ring_is_another(tmp_path):
    path = tmp_path / "address"
    path.write_text("{}")
    seen = set()
    for _ in range(50):
        engine.ring(path)
        seen.add(engine.rung(path))
    assert len(seen) == 50 and path.read_text() == "{}"
