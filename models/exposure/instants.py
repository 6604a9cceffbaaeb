"""Instants as whole microseconds, as the models of exposure count them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

US_PER_S = 1_000_000
US_PER_MIN = 60_000_000
US_PER_H = 3_600_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NEVER = int(np.iinfo(np.int64).min // 4)  # an instant before all others that can be subtracted without overflow


def microseconds(column: pd.Series) -> Ints:
    """Instants as whole microseconds since 1970 in UTC, NaT as `NEVER`; a naive column is refused."""
    if not isinstance(column.dtype, pd.DatetimeTZDtype):
        raise ValueError(f"{column.name or 'instants'} must be instants with a time zone; got {column.dtype}")
    stamps = column.dt.tz_convert("UTC").dt.as_unit("us")
    us = stamps.astype("int64").to_numpy(dtype=np.int64)
    missing = stamps.isna().to_numpy()
    return np.where(missing, NEVER, us) if missing.any() else us


def instants(us: Ints) -> pd.Series:
    """The way back from `microseconds`; `NEVER` becomes NaT."""
    stamps = us.astype("datetime64[us]")
    stamps[us == NEVER] = np.datetime64("NaT")
    return pd.Series(stamps).dt.tz_localize("UTC")


def microsecond(instant: datetime | None) -> int:
    """One instant as of `microseconds`; `NEVER` for None."""
    return NEVER if instant is None else (instant - EPOCH) // timedelta(microseconds=1)


def moment(us: int) -> datetime | None:
    """The way back from `microsecond`."""
    return None if us == NEVER else EPOCH + timedelta(microseconds=int(us))
