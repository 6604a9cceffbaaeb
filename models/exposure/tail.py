"""What holds from a unit's latest reading to now: never stored, since the next reading rewrites it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.exposure.instants import NEVER, US_PER_S, Floats, Ints, instants
from models.exposure.intervals import exposure
from models.exposure.resume import DOSES
from models.exposure.rows import covered_s, rows_of
from models.fleet import COVERED_CADENCES


def open_tail(
    states: pd.DataFrame, profiles: pd.DataFrame, *, now_us: int | Ints, overdue_s: Floats,
    links: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Pieces from each unit's state to `now`.

    Until a unit is overdue, what was last read is taken to go on; once it is, all since then is unheard.

    Parameters
    ----------
    states : DataFrame, k rows
        As of `models.exposure.resume`, one a unit.
    profiles : DataFrame, k rows
        As of `models.exposure.rows.PROFILE`.
    now_us : int, or ndarray of shape (k,)
        [us]
    overdue_s : ndarray, shape (k,)
        How long after its latest reading a unit is overdue. [s]
    links : DataFrame, optional
        `unit_no`, `at`, `up`.

    Returns
    -------
    DataFrame
        As the pieces of `models.exposure.intervals.exposure`; none of a unit whose state is not before `now`.
    """
    now = np.broadcast_to(np.asarray(now_us, np.int64), (len(states),))
    before = states["at_us"].to_numpy(np.int64) < now
    kept, given = states[before].reset_index(drop=True), profiles[before].reset_index(drop=True)
    at = kept["at_us"].to_numpy(np.int64)
    covered = np.rint(covered_s(given["cadence_s"].to_numpy(), given["two_ends_s"].to_numpy()) * US_PER_S)
    end: dict[str, object] = {
        "unit_no": kept["unit_no"].to_numpy(np.int64), "at": instants(now[before])}
    for name in ("intensity_w_m2", "flow_l_min"):
        speaks = at - kept[f"{name}_at_us"].to_numpy(np.int64) <= covered
        kept[name] = kept[name].where(speaks)
        kept[f"{name}_at_us"] = kept[f"{name}_at_us"].where(speaks, NEVER)
        end[name] = kept[name].to_numpy()
    late = overdue_s[before]
    longer = given.assign(cadence_s=late / COVERED_CADENCES, two_ends_s=late)
    rows = rows_of(pd.DataFrame(end), pd.concat([longer, longer], ignore_index=True), kept)
    # each unit's state, and then its end
    doses = {name: np.repeat(kept[name].to_numpy(), 2) for name in DOSES}
    return exposure(rows, **doses, links=links)[0]
