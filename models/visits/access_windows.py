"""On which days, and between which hours, a cabin can be entered: bookings in, windows out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseRules:
    """When guests leave and come, and when a firm works; minutes after local midnight."""

    leave_min: int = 11 * 60
    arrive_min: int = 16 * 60
    work_from_min: int = 7 * 60
    work_until_min: int = 18 * 60

    def __post_init__(self) -> None:
        if not 0 <= self.work_from_min < self.work_until_min <= 24 * 60:
            raise ValueError(
                f"work_from_min must be before work_until_min, both 0 to 1440; got {self.work_from_min} and "
                f"{self.work_until_min}"
            )
        if not 0 <= self.leave_min <= 24 * 60 or not 0 <= self.arrive_min <= 24 * 60:
            raise ValueError(f"leave_min and arrive_min must be 0 to 1440; got {self.leave_min}, {self.arrive_min}")


def open_windows(
    cabins: tuple[str, ...], days: np.ndarray, bookings: pd.DataFrame, rules: HouseRules | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Hours at which each cabin may be entered on each day.

    Parameters
    ----------
    cabins : tuple of str, length c
    days : ndarray of datetime64[D], shape (d,)
        Local days.
    bookings : DataFrame
        `cabin`, `start`, `end`: local dates; the end is the day of departure, as DTEND of an all-day event in
        RFC 5545, section 3.6.1, which it does not include.
    rules : HouseRules, optional

    Returns
    -------
    opens_min, closes_min : ndarray of int, shape (c, d)
        Minutes after local midnight; equal where the cabin is taken all day. A day of departure opens when the
        guests leave, a day of arrival closes when they come.

    Raises
    ------
    ValueError
        If a booking ends before it starts.
    """
    rules = HouseRules() if rules is None else rules
    opens = np.full((len(cabins), len(days)), rules.work_from_min)
    closes = np.full((len(cabins), len(days)), rules.work_until_min)
    known = bookings[bookings["cabin"].isin(cabins)]
    start, end = (np.asarray(known[name]).astype("datetime64[D]") for name in ("start", "end"))
    if (end < start).any():
        wrong = int(np.argmax(end < start))
        raise ValueError(
            f"the booking of {known['cabin'].iloc[wrong]!r} from {start[wrong]} ends before it starts: {end[wrong]}"
        )
    row = known["cabin"].map({cabin: at for at, cabin in enumerate(cabins)}).to_numpy(dtype=int)
    leaves, comes = days == end[:, None], days == start[:, None]
    inside = (days > start[:, None]) & (days < end[:, None])
    np.maximum.at(opens, row, np.where(leaves, rules.leave_min, 0))
    np.minimum.at(closes, row, np.where(comes, rules.arrive_min, 24 * 60))
    np.minimum.at(closes, row, np.where(inside, 0, 24 * 60))
    return opens, np.maximum(closes, opens)
