"""The fault suite's one table: filled by its tests, printed at the end of the run."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.fire import Row, table

_ROWS: list[Row] = []


@pytest.fixture
def enter() -> Callable[[Row], None]:
    """Puts a row into the table; fails the test if the honest loggers' readings are not whole."""

    def put(row: Row) -> None:
        _ROWS.append(row)
        assert row.whole, table([row])

    return put


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """The table; also into the file that FAULTS_TABLE names."""
    if not _ROWS:
        return
    text = table(_ROWS)
    terminalreporter.section("faults")
    terminalreporter.write_line(text)
    if path := os.environ.get("FAULTS_TABLE"):
        Path(path).write_text(f"{text}\n", encoding="utf-8")
