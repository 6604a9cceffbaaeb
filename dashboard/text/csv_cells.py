"""Cells of a CSV that leaves, as no spreadsheet takes them for a formula."""

from __future__ import annotations

import re
from collections.abc import Iterable

# What a spreadsheet may work out rather than show (common practice, no source): a name like =1+1 is one.
_FORMULA = re.compile(r"[=+\-@\t\r\n]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


def cells(values: Iterable[object]) -> list[object]:
    """The values of a row; a text that begins like a formula gets a quote mark before it, a number stays one."""
    return [f"'{value}" if isinstance(value, str) and is_formula(value) else value for value in values]


def is_formula(text: str) -> bool:
    """Whether a spreadsheet may take a text for a formula."""
    return _FORMULA.match(text) is not None and not _NUMBER.fullmatch(text)
