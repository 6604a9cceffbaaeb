"""Water past a shut-off valve while the lamp was dark: does the valve close?

A valve that closes when power or lamp fail is a witness that may accuse and never excuse. That it is enrolled
proves nothing of the water: it may hang, leak or be open by hand, and where a truthful total or flow shows that
nothing passed, that says so already. So it takes no litre off any interval. What it adds is a contradiction: litres
that passed for certain while it should have been closed are a fault of the valve, or of what says that they passed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.exposure.instants import US_PER_MIN, US_PER_S, microseconds
from models.exposure.words import Witness, sentence

SHUT = sentence(Witness.VALVE)  # stands in what a dark interval rests on
CLOSES_S = 15.0  # until an electric valve is shut; common practice, no source. [s]


def past_valve(dark: pd.DataFrame) -> pd.DataFrame:
    """What passed valves that should have been closed, for certain and beyond what passes while one closes.

    Parameters
    ----------
    dark : DataFrame
        Dark stretches in which the valve should have been closed: `unit_no`, `start`, `end`, `underdosed_l` (the
        least that passed), `peak_flow_l_min`; sorted by unit and start.

    Returns
    -------
    DataFrame
        A row a unit whose valve let water past: `unit_no`, `since` (start of the first such darkness), `until`,
        `litres` (the least, of all of them). [L]

    Notes
    -----
    Stretches that touch are one darkness, for which the valve closes once. Example: the lamp goes dark at 10:00 and
    12 L pass until 10:10, for certain. With a supply of at most 28 L/min 28 x 15 / 60 = 7 L can pass while the
    valve closes, so that it did not close. 6 L would say nothing of it.
    """
    unit_no = dark["unit_no"].to_numpy(np.int64)
    start, end = microseconds(dark["start"]), microseconds(dark["end"])
    begins = np.ones(len(dark), bool)
    begins[1:] = (unit_no[1:] != unit_no[:-1]) | (start[1:] != end[:-1])
    runs = dark.assign(run=np.cumsum(begins), litres=dark["underdosed_l"].fillna(0.0)).groupby("run").agg(
        unit_no=("unit_no", "first"), since=("start", "first"), until=("end", "last"), litres=("litres", "sum"),
        peak_flow_l_min=("peak_flow_l_min", "max"))
    closing_l = runs["peak_flow_l_min"] * (CLOSES_S * US_PER_S / US_PER_MIN)
    past = runs[runs["litres"] > closing_l]
    return past.groupby("unit_no", as_index=False).agg(
        since=("since", "first"), until=("until", "last"), litres=("litres", "sum"))
