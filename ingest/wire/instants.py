"""Values of one payload by their instant; where it says two things of one instant, both are told on."""

from __future__ import annotations

from models.exposure import WORSE_VALUE

Rows = dict[int, dict[str, float | bool]]  # instant (Unix time in ms) to column and value

_WORSE = {column: min if kept == "min" else max for column, kept in WORSE_VALUE.items()}


def put(rows: Rows, clashes: Rows | None, at_ms: int, column: str, value: float | bool) -> None:
    """Put a value into its row; of further ones for the same instant that differ, the worst into `clashes`."""
    first = rows.setdefault(at_ms, {}).setdefault(column, value)
    if first != value and clashes is not None:
        others = clashes.setdefault(at_ms, {})
        others[column] = _WORSE[column](others.get(column, value), value)
