"""A cursor is a session of its own; it must be ours too, whatever the machine's time zone."""

import duckdb
import pandas as pd
import pytest

from ingest.db.engine import connect
from ingest.db.frames import frame


def test_a_cursor_answers_in_utc_so_that_its_instants_join_with_ours():
    with connect().cursor() as cursor:
        assert cursor.execute("SELECT current_setting('TimeZone')").fetchall() == [("UTC",)]
        answered = frame(cursor.execute("SELECT TIMESTAMPTZ '2026-11-25 07:00:00+00' AS at"))
    ours = pd.DataFrame({"at": pd.to_datetime(["2026-11-25T08:00:00Z"]).as_unit("us")})
    assert str(pd.concat([answered, ours])["at"].dtype) == "datetime64[us, UTC]"


def test_a_cursor_takes_no_python_variable_for_a_table():
    reading = pd.DataFrame({"n": [1]})
    with connect().cursor() as cursor, pytest.raises(duckdb.CatalogException, match="reading"):
        cursor.execute("SELECT * FROM reading")
    assert len(reading) == 1
