"""Lists as files: read back by pandas and another spreadsheet library, and named by whose and of when they are."""

from __future__ import annotations

import io
from datetime import date

import openpyxl
import pandas as pd
import pytest

from dashboard.sheets.lists import FORMS, csv_of, file_name, frame_list, picked, xlsx_of

FORMULA = "=HYPERLINK(\"http://127.0.0.1\",\"x\")"


def test_both_files_hold_the_same_and_no_text_is_a_formula() -> None:
    one = picked("notes", ("cabin", "note", "value"), [
        {"cabin": "heron-point", "note": FORMULA, "value": 1.5}, {"cabin": "otter", "note": "-3.5", "value": None},
        {"cabin": "pike", "note": "été, \"x\"\r\nline", "value": -2.0}])
    table = pd.read_csv(io.BytesIO(csv_of(one)))
    book = pd.read_excel(io.BytesIO(xlsx_of(one)), engine="openpyxl")
    assert list(table.columns) == list(book.columns) == ["cabin", "note", "value"]
    assert table["note"].tolist() == [f"'{FORMULA}", "-3.5", "été, \"x\"\r\nline"]
    assert [str(one).replace("_x000D_", "\r") for one in book["note"]][:2] == [FORMULA, "-3.5"]
    assert table["value"].tolist() == pytest.approx([1.5, float("nan"), -2.0], nan_ok=True)
    sheet = openpyxl.load_workbook(io.BytesIO(xlsx_of(one)))["notes"]
    assert {cell.data_type for row in sheet.iter_rows() for cell in row if cell.value is not None} <= {"s", "n"}


def test_a_list_of_nothing_has_its_head() -> None:
    one = frame_list("refused", pd.DataFrame(columns=["cabin", "reason"]))
    assert csv_of(one) == b"cabin,reason\r\n"
    assert list(pd.read_excel(io.BytesIO(xlsx_of(one)), engine="openpyxl").columns) == ["cabin", "reason"]


@pytest.mark.parametrize(("given", "name"), [
    ({"of": ("heron-point", "main"), "since": date(2026, 10, 28)},
     "outages_heron-point-main_2026-10-28_2026-11-27.csv"),
    ({"of": ("heron-point", "main")}, "outages_heron-point-main_to-2026-11-27.csv"),
    ({}, "outages_all-cabins_to-2026-11-27.csv"),
    ({"of": ("../etc/pass\nwd",)}, "outages_..etcpasswd_to-2026-11-27.csv")])
def test_a_file_is_named_by_its_cabin_and_days(given: dict[str, object], name: str) -> None:
    assert file_name("outages", "csv", until=date(2026, 11, 27), **given) == name  # type: ignore[arg-type]


def test_a_workbook_is_told_to_a_browser_as_one() -> None:
    assert FORMS["xlsx"][1].endswith("spreadsheetml.sheet") and FORMS["csv"][1] == "text/csv"
