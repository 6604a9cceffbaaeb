"""A result of DuckDB as a DataFrame, as its own `df()` gives it, in a third of the time where it is small.

Most questions are answered by a few rows, and `df()` then takes longer than the question: it builds the frame, and
drops and adds columns whose type numpy has not.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import pandas as pd
from pandas.arrays import BooleanArray, IntegerArray


def frame(result: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The rows of a result; its columns have the types that `df()` gives them."""
    kinds = [_KINDS.get(str(one[1])) for one in result.description or ()]
    names = [str(one[0]) for one in result.description or ()]
    if not names or None in kinds or len(set(names)) < len(names):
        with warnings.catch_warnings():  # the driver's use of a pandas option on its way out is not our user's news
            warnings.simplefilter("ignore")
            return result.df()
    found = result.fetchnumpy()
    return pd.DataFrame(
        {name: made(found[name]) for name, made in zip(names, kinds, strict=True) if made is not None}, copy=False)


def _parts(values: Any) -> tuple[Any, Any]:
    """The values, and where they are null; None: nowhere."""
    if isinstance(values, np.ma.MaskedArray):
        mask = np.ma.getmaskarray(values)
        return values.data, mask if mask.any() else None
    return values, None


def _text(values: Any) -> Any:
    found, null = _parts(values)
    if null is not None:
        found = found.copy()
        found[null] = None
    if not len(found) or (null is not None and null.all()):  # nothing says that it is text
        return found
    return pd.array(found, dtype="str")


def _float(values: Any) -> Any:
    found, null = _parts(values)
    return found if null is None else np.where(null, np.nan, found)


def _whole(values: Any) -> Any:
    found, null = _parts(values)
    return found if null is None else IntegerArray(found, null)


def _truth(values: Any) -> Any:
    found, null = _parts(values)
    return found if null is None else BooleanArray(found, null)


def _instant(values: Any) -> Any:
    found, null = _parts(values)
    found = found.astype("datetime64[us]", copy=False)
    if null is not None:
        found = np.where(null, np.datetime64("NaT", "us"), found)
    return pd.DatetimeIndex(found).tz_localize("UTC").array


_KINDS: dict[str, Callable[[Any], Any]] = {
    "VARCHAR": _text, "DOUBLE": _float, "FLOAT": _float, "BOOLEAN": _truth, "TIMESTAMP WITH TIME ZONE": _instant,
    **dict.fromkeys(
        ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT"), _whole),
}
