"""What a valid row is: the one definition, for messages and for files alike."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

# Rounded to what the sensors can tell: a third of the file's size (DEVELOPERS.md, decisions).
DECIMALS = {
    "intensity_w_m2": 2, "flow_l_min": 3, "total_l": 2, "uvt_pct": 2, "water_temp_c": 2, "battery_v": 3,
    "lamp_hours": 4,
}
FLAGS = ("lamp_on", "power_on")
QUANTITY_COLUMNS = (*FLAGS, *DECIMALS)
KEY = ("cabin", "unit", "at")

FUTURE_S = 300  # a logger's clock may be that far ahead; common practice, no source
EARLIEST = pd.Timestamp("2015-01-01", tz="UTC")  # before it a clock was not set


class Reading(pa.DataFrameModel):
    """One row per unit and instant; an empty cell means 'not measured', never zero."""

    cabin: str = pa.Field(str_matches=r"^[a-z0-9][a-z0-9-]{0,62}$")
    unit: str = pa.Field(str_matches=r"^[a-z0-9][a-z0-9-]{0,62}$")
    at: pd.DatetimeTZDtype = pa.Field(dtype_kwargs={"unit": "us", "tz": "UTC"}, ge=EARLIEST)
    lamp_on: pd.BooleanDtype = pa.Field(nullable=True)
    power_on: pd.BooleanDtype = pa.Field(nullable=True)
    intensity_w_m2: float = pa.Field(ge=0, le=5000, nullable=True)
    flow_l_min: float = pa.Field(ge=0, le=100_000, nullable=True)
    total_l: float = pa.Field(ge=0, lt=1e12, nullable=True)
    uvt_pct: float = pa.Field(gt=0, le=100, nullable=True)
    water_temp_c: float = pa.Field(ge=-40, le=120, nullable=True)
    battery_v: float = pa.Field(ge=0, le=1000, nullable=True)
    lamp_hours: float = pa.Field(ge=0, lt=1e7, nullable=True)

    class Config:
        strict = True  # an unknown column is a renamed sensor until someone says otherwise
        coerce = True


def rounded(batch: pd.DataFrame) -> pd.DataFrame:
    """The batch with all columns of a reading, in their order and types, rounded."""
    out = batch.reindex(columns=[*KEY, *QUANTITY_COLUMNS])
    for column, decimals in DECIMALS.items():
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
        `row` (label in the batch's index), `column` ("" for a whole row), `value`, `check` (what it failed: one of
        few), `reason`.
    """
    problems = [_whole_rows(batch, now)]
    valid = batch
    try:
        Reading.validate(batch, lazy=True)
    except SchemaErrors as error:
        cases = error.failure_cases
        if cases["index"].isna().any():  # a whole column is wrong: no row can be trusted
            raise
        problems.append(pd.DataFrame({
            "row": cases["index"].to_numpy(),
            "column": cases["column"].to_numpy(),
            "value": cases["failure_case"].astype(str).to_numpy(),
            "check": cases["check"].astype(str).to_numpy(),
            "reason": (cases["column"].astype(str) + " = " + cases["failure_case"].astype(str)
                       + " is out of range: " + cases["check"].astype(str)).to_numpy(),
        }))
    refused = pd.concat(problems, ignore_index=True)
    if refused.empty:
        return batch, refused
    whole = refused["column"].isin(KEY) | (refused["column"] == "")
    valid = batch.drop(refused.loc[whole, "row"].unique())
    for column, cells in refused[~whole].groupby("column"):
        name = str(column)
        valid = valid.assign(**{name: valid[name].mask(valid.index.isin(cells["row"]))})
    return valid[valid[list(QUANTITY_COLUMNS)].notna().any(axis=1)], refused


def _whole_rows(batch: pd.DataFrame, now: pd.Timestamp) -> pd.DataFrame:
    """Rows that no column's bound can judge: from the future, or without any value."""
    late = batch.index[batch["at"] > now + pd.Timedelta(seconds=FUTURE_S)]
    empty = batch.index[batch[list(QUANTITY_COLUMNS)].isna().all(axis=1)]
    clock = f"more than {FUTURE_S} s after its arrival: the logger's clock is wrong"
    told = np.datetime_as_string(batch.loc[late, "at"].to_numpy("datetime64[s]"))
    return pd.DataFrame({
        "row": [*late, *empty], "column": "", "value": "",
        "check": ["future"] * len(late) + ["empty"] * len(empty),
        "reason": [*(f"at = {at}+00:00 lies {clock}" for at in told),
                   *["no quantity has a value"] * len(empty)],
    })
