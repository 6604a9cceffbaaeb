"""A sender of old readings again and again is worked out now and then; everybody else, and its present, at once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from ingest.evaluation import evaluate as evaluation
from ingest.evaluation.evaluate import evaluate, owe
from ingest.evaluation.pace import LEAST_S, MOST_S, REST, Pace
from ingest.store import Store
from tests.conftest import FLEET_TOML

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
OLD, NEW = NOW - timedelta(days=20), NOW - timedelta(hours=2)
HOSTILE, HONEST = ("otter-cove", "main"), ("heron-point", "main")


class Clock:
    """Seconds that go by when told to."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def held(tmp_path):
    store = Store(tmp_path / "x.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    evaluate(store.con, NOW)
    yield store
    store.close()


def send(store: Store, key: tuple[str, str], at: datetime) -> None:
    store.con.execute(
        'INSERT INTO reading (cabin, unit, "at", flow_l_min) VALUES ($cabin, $unit, $at_, 0)', {
            "cabin": key[0], "unit": key[1], "at_": at})
    owe(store.con, {key: (at, at)})


def owed(store: Store) -> set[tuple[str, str]]:
    return set(store.con.execute("SELECT DISTINCT cabin, unit FROM pending").fetchall())


def taking(clock: Clock, monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """Let the evaluation take so long by that clock."""
    def slowly(*given: object) -> int:
        clock.s += seconds
        return 0

    monkeypatch.setattr(evaluation, "pay_days", slowly)


def made_to_wait(store: Store, monkeypatch: pytest.MonkeyPatch, seconds: float) -> tuple[Clock, Pace]:
    """Old news that took so long to work out, and more of it that has to wait."""
    clock = Clock()
    pace = Pace(clock)
    taking(clock, monkeypatch, seconds)
    send(store, HOSTILE, OLD)
    evaluate(store.con, NOW, pace)
    send(store, HOSTILE, OLD + timedelta(seconds=1))
    assert evaluate(store.con, NOW, pace) == []
    assert owed(store) == {HOSTILE}
    return clock, pace


def test_old_news_waits_after_old_news_that_took_long_and_nobody_else_does(held, monkeypatch):
    clock = Clock()
    pace = Pace(clock)
    taking(clock, monkeypatch, 5.0)
    send(held, HOSTILE, OLD)
    assert evaluate(held.con, NOW, pace) == [HOSTILE]  # a backlog is worked out at once
    send(held, HOSTILE, OLD + timedelta(seconds=1))
    send(held, HONEST, NEW)
    taking(clock, monkeypatch, 0.1)
    assert evaluate(held.con, NOW, pace) == [HONEST]
    assert owed(held) == {HOSTILE} and not pace.due()
    clock.s += REST * 5.0 - 0.2
    assert not pace.due()
    clock.s += 0.2
    assert pace.due()
    assert evaluate(held.con, NOW, pace) == [HOSTILE]
    assert not owed(held) and not pace.due()


def test_news_of_the_present_never_waits_nor_does_what_took_little(held, monkeypatch):
    clock = Clock()
    pace = Pace(clock)
    taking(clock, monkeypatch, 5.0)
    for minute in range(3):
        send(held, HONEST, NEW + timedelta(minutes=minute))
        assert evaluate(held.con, NOW, pace) == [HONEST]
    taking(clock, monkeypatch, LEAST_S / 2)
    for second in range(3):
        send(held, HOSTILE, OLD + timedelta(seconds=second))
        assert evaluate(held.con, NOW, pace) == [HOSTILE]


def test_what_a_person_asks_for_is_worked_out_at_once(held, monkeypatch):
    made_to_wait(held, monkeypatch, 5.0)
    assert evaluate(held.con, NOW) == [HOSTILE]
    assert not owed(held)


def test_however_long_it_took_nobodys_present_waits_for_over_a_minute(held, monkeypatch):
    clock, pace = made_to_wait(held, monkeypatch, 300.0)
    clock.s += MOST_S
    assert pace.due()
    evaluate(held.con, NOW, pace)
    assert not owed(held)


def test_an_old_past_that_fails_waits_like_one_that_went_well(held, monkeypatch):
    """Its fault comes again at each attempt, and everybody's present would wait for it at each message."""
    clock = Clock()
    pace = Pace(clock)
    right = evaluation._derive_all
    failed = []

    def broken(con, owed):
        if HOSTILE[0] in set(owed["cabin"]):
            clock.s += 5.0
            failed.append(clock.s)
            raise ValueError("not to be worked out")
        return right(con, owed)

    monkeypatch.setattr(evaluation, "_derive_all", broken)
    send(held, HOSTILE, OLD)
    assert evaluate(held.con, NOW, pace) == []
    tried = len(failed)
    send(held, HONEST, NEW)
    assert evaluate(held.con, NOW, pace) == [HONEST]
    assert len(failed) == tried and owed(held) == {HOSTILE}
    clock.s += MOST_S
    assert pace.due()
    evaluate(held.con, NOW, pace)
    assert len(failed) == tried + 1 and not pace.due()
