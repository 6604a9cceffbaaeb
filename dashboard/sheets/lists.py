"""What commands list and pages offer to take along, each as one table: `--csv`, `--xlsx`, and a page's downloads.

What writes the files is loaded where one is made; lamps and trips, whose fit takes a second to load, are listed by
`outlook_lists`.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from dashboard.text.service import SERVICE_COLUMNS, flat_row, service_rows

OUTAGE_COLUMNS = (
    "cabin", "unit", "kind", "start", "end", "drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper",
    "cause", "rests_on", "dose_low_mj_cm2", "severity")
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"  # as registered with IANA


@dataclass(frozen=True, slots=True)
class Listed:
    """One table: its name, the names of its columns, its rows; instants are in UTC unless they bear an offset."""

    name: str
    columns: Sequence[str]
    rows: Sequence[Sequence[object]]


def picked(name: str, columns: Sequence[str], rows: Iterable[Mapping[Any, Any]]) -> Listed:
    """A table of these columns of each row."""
    return Listed(name, columns, [[row.get(column) for column in columns] for row in rows])


def outages_list(found: pd.DataFrame) -> Listed:
    """Of `ingest.queries.outages`."""
    return picked("outages", OUTAGE_COLUMNS, found.to_dict("records"))


def service_list(found: pd.DataFrame) -> Listed:
    """Of `ingest.queries.service_events`, withdrawn records as such."""
    return picked("service", SERVICE_COLUMNS, map(flat_row, service_rows(found)))


def frame_list(name: str, found: pd.DataFrame) -> Listed:
    """A table of the store as it is."""
    return picked(name, [str(one) for one in found.columns], found.to_dict("records"))


# Files -------------------------------------------------------------------------------------------


def csv_of(one: Listed) -> bytes:
    """It as comma-separated values, UTF-8."""
    from dashboard.sheets.tabular import write_csv

    out = io.StringIO(newline="")
    write_csv(out, one.columns, one.rows)
    return out.getvalue().encode()


def xlsx_of(one: Listed) -> bytes:
    """It as a workbook of one sheet."""
    from dashboard.sheets.tabular import book_of

    return book_of([(one.name, one.columns, one.rows)])


FORMS: Mapping[str, tuple[Callable[[Listed], bytes], str]] = {
    "csv": (csv_of, "text/csv"), "xlsx": (xlsx_of, XLSX_TYPE)}


def file_name(name: str, ending: str, *, of: Sequence[str] = (), since: date | None = None, until: date) -> str:
    """What a file is called: the list, whose it is, and the days it is of."""
    days = f"{since:%Y-%m-%d}_{until:%Y-%m-%d}" if since is not None else f"to-{until:%Y-%m-%d}"
    whose = "-".join(of) or "all-cabins"
    return re.sub(r"[^a-z0-9._-]", "", f"{name}_{whose}_{days}.{ending}")
