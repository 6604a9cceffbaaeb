"""What leaves as CSV is text where it was text, and a number where it was one."""

from __future__ import annotations

import csv
import io

import pytest

from dashboard.text.csv_cells import cells


@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "-", "=", "-2 - 3"])
def test_a_text_that_begins_like_a_formula_is_quoted(text: str) -> None:
    assert cells([text]) == ["'" + text]


@pytest.mark.parametrize("value", ["Heron Point", "", "1.5", "-1.5", "+3", "-0.0", "-1e-05", ".5", "-79.2", "a=1"])
def test_other_texts_and_numbers_stay(value: str) -> None:
    assert cells([value]) == [value]


def test_what_is_no_text_stays() -> None:
    row = [None, -1.5, -3, True, float("-inf")]
    assert cells(row) == row


def test_a_quoted_cell_survives_the_csv_itself() -> None:
    out = io.StringIO()
    csv.writer(out).writerow(cells(['=HYPERLINK("http://evil.example","x")', -1.5]))
    assert next(csv.reader(io.StringIO(out.getvalue()))) == ["'=HYPERLINK(\"http://evil.example\",\"x\")", "-1.5"]
