"""Results as DataFrames: the same as DuckDB's own `df()` makes of them."""

from __future__ import annotations

import warnings

import pandas as pd
import pytest

from ingest.db.engine import connect
from ingest.db.frames import frame

# Of each kind of column one without and one with nulls, in the first `$nulls` of `$rows` rows.
EACH_KIND = """
    SELECT 'a' || i AS words, 'é' AS same,
        TIMESTAMPTZ '2026-03-08 06:59:59.123456Z' + to_seconds(i) AS at_, i::DOUBLE x,
        i::FLOAT AS f, i % 2 = 0 AS yes, i AS n, (i % 200)::UTINYINT AS u8, (i % 200)::SMALLINT AS s16,
        i::UBIGINT AS u64, CASE WHEN i >= $nulls THEN i END AS n0, CASE WHEN i >= $nulls THEN i % 2 = 0 END AS yes0,
        CASE WHEN i >= $nulls THEN (i % 200)::UTINYINT END AS u0, CASE WHEN i >= $nulls THEN 'x' END AS words0,
        CASE WHEN i >= $nulls THEN i::DOUBLE END AS x0, CASE WHEN i >= $nulls THEN i::FLOAT END AS f0,
        CASE WHEN i >= $nulls THEN TIMESTAMPTZ '1969-12-31 23:00:00Z' END AS at0, 'nan'::DOUBLE AS nan
    FROM range($rows) AS r(i)
"""
OTHER_KINDS = """
    SELECT DATE '2026-01-02' AS d, 1.5::DECIMAL(4, 1) AS dec, [1, 2] AS l, {'a': 1} AS s, NULL AS nothing,
        170141183460469231731687303715884105727 AS huge, 'x'::JSON AS j, TIMESTAMP '2026-01-02' AS bare, i AS n
    FROM range(2) AS r(i)
"""


def as_duckdb(con, sql, given=None):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return con.execute(sql, given or {}).df()


@pytest.mark.parametrize(
    ("rows", "nulls"), [(13, 3), (1, 0), (1, 1), (0, 0), (5000, 0), (5000, 4999), (5000, 5000)])
def test_each_kind_of_column_is_what_duckdb_makes_of_it(rows, nulls):
    con, given = connect(), {"rows": rows, "nulls": nulls}
    found = frame(con.execute(EACH_KIND, given))
    assert len(found) == rows and len(found.columns) == 18
    pd.testing.assert_frame_equal(found, as_duckdb(con, EACH_KIND, given), check_exact=True)


def test_kinds_that_numpy_has_not_and_equal_names_are_left_to_duckdb():
    con = connect()
    sql = OTHER_KINDS.replace("'x'::JSON AS j, ", "")
    pd.testing.assert_frame_equal(frame(con.execute(sql)), as_duckdb(con, sql))
    twice = frame(con.execute("SELECT 1 AS a, 'b' AS a"))
    pd.testing.assert_frame_equal(twice, as_duckdb(con, "SELECT 1 AS a, 'b' AS a"))


def test_a_statement_without_rows_gives_what_duckdb_gives():
    con = connect()
    con.execute("CREATE TABLE t (a INTEGER)")
    pd.testing.assert_frame_equal(
        frame(con.execute("INSERT INTO t VALUES (1), (2)")), as_duckdb(con, "INSERT INTO t VALUES (1), (2)"))


def test_what_is_given_can_be_changed():
    con = connect()
    found = frame(con.execute(EACH_KIND, {"rows": 5, "nulls": 2}))
    found.loc[0, ["words", "x", "n", "yes"]] = ["other", 9.5, 7, False]
    found["at_"] += pd.Timedelta(hours=1)
    again = frame(con.execute(EACH_KIND, {"rows": 5, "nulls": 2}))
    assert again["words"][0] == "a0" and again["x"][0] == 0.0 and again["n"][0] == 0 and again["yes"][0]
