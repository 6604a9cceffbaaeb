"""The daily rows: what of a day's readings counts, that they follow from the readings alone, and what they cost."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from ingest.db.engine import connect, transaction
from ingest.db.intake import keep
from ingest.db.migrations import MIGRATIONS, migrate
from ingest.db.schema import rounded
from ingest.evaluation import daily
from ingest.evaluation.evaluate import evaluate, owe
from ingest.store import Store

KEY = ("heron-point", "main")
FIRST = datetime(2026, 6, 1, tzinfo=UTC)
WARM_UP_S = 120  # of the test fleet's reactor
NO_ROWS = pd.DataFrame(columns=["source", "cabin", "unit", "payload", "reason"])


def readings(days: float, *, start: datetime = FIRST, step_s: int = 60) -> pd.DataFrame:
    """A lamp lit throughout; water flows ten minutes of every hour, in which it reads 50 W/m2, a day later 49."""
    at = pd.date_range(start, start + timedelta(days=days), freq=f"{step_s}s", inclusive="left", unit="us")
    second = (at - pd.Timestamp(FIRST)).total_seconds().to_numpy()
    hours = second / 3600
    flows = second % 3600 < 600
    level = 50.0 - np.floor(hours / 24)
    wobble = np.arange(len(at)) % 3 * 0.1 - 0.1  # an honest sensor never stands still
    return pd.DataFrame({
        "cabin": KEY[0], "unit": KEY[1], "at": at, "lamp_on": True, "power_on": True,
        "intensity_w_m2": np.where(flows, level, level + 2.0) + wobble, "flow_l_min": np.where(flows, 6.0, 0.0),
        "lamp_hours": 1000.0 + hours, "uvt_pct": 84.0, "water_temp_c": np.where(flows, 9.0, 12.0)})


def take(store: Store, rows: pd.DataFrame) -> None:
    """Keep rows and work out what they mean."""
    now = rows["at"].max().to_pydatetime() + timedelta(minutes=1)

    def work() -> None:
        kept = keep(store.con, rows=rounded(rows.reset_index(drop=True)), arrived=now, refused=NO_ROWS)
        owe(store.con, kept.touched)

    transaction(store.con, work)
    evaluate(store.con, now)


def days_of(store: Store) -> pd.DataFrame:
    return store.ask("SELECT * FROM daily ORDER BY cabin, unit, day")


def test_a_day_is_the_median_of_lit_warmed_flowing_readings(held: Store) -> None:
    take(held, readings(2.1))
    found = days_of(held)
    assert found["day"].dt.strftime("%Y-%m-%d").tolist() == ["2026-06-01", "2026-06-02"]
    assert found["intensity_w_m2"].tolist() == [50.0, 49.0]  # standing water read 2 W/m2 more
    assert found["water_temp_c"].tolist() == [9.0, 9.0]
    # ten flowing readings an hour; at each midnight the first two minutes' are not yet known to be warm
    assert found["readings"].tolist() == [238, 238]
    assert found["lit_h"].tolist() == pytest.approx([24.0, 24.0], abs=0.1)
    assert found["volume_l"].tolist() == pytest.approx([24 * 60.0, 24 * 60.0], abs=7)
    assert found["lamp_hours"].iloc[0] == pytest.approx(1000 + 24 - 1 / 60, abs=1e-3)
    assert found["fault"].tolist() == ["", ""]


def test_a_day_that_is_not_over_has_no_row(held: Store) -> None:
    take(held, readings(0.9))
    assert days_of(held).empty
    take(held, readings(1 / 24, start=FIRST + timedelta(days=1)))
    assert len(days_of(held)) == 1


def test_years_without_a_reading_are_worked_out_together_and_are_no_fault(
    held: Store, caplog: pytest.LogCaptureFixture
) -> None:
    take(held, readings(2.1))
    before = days_of(held)
    take(held, readings(1 / 24, start=FIRST - timedelta(days=900)))  # one hour of long ago, and nothing in between
    assert held.ask("SELECT count(*) AS n FROM unit_fault")["n"].tolist() == [0]
    assert not caplog.messages
    found = days_of(held)
    assert found["day"].tolist() == [pd.Timestamp("2023-12-14"), *before["day"]]
    assert found["intensity_w_m2"].tolist()[1:] == before["intensity_w_m2"].tolist()


def test_readings_of_a_dark_or_warming_lamp_do_not_count(held: Store) -> None:
    rows = readings(1.1)
    minute = (rows["at"] - rows["at"].iloc[0]).dt.total_seconds() / 60
    off = minute.between(600, 604)  # five minutes of a flowing hour, then a restart into flowing water
    rows.loc[off, "lamp_on"] = False
    rows.loc[off, "intensity_w_m2"] = 0.0
    take(held, rows)
    # of that hour's ten: five dark, two within the warm-up of 120 s
    assert days_of(held)["readings"].iloc[0] == 238 - 5 - WARM_UP_S // 60


def test_a_lamp_that_tells_of_itself_only_when_it_changes_counts_as_lit_meanwhile(held: Store) -> None:
    rows = readings(2.1)
    rows["lamp_on"] = pd.array([True] + [None] * (len(rows) - 1), dtype="boolean")
    take(held, rows)
    assert days_of(held)["intensity_w_m2"].tolist() == [50.0, 49.0]


@pytest.mark.parametrize("order", ["late", "shuffled", "piecewise"])
def test_any_order_of_arrival_gives_the_same_days(held: Store, tmp_path: Path, order: str) -> None:
    rows = readings(3.2, step_s=300)
    rows = rows[rows["at"].dt.hour != 5]  # and a daily silence
    pieces = np.array_split(np.arange(len(rows)), 6)
    turns = {"late": [0, 2, 3, 5, 1, 4], "shuffled": [5, 1, 3, 0, 4, 2], "piecewise": [0, 1, 2, 3, 4, 5]}[order]
    for turn in turns:
        take(held, rows.iloc[pieces[turn]])
    other = Store(tmp_path / "at-once.duckdb")
    from tests.conftest import FLEET_TOML

    other.act("enroll", {"text": FLEET_TOML})
    take(other, rows)
    pd.testing.assert_frame_equal(days_of(held), days_of(other))
    other.close()


def test_a_sensor_that_sticks_is_named_on_its_day_and_its_readings_do_not_count(held: Store) -> None:
    rows = readings(2.1)
    sticks = rows["at"] >= pd.Timestamp(FIRST + timedelta(days=1, hours=8))
    rows.loc[sticks, "intensity_w_m2"] = 47.3
    take(held, rows)
    found = days_of(held)
    assert found["fault"].tolist() == ["", "stuck"]
    assert "47.30 W/m2" in found["fault_evidence"].iloc[1]
    assert found["intensity_w_m2"].iloc[1] == 49.0
    assert found["readings"].iloc[1] == 8 * 10 - 2


def test_a_day_says_how_many_values_its_sensor_showed(held: Store) -> None:
    rows = readings(2.1)
    sticks = rows["at"] >= pd.Timestamp(FIRST + timedelta(days=1))
    rows.loc[sticks, "intensity_w_m2"] = 47.3
    take(held, rows)
    assert days_of(held)["values_read"].tolist() == [6, 1]  # three flowing, three standing; one all day


def test_a_sensor_that_reads_in_the_dark_is_named(held: Store) -> None:
    rows = readings(1.1)
    rows["intensity_w_m2"] += 3.0
    off = rows.index[600:640]
    rows.loc[off, "lamp_on"] = False
    rows.loc[off, "intensity_w_m2"] = 3.0 + np.arange(len(off)) % 2 * 0.1
    take(held, rows)
    assert days_of(held)["fault"].tolist() == ["offset"]


def test_a_new_reading_costs_the_same_however_long_the_history(
    held: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows that the evaluation reads for the daily table, after 2 days and after 20."""
    read: list[int] = []
    real = daily.days_of

    def counting(rows: pd.DataFrame, fleet: object) -> pd.DataFrame:
        read.append(len(rows))
        return real(rows, fleet)  # type: ignore[arg-type]

    monkeypatch.setattr(daily, "days_of", counting)
    costs = []
    for until in (2, 20):
        take(held, readings(until, step_s=600))
        read.clear()
        take(held, readings(1 / 144, start=FIRST + timedelta(days=until), step_s=600))  # one reading, a new day
        costs.append(sum(read))
        read.clear()
        take(held, readings(1 / 144, start=FIRST + timedelta(days=until, minutes=10), step_s=600))
        assert read == []  # within a day nothing is read
    assert costs == [144, 144]


def test_a_store_from_before_the_table_gets_its_days_at_the_next_evaluation(held: Store, tmp_path: Path) -> None:
    take(held, readings(2.5))
    wanted = days_of(held)
    # the same store as it was before this step, which is then made anew on what is stored
    (step,) = [sql for sql in MIGRATIONS if "CREATE TABLE daily " in sql]
    held.con.execute("DROP TABLE daily; DROP TABLE daily_owed")
    held.con.execute(step)
    assert days_of(held).empty
    evaluate(held.con, datetime(2026, 6, 4, tzinfo=UTC))
    pd.testing.assert_frame_equal(days_of(held), wanted)


def test_the_oldest_version_and_a_fresh_store_have_the_same_tables(tmp_path: Path) -> None:
    def tables(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
        return con.execute(
            "SELECT table_name, column_name, data_type, is_nullable FROM information_schema.columns "
            "ORDER BY ALL").fetchall()

    old, fresh = connect(tmp_path / "old.duckdb"), connect(tmp_path / "fresh.duckdb")
    migrate(old, until=1)
    migrate(old)
    migrate(fresh)
    assert tables(old) == tables(fresh)
