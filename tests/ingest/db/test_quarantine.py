"""Quarantine keeps a size and an age; what goes is the oldest, and it is counted."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import pytest

from dashboard.views.system import refused_words
from ingest.collector import set_aside
from ingest.db import quarantine
from ingest.db.engine import transaction
from ingest.db.intake import Message, decode, keep
from ingest.db.schema import rounded
from ingest.queries import quarantined
from ingest.store import Store
from ingest.wire import aside
from tests.conftest import count, utc

NOW = utc("2026-11-25T12:00:00")


def refuse(store: Store, at: datetime, *texts: str, times: int = 1) -> None:
    """Rows for quarantine that arrived at that instant."""
    refused = pd.DataFrame({
        "source": "t", "cabin": "heron-point", "unit": "main", "payload": [text.encode() for text in texts],
        "reason": "why", "times": times, "file": None})
    rows = rounded(pd.DataFrame({"cabin": [], "unit": [], "at": pd.to_datetime([], utc=True)}))
    transaction(store.con, lambda: keep(store.con, rows=rows, refused=refused, arrived=at))


def kept(store: Store) -> list[str]:
    return [bytes(one).decode() for one in store.ask(
        "SELECT payload FROM quarantine ORDER BY arrived_at, rowid")["payload"]]


def test_nothing_goes_while_size_and_age_are_kept(held):
    assert quarantine.prune(held.con, NOW) == 0  # an empty one too
    refuse(held, NOW - quarantine.MOST_AGE, "oldest")
    refuse(held, NOW, "new")
    assert quarantine.prune(held.con, NOW) == 0
    assert kept(held) == ["oldest", "new"]
    told = quarantine.tally(held)
    assert (told.records, told.gone_records, told.oldest) == (2, 0, NOW - quarantine.MOST_AGE)
    assert told.in_words == "2 records, 0.0 MB (at most 32 MB and 90 days, oldest out); none had to go"


def test_what_is_a_moment_too_old_goes_and_is_counted_with_all_records_it_stood_for(held):
    old = NOW - quarantine.MOST_AGE - timedelta(seconds=1)
    refuse(held, old, "a", "b", times=300)
    refuse(held, old + timedelta(seconds=1), "c")
    assert quarantine.prune(held.con, NOW) == 600
    assert kept(held) == ["c"]
    assert quarantine.prune(held.con, NOW + timedelta(days=1)) == 1  # counts add up
    told = quarantine.tally(held)
    assert (told.records, told.gone_records, told.gone_until) == (0, 601, old + timedelta(seconds=1))
    assert "601 older ones went, the last of 2026-08-27" in told.in_words


def test_at_the_size_nothing_goes_and_past_it_the_oldest_until_there_is_room(held, monkeypatch):
    monkeypatch.setattr(quarantine, "MOST_BYTES", 1_000)
    for n in range(10):  # 96 and "why" and "t": 100 bytes each
        refuse(held, NOW + timedelta(seconds=n), f"{n:096d}")
    assert quarantine.tally(held).bytes == 1_000
    assert quarantine.prune(held.con, NOW) == 0
    refuse(held, NOW + timedelta(seconds=10), f"{10:096d}", f"{11:096d}")
    assert quarantine.prune(held.con, NOW) == 5
    assert [int(text) for text in kept(held)] == list(range(5, 12))  # 700 of the 750 that leave room
    assert quarantine.prune(held.con, NOW) == 0
    assert quarantine.tally(held).gone_records == 5


def test_the_file_does_not_grow_with_what_came_and_went(held, monkeypatch):
    monkeypatch.setattr(quarantine, "MOST_BYTES", 2_000_000)
    text = "x" * 3_900
    largest = 0
    for n in range(60):
        refuse(held, NOW + timedelta(seconds=n), *[text] * 250)  # 1 MB each time, 60 MB in all
        quarantine.prune(held.con, NOW)
        held.con.execute("CHECKPOINT")
        largest = max(largest, held.path.stat().st_size)
    assert quarantine.tally(held).bytes <= 2_000_000
    assert largest < 25_000_000


def test_a_message_past_a_limit_lies_whole_aside_and_its_row_says_where(held, tmp_path):
    topic = "tarnlight/heron-point/main/log"
    messages = [
        Message(topic, b"[" * 5_000, NOW), Message(topic, b'[{"n":"battery","v":"x"}]', NOW),
        Message(topic, b'[{"n":"' + b"a" * 300 + b'","v":1},{"n":"battery","v":12}]', NOW),
        Message("other/" + "x" * 60_000, b"y" * 2_000_001, NOW)]
    decoded = decode(messages, {("heron-point", "main")}, pd.Timestamp(NOW))
    set_aside(tmp_path / "aside", decoded.refused, messages)
    told = transaction(held.con, lambda: keep(held.con, rows=decoded.rows, refused=decoded.refused, arrived=NOW))
    assert (told.rows, told.refused) == (1, 4)
    found = {row["reason"][:20]: row for row in quarantined(held).to_dict("records")}
    assert len(found) == 4
    for start, number in (("JSON nested too deep", 0), ("a name of 300 charac", 2), ("topic must be tarnli", 3)):
        row = found[start]
        assert (tmp_path / "aside" / row["file"]).read_bytes() == messages[number].payload
        assert refused_words(row).endswith(f". All of it: {row['file']}")
        assert row["bytes"] <= 4_000
        assert len(row["source"]) < 500
    assert refused_words(found["v of 'battery' must "]) == "v of 'battery' must be a finite number; got 'x'"
    assert aside.tally(tmp_path / "aside").files == 3
    assert held.ask("SELECT battery_v FROM reading")["battery_v"].tolist() == [12.0]  # the rest of it was taken


def test_a_folder_that_cannot_be_written_is_said_and_stops_nothing(held, tmp_path):
    (tmp_path / "aside").write_text("a file where the folder should be")
    messages = [Message("tarnlight/heron-point/main/log", b"[" * 5_000, NOW)]
    decoded = decode(messages, {("heron-point", "main")}, pd.Timestamp(NOW))
    set_aside(tmp_path / "aside", decoded.refused, messages)
    transaction(held.con, lambda: keep(held.con, rows=decoded.rows, refused=decoded.refused, arrived=NOW))
    assert "could not be set aside whole" in quarantined(held)["reason"].iloc[0]
    assert count(held, "quarantine", "file IS NULL") == 1


@pytest.mark.parametrize("times", [1, 7_800])
def test_a_row_says_how_many_records_it_stands_for(times):
    told = refused_words({"reason": "why", "times": times, "file": None, "since": None})
    assert told == ("why" if times == 1 else "why (7,800 records of one message)")
