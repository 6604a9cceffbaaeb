"""In which order a file writes day, month and year: what its dates allow, and what they speak against."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ingest.settings import BadInput
from ingest.wire.csv_cells import DAY, parts_of
from ingest.wire.csv_shape import DATE_ORDERS

MONTH_DAYS = 28  # the least that lies between the same day of two months
FIRST_YEAR, LAST_YEAR = 2000, 2099  # the last two digits of a year stand for one of these


def distinct_days(columns: Iterable[pd.Series]) -> pd.DataFrame:
    """Each day as written, once, in the file's order: as many rows as the file has days, however long it is.

    What is a day in no order says nothing of it, and is left out.
    """
    found = pd.DataFrame(columns=[0, 1, 2], dtype=str)
    for raw in columns:
        new = raw.str.extract(DAY).dropna().drop_duplicates()
        some = pd.concat([_read(new, order).notna() for order in DATE_ORDERS], axis=1).any(axis=1)
        found = pd.concat([found, new[some]]).drop_duplicates()
    return found.reset_index(drop=True)


def orders_of(days: pd.DataFrame, told: str, where: str) -> tuple[str, ...]:
    """The orders in which these days can be read; what is told is refused where a day speaks against it.

    Raises
    ------
    BadInput
        If they can be read in none, or not in the one that is told.
    """
    read = {order: _read(days, order) for order in DATE_ORDERS}
    fits = tuple(order for order, at in read.items() if at.notna().all())
    if days.empty:
        raise BadInput(f"{where}: no date could be read; days are taken as 2026-11-05, 05.11.2026 or 11/05/26")
    if not fits:
        raise BadInput(f"{where}: its dates are in no one order: " + "; ".join(
            f"{_first(days, at.isna())} is no date as {order}" for order, at in read.items()))
    if told and told not in fits:
        raise BadInput(f"{where}: its dates are not as {told}: {_first(days, read[told].isna())} is none; "
                       f"they can be as {' or '.join(fits)}")
    if told and len(fits) > 1:
        _refuse_leaps(days, read, told, fits, where)
    return fits


def _read(days: pd.DataFrame, order: str) -> pd.Series:
    """The days in one order; nothing where one cannot be read so."""
    year, month, day = parts_of(days, order)
    year = year.where(year.between(FIRST_YEAR, LAST_YEAR))
    return pd.to_datetime(pd.DataFrame({"year": year, "month": month, "day": day}), errors="coerce")


def _first(days: pd.DataFrame, which: pd.Series) -> str:
    return "/".join(days[which].iloc[0])


def _refuse_leaps(
    days: pd.DataFrame, read: dict[str, pd.Series], told: str, fits: tuple[str, ...], where: str
) -> None:
    """Refuse an order in which each day lies a month from the last, where another has them day after day."""
    def steps(order: str) -> np.ndarray:
        return np.abs(np.diff(read[order].dropna().to_numpy("datetime64[D]").astype("int64")))

    leaps = steps(told)
    for other in fits:
        if other != told and leaps.size and (leaps >= MONTH_DAYS).all() and (steps(other) == 1).all():
            raise BadInput(
                f"{where}: its dates are not as {told}: each would lie a month or more from the one before, and as "
                f"{other} they follow day by day")
