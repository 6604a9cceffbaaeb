"""Filters by what they let through: the highest flows of late against those just after the last change."""

from __future__ import annotations

import pandas as pd

CLEAN_DAYS = 21  # after a change: what the unit reaches with a clean filter
RECENT_DAYS = 14  # what it reaches now
LEAST_DAYS = 5  # with draws, in each of the two, else nothing is said
LEAST_READINGS = 5  # of flowing water, for a day to count as one with draws
HIGH_SHARE = 0.75  # of the days' peak flows: people do not open every tap every day, but on some they do
DUE_LOSS = 0.25  # of the highest flow: the filter is due; common practice, no source

FILTER_COLUMNS = ("cabin", "unit", "clean_l_min", "now_l_min", "loss", "due", "evidence")


def filter_losses(peaks: pd.DataFrame, changed: pd.DataFrame, *, today: pd.Timestamp) -> pd.DataFrame:
    """How much of its highest flow each unit has lost since its filter was changed.

    Parameters
    ----------
    peaks : DataFrame
        One row per unit and day: `cabin`, `unit`, `day` (timestamp of midnight), `peak_l_min` (95th percentile of
        that day's flowing readings) and `readings` (how many flowed). Any order. [L/min]
    changed : DataFrame
        `cabin`, `unit`, `day`: the last filter change, one row a unit. The day itself mixes before and after and
        is left out.
    today : Timestamp
        Midnight after the last day that counts.

    Returns
    -------
    DataFrame
        `COLUMNS`, one row a unit for which both flows are known; `loss` is a share, below 0 where flow rose; `due`
        from `DUE_LOSS` on. A unit changed too recently, or with too few days of draws, has no row: unknown is not
        "clean".

    Raises
    ------
    ValueError
        If a peak flow is negative, or a unit stands twice in `changed`.

    Notes
    -----
    A filter bounds what can flow, not what people draw, so high quantiles are compared: of each day's readings, and
    of the days. A lower pump pressure or a closed valve looks the same: the evidence says flow, not filter.
    """
    flow = peaks["peak_l_min"].to_numpy(dtype=float)
    if (flow < 0).any():
        cabin, unit = peaks.loc[flow < 0, ["cabin", "unit"]].iloc[0].tolist()
        raise ValueError(f"peak_l_min must be at least 0 L/min; got {flow[flow < 0][0]!r} for ({cabin}, {unit})")
    twice = changed.duplicated(["cabin", "unit"])
    if twice.any():
        cabin, unit = changed.loc[twice, ["cabin", "unit"]].iloc[0].tolist()
        raise ValueError(f"unit ({cabin}, {unit}) stands twice in changed; give its last change only")
    table = peaks[(peaks["readings"] >= LEAST_READINGS) & (peaks["day"] < today)].merge(
        changed.rename(columns={"day": "changed"}), on=["cabin", "unit"])
    since = (table["day"] - table["changed"]).dt.days
    clean = _high(table[(since >= 1) & (since <= CLEAN_DAYS)], "clean")
    recent = table["day"] >= today - pd.Timedelta(days=RECENT_DAYS)
    now = _high(table[recent & (since > CLEAN_DAYS)], "now")
    both = clean.merge(now, on=["cabin", "unit"])
    both = both[(both["clean_days"] >= LEAST_DAYS) & (both["now_days"] >= LEAST_DAYS) & (both["clean_l_min"] > 0)]
    loss = 1.0 - both["now_l_min"] / both["clean_l_min"]
    both = both.assign(loss=loss, due=loss >= DUE_LOSS)
    figures = both[["loss", "now_l_min", "clean_l_min"]].to_numpy(dtype=float)
    both["evidence"] = pd.Series([
        f"Peak flow {100 * lost:.0f} % lower than after the filter was changed: {now_flow:.1f} against "
        f"{clean_flow:.1f} L/min." if lost >= DUE_LOSS else "" for lost, now_flow, clean_flow in figures],
        index=both.index, dtype="str")
    return both[list(FILTER_COLUMNS)].reset_index(drop=True)


def _high(table: pd.DataFrame, name: str) -> pd.DataFrame:
    """High quantile of each unit's days, and how many days there are."""
    found = table.groupby(["cabin", "unit"])["peak_l_min"]
    return pd.DataFrame({f"{name}_l_min": found.quantile(HIGH_SHARE), f"{name}_days": found.size()}).reset_index()
