"""A topic that floods fills nothing: few of its refused payloads are stored, and every one is counted."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import pytest

from dashboard.views.system import refused_words
from ingest.db import flood
from ingest.db.engine import transaction
from ingest.db.flood import FOR_TIME_A_DAY, MANY_A_MINUTE, MINUTES_OF_MANY, STRANGERS, WHOLE_A_MINUTE, Flood
from ingest.db.intake import Message, decode, keep
from ingest.queries import quarantined
from ingest.store import Store
from tests.conftest import count, senml, utc

NOW = utc("2026-11-25T12:00:00")
TOPIC = "tarnlight/heron-point/main/log"
OTHER = "tarnlight/otter-cove/main/log"
ENROLLED = {("heron-point", "main"), ("otter-cove", "main")}


def send(store: Store, one: Flood, at: datetime, *messages: tuple[str, str]) -> None:
    """Messages as the collector takes them, all at one instant."""
    one.count((topic for topic, _ in messages), at)
    taken = [Message(topic, text.encode(), at) for topic, text in messages]
    decoded = decode(taken, ENROLLED, pd.Timestamp(at), timedelta(days=7))
    refused = one.thin(decoded.refused, at)
    transaction(store.con, lambda: keep(store.con, rows=decoded.rows, refused=refused, arrived=at, flood=one))
    one.done()
    transaction(store.con, lambda: one.keep(store.con, at))


def bad(first: int, n: int, topic: str = TOPIC) -> list[tuple[str, str]]:
    return [(topic, f'[{{"n":"battery","v":"x{number}"}}]') for number in range(first, first + n)]


def rows(store: Store, topic: str = TOPIC) -> pd.DataFrame:
    return store.ask("""
        SELECT arrived_at, since, times, reason, decode(payload) AS text, counted FROM quarantine
        WHERE source = $topic
        ORDER BY arrived_at, rowid""", {"topic": topic})


def test_up_to_the_bound_all_are_stored_whole_and_past_it_the_last_with_the_number(held):
    one = Flood()
    send(held, one, NOW, *bad(0, WHOLE_A_MINUTE))
    assert rows(held)["counted"].isna().all()
    assert len(rows(held)) == WHOLE_A_MINUTE
    assert flood.in_words(held) == {}  # no flood yet
    for second in range(1, 5):
        send(held, one, NOW + timedelta(seconds=second), *bad(1000 * second, 500))
    found = rows(held)
    assert len(found) == WHOLE_A_MINUTE + 1
    assert found["times"].sum() == WHOLE_A_MINUTE + 2000
    last = found.iloc[-1]
    assert (last["times"], last["since"], last["arrived_at"]) == (
        2000, NOW + timedelta(seconds=1), NOW + timedelta(seconds=4))
    assert "x4499" in last["text"] and "'x4499'" in last["reason"]
    told = refused_words(quarantined(held, 1).to_dict("records")[0])
    assert told.endswith("(2,000 like it from this topic since 2026-11-25 12:00:01; this is the last)")
    assert f"{TOPIC} sent up to 2,020 messages a minute between 2026-11-25 12:00 and" in flood.in_words(held)[TOPIC]


def test_while_it_goes_on_the_first_and_the_last_of_each_minute_are_kept(held):
    one = Flood()
    for minute in range(60):
        send(held, one, NOW + timedelta(minutes=minute), *bad(1000 * minute, 100), *bad(0, 1, OTHER))
    assert len(rows(held)) == WHOLE_A_MINUTE + 1 + 59 * 2
    assert rows(held)["times"].sum() == 6000
    assert "x59000" in rows(held)["text"].iloc[-2] and "x59099" in rows(held)["text"].iloc[-1]
    assert len(rows(held, OTHER)) == 60  # the others lose nothing
    assert count(held, "topic_flood") == 1
    send(held, one, NOW + timedelta(minutes=62), *bad(0, 15))  # a minute of rest, and it is as ever
    assert rows(held)["counted"].isna().tail(15).all()


def test_good_readings_in_the_flood_are_all_taken_in(held):
    one, start = Flood(), NOW - timedelta(hours=2)
    good = [(TOPIC, senml(start + timedelta(seconds=k), battery=12.0)) for k in range(300)]
    send(held, one, NOW, *[message for pair in zip(good, bad(0, 300), strict=True) for message in pair])
    assert count(held, "reading") == 300
    assert rows(held)["times"].sum() == 300


def test_a_backlog_under_a_wrong_clock_stays_whole_for_a_release(held):
    ahead = [(TOPIC, senml(NOW + timedelta(days=60, minutes=k), battery=12.0)) for k in range(5000)]
    send(held, Flood(), NOW, *ahead)
    assert count(held, "quarantine", "counted IS NULL AND reason LIKE 'at = %'") == 5000
    one = Flood()
    frame = pd.DataFrame({"source": TOPIC, "cabin": "heron-point", "unit": "main", "payload": b"", "times": 1,
                          "reason": ["at = 2031 lies"] * (FOR_TIME_A_DAY + 100)})
    assert len(one.thin(frame, NOW)) == FOR_TIME_A_DAY + WHOLE_A_MINUTE  # and this too has an end


def test_kinds_of_reason_are_counted_apart_and_bounded(held):
    one = Flood()
    send(held, one, NOW, *bad(0, WHOLE_A_MINUTE + 3), *[(TOPIC, "nonsense")] * 4)
    found = rows(held)[rows(held)["counted"].notna()]
    assert sorted(found["times"]) == [3, 4]
    frame = pd.DataFrame({"source": TOPIC, "cabin": "heron-point", "unit": "main", "payload": b"",
                          "reason": ["reason " + "abcdefghij"[k % 10] for k in range(1000)]})
    one.thin(frame, NOW)
    transaction(held.con, lambda: one.write(held.con))
    found = rows(held)[rows(held)["counted"].notna()]
    assert len(found) == flood.KINDS + 1  # and those that came later, together
    assert found["times"].sum() == 1007


def test_what_was_not_committed_is_counted_once_when_it_comes_again(held):
    one = Flood()
    send(held, one, NOW, *bad(0, WHOLE_A_MINUTE))
    frame = decode([Message(t, x.encode(), NOW) for t, x in bad(0, 50)], ENROLLED, pd.Timestamp(NOW)).refused

    def fails() -> None:
        one.write(held.con)
        raise RuntimeError("no room")

    one.thin(frame, NOW)
    with pytest.raises(RuntimeError):
        transaction(held.con, fails)
    one.forget()
    send(held, one, NOW, *bad(0, 50))
    assert rows(held)["times"].sum() == WHOLE_A_MINUTE + 50


def test_a_counted_row_that_a_person_took_off_is_begun_anew(held):
    one = Flood()
    send(held, one, NOW, *bad(0, WHOLE_A_MINUTE + 5))
    held.con.execute("DELETE FROM quarantine")
    send(held, one, NOW, *bad(0, 7))
    assert rows(held)["times"].tolist() == [7]


def test_topics_of_no_unit_share_a_bound_and_take_nothing_from_enrolled_ones(held):
    one = Flood()
    strangers = [(f"tarnlight/nobody-{k}/main/log", "x") for k in range(3000)]
    send(held, one, NOW, *strangers, *bad(0, 5), *bad(0, 5, OTHER))
    assert count(held, "quarantine", "cabin IS NULL") == STRANGERS + WHOLE_A_MINUTE + 1
    assert held.ask("SELECT sum(times) AS n FROM quarantine")["n"].iloc[0] == 3010
    assert len(rows(held)) == len(rows(held, OTHER)) == 5


def test_a_flood_of_good_messages_is_named_and_a_backlog_is_not(held):
    one = Flood()

    def minute(number: int, topics: dict[str, int]) -> None:
        at = NOW + timedelta(minutes=number)
        one.count((topic for topic, times in topics.items() for _ in range(times)), at)
        transaction(held.con, lambda: one.keep(held.con, at))

    minute(0, {OTHER: 5 * MANY_A_MINUTE})  # two weeks of minutes at once
    for number in range(MINUTES_OF_MANY):
        assert flood.in_words(held) == {}
        minute(number, {TOPIC: MANY_A_MINUTE + 1, OTHER: 1})
    assert list(flood.in_words(held)) == [TOPIC]
    one = Flood()
    send(held, one, NOW + flood.TOLD_FOR + timedelta(hours=1), *bad(0, WHOLE_A_MINUTE + 1, OTHER))
    assert list(flood.in_words(held)) == [OTHER]  # the old one is told no more
