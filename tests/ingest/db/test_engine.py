"""Values as SQL literals, and what a collector's store answers to another process."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.db import engine
from ingest.db.engine import Local, Remote, literal, quoted, transaction
from ingest.settings import StoreUnavailable
from tests.conftest import free_port

TOKEN = "a-token-of-tests"


@pytest.fixture(scope="module")
def con():
    con = engine.connect()
    con.execute("CREATE TABLE kept (n INTEGER)")
    yield con
    con.close()


@pytest.fixture(scope="module")
def remote(con):
    port = free_port()
    engine.serve(con, port=port, token=TOKEN)
    yield Remote(f"quack:localhost:{port}", TOKEN)
    con.execute("CALL quack_stop($address)", {"address": f"quack:localhost:{port}"})


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (None, '"NULL"'),
        (True, "BOOLEAN"),
        (False, "BOOLEAN"),
        (0, "INTEGER"),
        (-(2**62), "BIGINT"),
        (0.1, "DOUBLE"),
        (1.0, "DOUBLE"),
        (1e300, "DOUBLE"),
        (5e-324, "DOUBLE"),
        (np.float64(0.1), "DOUBLE"),
        (float("inf"), "DOUBLE"),
        ("x", "VARCHAR"),
        (datetime(2026, 11, 25, 7, 0, 0, 123456, tzinfo=UTC), "TIMESTAMP WITH TIME ZONE"),
        ([1, 2], "INTEGER[]"),
    ],
)
def test_a_literal_has_its_own_type_and_comes_back_as_it_was(con, value, kind):
    found = con.execute(f"SELECT typeof({literal(value)}) AS kind, {literal(value)} AS value").df().iloc[0]
    assert found["kind"] == kind
    if isinstance(value, list):
        assert list(found["value"]) == value
    else:
        assert pd.isna(found["value"]) if value is None else found["value"] == value


def test_an_instant_of_any_offset_is_the_same_instant(con):
    toronto = timezone(timedelta(hours=-5, minutes=-17, seconds=-32))  # local mean time, as in old tables
    at = datetime(2026, 11, 25, 7, tzinfo=toronto)
    found = con.execute(f"SELECT {literal(at)} AS at").df()["at"].iloc[0]
    assert found == pd.Timestamp(at)


@pytest.mark.parametrize(
    "value", [datetime(2026, 1, 1), b"x", {"a": 1}, object(), "a\x00b", [object()], pd.NaT, np.array([1])]
)
def test_what_has_no_literal_is_refused(value):
    with pytest.raises(TypeError):
        literal(value)


HOSTILE = [
    "it's",
    "'; DROP TABLE kept; --",
    "''",
    "\\'; DROP TABLE kept; --",
    "$other",
    "$value",
    "a\nb",
    "\u2603",
    '"',
    "/*",
    "%",
    "'||(SELECT 1)||'",
    "\\x27",
    "\u2019; DROP TABLE kept",
    "E'\\''",
]


@pytest.mark.parametrize("value", HOSTILE)
def test_text_that_would_be_sql_stays_text(con, remote, value):
    for asks in (Local(con), remote):
        found = asks.ask("SELECT $value AS value, $other AS other", {"value": value, "other": "as it is"}).iloc[0]
        assert list(found) == [value, "as it is"]
    assert remote.ask("SELECT count(*) AS n FROM kept")["n"].iloc[0] == 0


@given(st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"])))
def test_any_text_comes_back_as_it_was(value):
    con = test_any_text_comes_back_as_it_was.con = (
        getattr(  # one connection for all examples
            test_any_text_comes_back_as_it_was, "con", None
        )
        or engine.connect()
    )
    assert con.execute(f"SELECT {literal(value)} AS value").fetchone() == (value,)


def test_a_name_is_quoted(con):
    con.execute(f"CREATE TABLE {quoted('a; drop table kept; --')} (n INTEGER)")
    con.execute(f"DROP TABLE {quoted('a; drop table kept; --')}")
    assert quoted('a"b') == '"a""b"'


def test_a_wrong_token_is_refused(con, remote):
    with pytest.raises(StoreUnavailable, match="refused this process's token"):
        Remote(remote._address, "another-token").ask("SELECT 1")


def test_where_nobody_listens_the_error_says_what_to_start():
    with pytest.raises(StoreUnavailable, match="tarnlight collect"):
        Remote(f"quack:localhost:{free_port()}", TOKEN).ask("SELECT 1")


def test_an_error_of_the_statement_is_not_taken_for_a_silent_collector(remote):
    with pytest.raises(Exception, match="nope") as caught:
        remote.ask("SELECT nope")
    assert not isinstance(caught.value, StoreUnavailable)


def test_a_transaction_is_whole_or_not_at_all(con):
    def work():
        con.execute("INSERT INTO kept VALUES (1)")
        raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        transaction(con, work)
    assert con.execute("SELECT count(*) FROM kept").fetchone() == (0,)


@pytest.mark.parametrize("text", ["", "[]", "5", "{}", '{"address": "x"}', "null", "\x00"])
def test_an_address_file_that_is_torn_says_so(tmp_path, text):
    path = tmp_path / "x.serve.json"
    path.write_text(text)
    with pytest.raises(StoreUnavailable, match="cannot be read"):
        engine.read_address(path)


def test_only_the_owner_can_read_the_address_file(tmp_path):
    path = tmp_path / "deep" / "x.serve.json"
    engine.write_address(path, port=1234, token=TOKEN)
    assert path.stat().st_mode & 0o777 == 0o600
    assert engine.read_address(path) == ("quack:localhost:1234", TOKEN)
    assert list(path.parent.iterdir()) == [path]


def test_an_address_file_that_is_not_there_means_no_collector(tmp_path):
    assert engine.read_address(tmp_path / "none") is None


def test_a_proxy_of_the_environment_is_not_asked_for_what_is_on_loopback(tmp_path, monkeypatch):
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:1")  # nobody listens there
    con = engine.connect(tmp_path / "store.duckdb")
    port = free_port()
    engine.serve(con, port=port, token="a-token-of-16-chars")
    found = engine.Remote(f"quack:localhost:{port}", "a-token-of-16-chars").ask("SELECT 7 AS seven")
    assert found["seven"].tolist() == [7]
    assert os.environ["HTTP_PROXY"] == "http://127.0.0.1:1"
    con.close()
