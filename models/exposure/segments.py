"""Pieces of time cut at the borders of hours, merged for the store and for people, and summed.

The clock hours of a time zone whose offset is not whole hours begin within UTC's: there a quarter of an hour is the
period, since every offset in use is a multiple of it (IANA time zone database, from memory: none but historic local
mean times differ). So hours, days and months of any zone are sums of whole periods, and nothing counts twice.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.exposure.instants import US_PER_H, US_PER_S, Bools, Floats, Ints, instants, microseconds
from models.exposure.severity import SEVERITIES, severity_ranks
from models.exposure.words import IntervalKind

SUMMED = ("drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper", "seconds")
QUARTER_US = US_PER_H // 4


@lru_cache(maxsize=1024)
def period_us(time_zone: str) -> int:
    """The period into which a zone's time is summed: an hour, or a quarter where its hours are not UTC's. [us]"""
    zone = ZoneInfo(time_zone)
    offsets = {
        zone.utcoffset(datetime(year, month, 15, tzinfo=UTC).astimezone(zone).replace(tzinfo=None))
        for year in range(1990, 2040) for month in (1, 4, 7, 10)}
    whole = all(offset is not None and offset.total_seconds() % 3600 == 0 for offset in offsets)
    return US_PER_H if whole else QUARTER_US


def cut(pieces: pd.DataFrame, period: Ints) -> pd.DataFrame:
    """The same pieces, none across the border of a period; litres go with the time.

    Parameters
    ----------
    pieces : DataFrame
        As of `models.exposure.intervals.exposure`.
    period : ndarray of int, shape (units,)
        Each unit's period, by `unit_no`. [us]
    """
    if pieces.empty:
        return pieces
    each = period[pieces["unit_no"].to_numpy()]
    start, end = microseconds(pieces["start"]), microseconds(pieces["end"])
    first = start // each
    times = (end - 1) // each - first + 1
    if (times == 1).all():
        return pieces
    part = np.arange(int(times.sum())) - np.repeat(np.cumsum(times) - times, times)
    index = np.repeat(np.arange(len(pieces)), times)
    border = (first[index] + part) * each[index]
    begin, finish = np.maximum(border, start[index]), np.minimum(border + each[index], end[index])
    out = pieces.take(index).reset_index(drop=True)
    out["start"], out["end"] = instants(begin), instants(finish)
    share = (finish - begin) / (end - start)[index]
    for name in SUMMED[:-1]:
        out[name] = out[name].to_numpy() * share
    out["seconds"] = (finish - begin) / US_PER_S
    return out


def segments(pieces: pd.DataFrame, period: Ints, breaks: Bools | None = None) -> pd.DataFrame:
    """Neighbours alike in kind, cause, ground and severity as one, for the store; never across a period's border.

    Parameters
    ----------
    pieces : DataFrame
        As of `cut`, sorted by unit and start.
    period : ndarray of int, shape (units,)
    breaks : ndarray of bool, shape (rows,), optional
        Rows at which a segment has to begin, because a state stands there from which time is taken up again.

    Returns
    -------
    DataFrame
        Columns of `pieces`: volumes and seconds summed (NaN if any part is unknown), flow_l_min the mean over the
        time, dose_low_mj_cm2 the least over the pieces in which water flowed (inf if none did, NaN if unknown).
    """
    if pieces.empty:
        return pieces.copy()
    begins = _changes(pieces, ("unit_no", "kind", "cause", "rests_on", "severity"))
    bucket = microseconds(pieces["start"]) // period[pieces["unit_no"].to_numpy()]
    begins[1:] |= bucket[1:] != bucket[:-1]
    if breaks is not None:
        row = pieces["row"].to_numpy()
        begins[1:] |= breaks[row[1:]] & (row[1:] != row[:-1])
    return _merged(pieces, np.flatnonzero(begins))


def _changes(table: pd.DataFrame, columns: tuple[str, ...]) -> Bools:
    """Rows that differ from the one before in any of these columns; the first does."""
    begins = np.ones(len(table), bool)
    begins[1:] = False
    for name in columns:
        codes = table[name].to_numpy() if name == "unit_no" else pd.factorize(table[name])[0]
        begins[1:] |= codes[1:] != codes[:-1]
    return begins


def join(parts: pd.DataFrame) -> pd.DataFrame:
    """Stored segments as whole intervals for people: neighbours of one kind that touch are one.

    Parameters
    ----------
    parts : DataFrame
        As of `segments`, sorted by start; may hold several units, told apart by columns `cabin` and `unit`, sorted
        by these first.

    Returns
    -------
    DataFrame
        [cabin, unit,] kind, start, end, drawn_l, drawn_l_upper, underdosed_l, underdosed_l_upper, cause (that of
        the longest part), rests_on (all grounds, in order), dose_low_mj_cm2, severity (the worst of its parts),
        seconds. `lit` intervals stand among them.
    """
    keys = tuple(name for name in ("cabin", "unit") if name in parts)
    names = [
        *keys, "kind", "start", "end", "drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper", "cause",
        "rests_on", "dose_low_mj_cm2", "severity", "seconds",
    ]
    if parts.empty:
        return parts.reindex(columns=names)
    begins = _changes(parts, (*keys, "kind"))
    begins[1:] |= microseconds(parts["start"])[1:] != microseconds(parts["end"])[:-1]
    group = np.cumsum(begins) - 1
    whole = _merged(parts, np.flatnonzero(begins))
    longest = parts.assign(group=group).groupby(["group", "cause"], sort=False)["seconds"].sum().reset_index()
    longest = longest.sort_values(["group", "seconds"], ascending=[True, False], kind="stable")
    whole["cause"] = longest.drop_duplicates("group")["cause"].to_numpy()
    worst = pd.Series(severity_ranks(parts["severity"])).groupby(group).max()
    whole["severity"] = np.array(SEVERITIES, object)[worst.to_numpy()]
    grounds = pd.DataFrame({"group": group, "rests_on": parts["rests_on"].to_numpy()}).drop_duplicates()
    whole["rests_on"] = grounds.groupby("group")["rests_on"].agg("; ".join).to_numpy()
    return whole[names]


def _merged(parts: pd.DataFrame, first: Ints) -> pd.DataFrame:
    """One row per run of rows that begins at `first`; what is not summed is the first's."""
    merged = parts.iloc[first].reset_index(drop=True)
    merged["end"] = parts["end"].iloc[np.append(first[1:], len(parts)) - 1].array
    seconds = parts["seconds"].to_numpy()
    for name in SUMMED:
        merged[name] = np.add.reduceat(parts[name].to_numpy(), first)
    if "flow_l_min" in parts:
        merged["flow_l_min"] = np.add.reduceat(parts["flow_l_min"].to_numpy() * seconds, first) / merged["seconds"]
    dose = parts["dose_low_mj_cm2"].to_numpy()
    flows = parts["drawn_l_upper"].to_numpy() > 0
    merged["dose_low_mj_cm2"] = np.fmin.reduceat(np.where(flows, dose, np.inf), first)
    nothing_known = np.logical_and.reduceat(~flows | np.isnan(dose), first) & np.logical_or.reduceat(flows, first)
    merged.loc[nothing_known, "dose_low_mj_cm2"] = np.nan
    return merged


def hourly(pieces: pd.DataFrame, period: Ints) -> pd.DataFrame:
    """Sums per unit and period: an hour, or a quarter of one (`period_us`).

    Parameters
    ----------
    pieces : DataFrame
        As of `cut`, sorted by unit and start.
    period : ndarray of int, shape (units,)

    Returns
    -------
    DataFrame
        unit_no, hour (the period's start), volume_l, volume_l_upper, underdosed_l (the least), underdosed_l_upper,
        in_spec_l (drawn lit with the dose at its target, by water and flow that the unit was tested at),
        dose_p05_mj_cm2, dose_p50_mj_cm2 (percentiles of the lower bound by volume; NaN where that share of the
        water had an unknown dose, or none flowed), lit_s, warming_s, weak_s, dark_s, unheard_s. Volumes are sums of
        what is known, NaN if nothing is.
    """
    unit_no = pieces["unit_no"].to_numpy()
    bucket = microseconds(pieces["start"]) // period[unit_no] if len(pieces) else np.zeros(0, np.int64)
    begins = np.ones(len(pieces), bool)
    begins[1:] = (bucket[1:] != bucket[:-1]) | (unit_no[1:] != unit_no[:-1])
    first = np.flatnonzero(begins)
    kinds = pieces["kind"].to_numpy(dtype=object)
    seconds, drawn = pieces["seconds"].to_numpy(), pieces["drawn_l"].to_numpy()
    out: dict[str, object] = {
        "unit_no": unit_no[first],
        "hour": instants(bucket[first] * period[unit_no[first]] if first.size else first)}
    for name, column in (
        ("volume_l", drawn), ("volume_l_upper", pieces["drawn_l_upper"].to_numpy()),
        ("underdosed_l", pieces["underdosed_l"].to_numpy()),
        ("underdosed_l_upper", pieces["underdosed_l_upper"].to_numpy()),
        ("in_spec_l", np.where((kinds == IntervalKind.LIT) & pieces["in_range"].to_numpy(), drawn, 0.0)),
    ):
        out[name] = _known_sum(column, first)
    for kind in IntervalKind:
        out[f"{kind}_s"] = np.add.reduceat(np.where(kinds == kind, seconds, 0.0), first) if first.size else first
    group = np.cumsum(begins) - 1
    for name, share in (("dose_p05_mj_cm2", 0.05), ("dose_p50_mj_cm2", 0.50)):
        out[name] = dose_by_volume(group, first.size, pieces["dose_low_mj_cm2"].to_numpy(), drawn, share)
    return pd.DataFrame(out)


def _known_sum(column: Floats, first: Ints) -> Floats:
    """Per run the sum of what is known; NaN if nothing is."""
    if not first.size:
        return np.zeros(0)
    known = ~np.isnan(column)
    total = np.add.reduceat(np.where(known, column, 0.0), first)
    return np.where(np.logical_or.reduceat(known, first), total, np.nan)


def dose_by_volume(group: Ints, groups: int, dose: Floats, volume: Floats, share: float) -> Floats:
    """Per group the dose that `share` of the water stayed at or below; unknown doses sort lowest.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Of each stretch of water, from 0 on.
    groups : int
        How many there are.
    dose, volume : ndarray, shape (n,)
        [mJ/cm2], [L]
    share : float
        0 to 1.

    Returns
    -------
    ndarray, shape (groups,)
        NaN where that share of the water had an unknown dose, or none flowed.
    """
    out = np.full(groups, np.nan)
    i = np.flatnonzero(volume > 0)
    if not i.size:
        return out
    rank = np.where(np.isnan(dose[i]), -np.inf, dose[i])
    i = i[np.lexsort((i, rank, group[i]))]
    mine, litres = group[i], volume[i]
    begins = np.flatnonzero(np.append(True, mine[1:] != mine[:-1]))
    total = np.add.reduceat(litres, begins)
    run = np.cumsum(np.append(True, mine[1:] != mine[:-1])) - 1
    # summed within each group alone, so that no other group's litres touch its last digit
    summed = pd.Series(litres).groupby(run).cumsum().to_numpy()
    reached = np.flatnonzero(summed >= share * total[run])
    at = reached[np.append(True, run[reached][1:] != run[reached][:-1])]
    out[mine[at]] = dose[i[at]]
    return out
