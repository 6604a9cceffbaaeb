"""Lists as CSV and as workbooks, read back by other libraries, against what `--json` and the store say."""

from __future__ import annotations

import io
import json
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import pytest

from tests.ingest.drawn_log import refused, run
from tests.lamp_fleet import lamp_store
from tests.recorded_month import NOTE, recorded_month


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lists") / "tarnlight.duckdb"
    recorded_month(path)
    return path


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lists-lamps") / "tarnlight.duckdb"
    lamp_store(path)
    return path


def both(path: Path, folder: Path, *words: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The list as CSV and as a workbook."""
    out = folder / "list.xlsx"
    run(path, *words, "--xlsx", str(out))
    assert out.stat().st_mode & 0o077 == 0
    return pd.read_csv(io.StringIO(run(path, *words, "--csv"))), pd.read_excel(out, engine="openpyxl")


def test_outages_are_those_of_json_and_their_seconds_those_of_the_store(made: Path, tmp_path: Path) -> None:
    asked = pd.Timestamp.now("UTC")
    told = json.loads(run(made, "outages", "--cabin", "heron-point", "--json"))
    over = [pd.Timestamp(one["end"]) < asked for one in told]  # a silence that goes on grows from list to list
    assert sum(over) >= 3
    for found in both(made, tmp_path, "outages", "--cabin", "heron-point"):
        assert list(found.columns) == list(told[0])
        assert list(found["kind"]) == [one["kind"] for one in told]
        for name in ("drawn_l", "underdosed_l_upper"):
            wanted = [float("nan") if one[name] is None else one[name] for one in told]
            assert found[name][over].tolist() == pytest.approx(
                [one for one, ended in zip(wanted, over, strict=True) if ended], nan_ok=True)
        assert list(pd.to_datetime(found["start"])) == [pd.Timestamp(one["start"]) for one in told]
    con = duckdb.connect(str(made), read_only=True)
    [(dark_s,)] = con.execute("SELECT sum(seconds) FROM segment WHERE kind = 'dark'").fetchall()
    con.close()
    dark = found[found["kind"] == "dark"]
    assert (pd.to_datetime(dark["end"]) - pd.to_datetime(dark["start"])).dt.total_seconds().sum() == dark_s > 0


def test_service_is_that_of_the_store_and_a_note_is_no_formula(made: Path, tmp_path: Path) -> None:
    con = duckdb.connect(str(made), read_only=True)
    kept = con.execute("SELECT id::VARCHAR, kind, note FROM service_event ORDER BY \"at\" DESC").fetchall()
    con.close()
    table, book = both(made, tmp_path, "service", "list")
    assert list(zip(table["id"], table["kind"], strict=True)) == [row[:2] for row in kept]
    assert list(book["id"]) == list(table["id"]) and NOTE in set(book["note"]) and f"'{NOTE}" in set(table["note"])
    assert dict(zip(table["kind"], table["state"], strict=True))["sleeve-cleaned"] == "withdrawn"
    cells = [cell for row in openpyxl.load_workbook(tmp_path / "list.xlsx").active.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells if cell.value is not None} <= {"s", "n", "b"}


def test_lamps_and_visits_are_alike_in_both(fleet: Path, tmp_path: Path) -> None:
    for words in (("lamps",), ("visits",)):
        table, book = both(fleet, tmp_path, *words)
        assert len(table) and list(table.columns) == list(book.columns)
        for name in table.columns:
            if pd.api.types.is_numeric_dtype(table[name]):
                assert book[name].tolist() == pytest.approx(table[name].tolist(), nan_ok=True), name
            else:
                assert [str(one) for one in book[name]] == [str(one) for one in table[name]], name


def test_a_list_of_nothing_has_its_head(made: Path, tmp_path: Path) -> None:
    for found in both(made, tmp_path, "quarantine", "list"):
        assert list(found.columns) == ["cabin", "unit", "held", "rows", "since", "ahead_s"] and found.empty


def test_another_ending_is_refused(made: Path) -> None:
    assert "ends in .xlsx" in refused(made, "outages", "--xlsx", "list.pdf")
