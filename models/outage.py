"""Outages for people and for the store: pieces of a unit's time merged, joined and summed.

The parts that make them are re-exported here, so that callers need one import: `timeline` and `open_tail` cut a
unit's time into pieces, `segments` merges these for the store, `join` for people, `hourly` sums them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.carry import Carry, Cause, Ints, Kind, instants, microseconds
from models.timeline import US_PER_H, held, open_tail, timeline

__all__ = ["Carry", "Cause", "Kind", "held", "hourly", "join", "open_tail", "segments", "timeline"]

SUMMED = ("drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper", "seconds")


def segments(pieces: pd.DataFrame) -> pd.DataFrame:
    """Neighbours of the same kind, cause and ground as one, for the store.

    Always broken at the last reading of each UTC hour (where a `carry` stands), so that taking up again there
    replaces whole segments; an unheard piece stays whole.

    Returns
    -------
    DataFrame
        Columns of `pieces`: volumes and seconds summed (NaN if any part is unknown), flow_l_min the mean over the
        time, dose_low_mj_cm2 the least over the pieces in which water flowed (inf if none did, NaN if unknown).
    """
    if pieces.empty:
        return pieces.copy()
    read = microseconds(pieces["read_at"])
    begins = np.ones(len(pieces), bool)
    for name in ("kind", "cause", "rests_on"):
        if name == "kind":
            begins[1:] = False
        codes = pd.factorize(pieces[name])[0]
        begins[1:] |= codes[1:] != codes[:-1]
    # first piece of a reading that is its hour's last one; of the very last reading nothing follows to tell
    hour = read // US_PER_H
    first_of_reading = np.flatnonzero(np.append(True, read[1:] != read[:-1]))
    of = hour[first_of_reading]
    is_last = np.append(of[1:] != of[:-1], microseconds(pieces["end"])[-1] // US_PER_H != of[-1])
    begins[first_of_reading[is_last]] = True
    return _merged(pieces, np.flatnonzero(begins))


def join(segments: pd.DataFrame) -> pd.DataFrame:
    """Stored segments as whole intervals for people: neighbours of one kind that touch are one.

    Parameters
    ----------
    segments : DataFrame
        As of `segments`, sorted by start; may hold several units, told apart by columns `cabin` and `unit`, sorted
        by these first.

    Returns
    -------
    DataFrame
        [cabin, unit,] kind, start, end, drawn_l, drawn_l_upper, underdosed_l, underdosed_l_upper, cause (that of
        the longest part), rests_on (all grounds, in order), dose_low_mj_cm2, seconds. `lit` intervals stand among
        them.
    """
    keys = [name for name in ("cabin", "unit") if name in segments]
    names = [
        *keys, "kind", "start", "end", "drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper", "cause",
        "rests_on", "dose_low_mj_cm2", "seconds",
    ]
    if segments.empty:
        return segments.reindex(columns=names)
    begins = np.ones(len(segments), bool)
    begins[1:] = microseconds(segments["start"])[1:] != microseconds(segments["end"])[:-1]
    for name in [*keys, "kind"]:
        codes = pd.factorize(segments[name])[0]
        begins[1:] |= codes[1:] != codes[:-1]
    group = np.cumsum(begins) - 1
    whole = _merged(segments, np.flatnonzero(begins))
    longest = segments.assign(group=group).groupby(["group", "cause"], sort=False)["seconds"].sum().reset_index()
    longest = longest.sort_values(["group", "seconds"], ascending=[True, False], kind="stable")
    whole["cause"] = longest.drop_duplicates("group")["cause"].to_numpy()
    grounds = pd.DataFrame({"group": group, "rests_on": segments["rests_on"].to_numpy()}).drop_duplicates()
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


def hourly(pieces: pd.DataFrame) -> pd.DataFrame:
    """Sums per UTC hour in which a piece ends.

    By the end, and whole, so that the pieces after an hour's last reading never touch that hour's row again.

    Returns
    -------
    DataFrame
        hour, volume_l, volume_l_upper, underdosed_l, underdosed_l_upper, in_spec_l (drawn lit with the dose at its
        target), dose_p05_mj_cm2, dose_p50_mj_cm2 (percentiles of the lower bound by volume; NaN where that share of
        the water had an unknown dose, or none flowed), dark_s, warming_s, weak_s, unheard_s, lit_s. Volumes are
        sums of what is known, NaN if nothing is.
    """
    kinds = pieces["kind"].to_numpy(dtype=object)
    seconds = pieces["seconds"]
    table = pd.DataFrame({
        "hour": instants(microseconds(pieces["end"]) // US_PER_H * US_PER_H),
        "volume_l": pieces["drawn_l"].to_numpy(),
        "volume_l_upper": pieces["drawn_l_upper"].to_numpy(),
        "underdosed_l": pieces["underdosed_l"].to_numpy(),
        "underdosed_l_upper": pieces["underdosed_l_upper"].to_numpy(),
        "in_spec_l": np.where(kinds == Kind.LIT, pieces["drawn_l"].to_numpy(), 0.0),
        **{f"{kind}_s": np.where(kinds == kind, seconds, 0.0) for kind in Kind},
    })
    known = table.groupby("hour", sort=True).sum(min_count=1)
    for name, share in (("dose_p05_mj_cm2", 0.05), ("dose_p50_mj_cm2", 0.50)):
        known[name] = _by_volume(table["hour"], pieces["dose_low_mj_cm2"], table["volume_l"], share)
    return known.reset_index()


def _by_volume(hour: pd.Series, dose: pd.Series, volume: pd.Series, share: float) -> pd.Series:
    """Per hour the dose that `share` of the water stayed at or below; unknown doses sort lowest."""
    flow = pd.DataFrame({"hour": hour, "dose": dose.to_numpy(), "volume": volume.to_numpy()})
    flow = flow[flow["volume"] > 0].sort_values(["hour", "dose"], kind="stable", na_position="first")
    summed = flow.groupby("hour")["volume"].cumsum()
    reached = summed >= share * flow.groupby("hour")["volume"].transform("sum")
    return flow[reached].drop_duplicates("hour").set_index("hour")["dose"]
