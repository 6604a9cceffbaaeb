"""A store of any earlier version becomes the same as a fresh one; one of a later version is left alone."""

from __future__ import annotations

import pandas as pd
import pytest

from ingest.db import engine
from ingest.db.migrations import MIGRATIONS, migrate
from ingest.settings import StoreUnavailable
from ingest.store import Store

SHAPE = """
    SELECT table_name, column_name, data_type, is_nullable, column_default FROM information_schema.columns
    ORDER BY table_name, ordinal_position
"""
OTHERS = """
    SELECT 'sequence' AS kind, sequence_name AS name, start_value::VARCHAR AS what FROM duckdb_sequences()
    UNION ALL SELECT 'view', view_name, sql FROM duckdb_views() WHERE NOT internal
    UNION ALL SELECT 'index', index_name, sql FROM duckdb_indexes() ORDER BY ALL
"""


def shape(con) -> list[pd.DataFrame]:
    return [con.execute(SHAPE).df(), con.execute(OTHERS).df()]


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_a_file_of_an_earlier_version_becomes_what_a_fresh_one_is_and_keeps_its_rows(tmp_path, version):
    old = engine.connect(tmp_path / "old.duckdb")
    assert migrate(old, until=version) == version
    old.execute("""INSERT INTO reading (cabin, unit, "at", flow_l_min) VALUES ('a', 'main', now(), 1.5)""")
    old.close()
    store, fresh = Store(tmp_path / "old.duckdb"), Store(tmp_path / "fresh.duckdb")
    for one, other in zip(shape(store.con), shape(fresh.con), strict=True):
        pd.testing.assert_frame_equal(one, other)
    assert store.ask("SELECT flow_l_min FROM reading")["flow_l_min"].tolist() == [1.5]
    assert store.ask("SELECT version FROM schema_version ORDER BY version")["version"].tolist() == [
        *range(1, len(MIGRATIONS) + 1)
    ]
    store.close()
    fresh.close()


def test_a_store_opened_twice_is_migrated_once(tmp_path):
    for _ in range(2):
        store = Store(tmp_path / "x.duckdb")
        assert len(store.ask("SELECT * FROM schema_version")) == len(MIGRATIONS)
        store.close()


def test_a_store_of_a_later_version_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "x.duckdb"
    store = Store(path)
    store.con.execute("INSERT INTO schema_version VALUES (99, now())")
    store.close()
    with pytest.raises(StoreUnavailable, match=r"version 99, this program knows .*install a later tarnlight"):
        Store(path)
    con = engine.connect(path)  # and it was let go of
    assert con.execute("SELECT max(version) FROM schema_version").fetchone() == (99,)
    con.close()


def test_a_step_that_fails_leaves_nothing_behind(tmp_path, monkeypatch):
    from ingest.db import migrations

    monkeypatch.setattr(migrations, "MIGRATIONS", (*MIGRATIONS, "CREATE TABLE half (n INTEGER); SELECT nope"))
    con = engine.connect(tmp_path / "x.duckdb")
    with pytest.raises(Exception, match="nope"):
        migrate(con)
    assert con.execute("SELECT max(version) FROM schema_version").fetchone() == (len(MIGRATIONS),)
    assert con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = 'half'").fetchone() == (0,)
    con.close()


@pytest.mark.parametrize("content", [b"this is no database" * 100, b""])
def test_a_file_that_is_no_database_is_refused_and_left_as_it_is(tmp_path, content):
    path = tmp_path / "x.duckdb"
    path.write_bytes(content)
    with pytest.raises(StoreUnavailable, match="cannot be opened"):
        Store(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_refused(tmp_path):
    path = tmp_path / "x.duckdb"
    con = engine.connect(path)
    con.execute("CREATE TABLE reading (something INTEGER)")
    con.close()
    with pytest.raises(StoreUnavailable, match="cannot be used"):
        Store(path)


def test_a_folder_where_the_file_should_be_is_refused(tmp_path):
    with pytest.raises(StoreUnavailable, match="cannot be opened"):
        Store(tmp_path)


def test_a_file_where_the_folder_should_be_is_refused(tmp_path):
    (tmp_path / "x").write_text("")
    with pytest.raises(StoreUnavailable, match="cannot be opened"):
        Store(tmp_path / "x" / "y.duckdb")


def test_a_failed_sensor_check_of_before_doses_were_divided_is_owed_its_units_history(tmp_path):
    before = next(number for number, step in enumerate(MIGRATIONS) if "VIEW service_done" in step)
    old = engine.connect(tmp_path / "old.duckdb")
    migrate(old, until=before)
    for unit, ratio in (("good", 1.2), ("bad", 1.21)):
        old.execute("""
            INSERT INTO service_event (id, cabin, unit, "at", kind, who, value, note, recorded_at)
            VALUES (uuid(), 'a', $unit, now(), 'sensor-checked', 'Ann', $ratio, '', now())
        """, {"unit": unit, "ratio": ratio})
    migrate(old, until=before + 1)
    told = "SELECT cabin, unit, since < '2001-01-01' FROM pending"
    assert old.execute(told).fetchall() == [("a", "bad", True)]
    # later a check that passed came to divide lower bounds
    old.execute("DELETE FROM pending")
    migrate(old)
    assert old.execute(told).fetchall() == [("a", "good", True)]
    old.close()
