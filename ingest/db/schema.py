"""Which rows and cells of a batch are valid, for messages and for files alike; `db.reading` is the definition.

That module is loaded with the first batch: its library takes longer to load than pandas, and who only reads a store
needs none of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from models.own_clock import TOLERANCE_S
from models.units import FLAGS

# Rounded to what the sensors can tell: a third of the file's size (DEVELOPERS.md, decisions).
DECIMALS = {
    "intensity_w_m2": 2, "flow_l_min": 3, "total_l": 2, "uvt_pct": 2, "water_temp_c": 2, "battery_v": 3,
    "lamp_hours": 4,
}
QUANTITY_COLUMNS = (*FLAGS, *DECIMALS)
KEY = ("cabin", "unit", "at")

FUTURE_S = int(TOLERANCE_S)  # a logger's clock may be that far ahead


def rounded(batch: pd.DataFrame) -> pd.DataFrame:
    """The batch with all columns of a reading, in their order and types, rounded."""
    out = batch.reindex(columns=[*KEY, *QUANTITY_COLUMNS])
    for column, decimals in DECIMALS.items():
        with np.errstate(over="ignore"):  # what is too large to be rounded is infinite, and refused for its range
            out[column] = pd.to_numeric(out[column]).astype("float64").round(decimals)
    for column in FLAGS:
        out[column] = out[column].astype("boolean")
    return out


def split(batch: pd.DataFrame, now: pd.Timestamp) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What of a batch holds, and what to quarantine.

    A bad cell is refused alone and the rest of its row kept; a row whose key is bad is refused whole.

    Parameters
    ----------
    batch : DataFrame
        Columns of `Reading`, a unique index, rounded.
    now : Timestamp
        Arrival; what lies over five minutes after it is refused (a wrong clock).

    Returns
    -------
    valid : DataFrame
        Rows that hold at least one quantity, refused cells empty.
    refused : DataFrame
        `row` (label in the batch's index), `column` ("" for a whole row), `check` (what it failed, one of few); in
        words by `reasons`. Of a row refused whole only that.
    """
    from ingest.db.reading import Reading

    refused = pd.concat([*_bad_keys(batch, now), *_bad_cells(batch)], ignore_index=True)
    if refused.empty:
        Reading.validate(batch)
        return batch, refused
    whole = refused["column"].isin(KEY) | (refused["column"] == "")
    gone = refused.loc[whole, "row"].unique()
    refused = refused[whole | ~refused["row"].isin(gone)].reset_index(drop=True)
    valid = batch.drop(gone)
    for column, cells in refused[refused["column"].isin(QUANTITY_COLUMNS)].groupby("column"):
        name = str(column)
        valid = valid.assign(**{name: valid[name].mask(valid.index.isin(cells["row"]))})
    valid = valid[valid[list(QUANTITY_COLUMNS)].notna().any(axis=1)]
    Reading.validate(valid)  # of what is left nothing can fail but a whole column, and then no row can be trusted
    return valid, refused


# By the names of pandera's checks; each has one bound.
_ALLOWED = {
    "greater_than_or_equal_to": "it must be at least {}", "greater_than": "it must be above {}",
    "less_than_or_equal_to": "it must be at most {}", "less_than": "it must be below {}",
    "str_matches": "it must be 1 to 63 of a-z, 0-9 and '-', and start with a letter or digit"}


def reasons(batch: pd.DataFrame, refused: pd.DataFrame) -> list[str]:
    """Why each of these rows and cells was refused, as people read it; of the batch that `split` was given."""
    out = np.full(len(refused), "", dtype=object)
    for (name, check), group in refused.groupby(["column", "check"], sort=False):
        column = str(name) or "at"
        told = _texts(batch.loc[group["row"], column])
        if check == "empty":
            words = ["no quantity has a value"] * len(told)
        elif check == "future":
            clock = f"more than {FUTURE_S} s after its arrival: the logger's clock is wrong"
            words = [f"at = {at} lies {clock}" for at in told]
        else:
            words = [f"{column} = {value} is out of range: {check}" for value in told]
        out[refused.index.get_indexer(group.index)] = words
    return out.tolist()


def _texts(values: pd.Series) -> list[str]:
    """Cells as a reason shows them."""
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        return [f"{at}+00:00" for at in np.datetime_as_string(values.to_numpy("datetime64[s]"))]
    return [str(value) for value in values.tolist()]


def _problems(rows: pd.Index, column: str, check: str) -> pd.DataFrame:
    """Rows or cells that fail one check."""
    return pd.DataFrame({"row": rows}).assign(column=column, check=check)


def _bad_keys(batch: pd.DataFrame, now: pd.Timestamp) -> list[pd.DataFrame]:
    """Rows that no column's bound can judge: from the future, or without any value."""
    late = batch.index[batch["at"] > now + pd.Timedelta(seconds=FUTURE_S)]
    empty = batch.index[batch[list(QUANTITY_COLUMNS)].isna().all(axis=1)]
    return [_problems(late, "", "future"), _problems(empty, "", "empty")]


def _bad_cells(batch: pd.DataFrame) -> list[pd.DataFrame]:
    """Cells outside the bounds of `Reading`, column by column.

    By its own checks but not through `Reading.validate`, whose account of many failures takes a second and 100 MB.
    """
    from ingest.db.reading import Reading

    out: list[pd.DataFrame] = []
    for name, column in Reading.to_schema().columns.items():
        if name not in batch:
            continue
        values = batch[name]
        known = values.dropna()
        if not column.nullable and len(known) < len(values):
            out.append(_problems(values.index[values.isna()], name, "it must have a value"))
        if known.empty:
            continue
        for check in column.checks or ():
            passed = check(known).check_output.astype(bool)
            if not passed.all():
                out.append(_problems(known.index[~passed], name, _allowed(check)))
    return out


def _allowed(check: Any) -> str:
    """What a check of `Reading` lets pass, as people read it."""
    words = _ALLOWED.get(check.name)
    if words is None:
        return str(check.error)
    (bound,) = check.statistics.values()
    if isinstance(bound, (int, float)):
        return words.format(f"{bound:,.0f}")
    return words.format(f"{bound:%Y-%m-%d}" if isinstance(bound, pd.Timestamp) else bound)
