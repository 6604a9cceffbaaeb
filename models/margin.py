"""How far was the water's dose above its target, hour by hour, and when could nobody say?

The margin is the lower bound of dose less the target: that of the water drawn, and of what would have been drawn at
the most that the supply can deliver, whichever is less. So it moves slowly where the lamp ages, and not with every
tap; a verdict is clear only where it is not negative.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np
import pandas as pd

from models.exposure.instants import Floats, Ints

Key = tuple[str, str]
WHOLE = 1e-9  # of a slot: what is nearer to its end than this touches it


class Stretch(StrEnum):
    """Time in which no margin speaks, worst last."""

    COLD = "cold"  # the lamp was warming up
    UNKNOWN = "unknown"  # heard and lit, and no dose can be told
    UNHEARD = "unheard"
    DARK = "dark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """One unit's margin over slots of time of one length.

    Attributes
    ----------
    since, until : datetime
        The first slot begins at `since`; the last one is cut at `until`.
    slot_s : int
        [s]
    margin_mj_cm2 : ndarray, shape (slots,)
        The least in each slot; NaN: none is known. [mJ/cm2]
    target_mj_cm2 : ndarray, shape (slots,)
        [mJ/cm2]
    share : mapping of Stretch to ndarray, shape (slots,)
        Of each slot's time, 0 to 1.
    underdosed_l, underdosed_l_upper : ndarray, shape (slots,)
        The least and the most that was drawn under target. NaN: not known. [L]
    """

    since: datetime
    until: datetime
    slot_s: int
    margin_mj_cm2: Floats
    target_mj_cm2: Floats
    share: Mapping[Stretch, Floats]
    underdosed_l: Floats
    underdosed_l_upper: Floats

    @property
    def slots(self) -> int:
        """How many."""
        return int(self.margin_mj_cm2.size)

    @property
    def heard(self) -> bool:
        """Whether any of the time is known."""
        return bool((self.share[Stretch.UNHEARD] < 1.0 - WHOLE).any())

    def start(self, slot: int) -> datetime:
        """When a slot begins."""
        return self.since + timedelta(seconds=slot * self.slot_s)

    def seconds(self, stretch: Stretch) -> float:
        """How long that was, of all the time shown. [s]"""
        return float(self.share[stretch] @ _lengths(self.since, self.until, self.slots, self.slot_s))


def margin(
    dose_low_drawn_mj_cm2: Floats, dose_low_at_peak_mj_cm2: Floats, dose_target_mj_cm2: Floats
) -> Floats:
    """The worse of both lower bounds less the target; NaN where neither is known. [mJ/cm2]

    Examples
    --------
    Water drawn with at least 38 where the peak would still get 42, target 40: 2 short. Nothing drawn: 2 above.

    >>> margin(np.array([38.0, np.nan]), np.array([42.0, 42.0]), np.array([40.0, 40.0])).tolist()
    [-2.0, 2.0]
    """
    return np.fmin(dose_low_drawn_mj_cm2, dose_low_at_peak_mj_cm2) - dose_target_mj_cm2


def margins_by_unit(
    rows: pd.DataFrame, keys: Sequence[Key], *, since: datetime, until: datetime, slot_s: int,
    silent_after_s: Sequence[float],
) -> dict[Key, Margins]:
    """What was heard of units, as slots without a gap.

    Parameters
    ----------
    rows : DataFrame
        One row per unit and slot of which something is known: `unit_no` (position in `keys`), `slot` (from 0),
        `margin_mj_cm2`, `target_mj_cm2`, `known_s` (time that is tiled by kinds), `warming_s`, `dark_s`,
        `unheard_s`, `underdosed_l`, `underdosed_l_upper`.
    silent_after_s : sequence of float
        Per unit: time in a slot that nothing speaks of counts as unheard once it is longer. [s]

    Returns
    -------
    dict of Margins
        One for each key: of a unit without a row all time is unheard.
    """
    slots = max(1, int(np.ceil((until - since).total_seconds() / slot_s)))
    shape = (len(keys), slots)
    place = rows["unit_no"].to_numpy(np.int64), rows["slot"].to_numpy(np.int64)
    spent = {name: _spread(shape, place, rows[name], 0.0) for name in (
        "known_s", "warming_s", "dark_s", "unheard_s")}
    length = _lengths(since, until, slots, slot_s)
    silent = np.maximum(length - spent["known_s"], 0.0)
    silent[(silent <= np.asarray(silent_after_s, float)[:, None]) & (spent["known_s"] > 0)] = 0.0
    lit_s = spent["known_s"] - spent["warming_s"] - spent["dark_s"] - spent["unheard_s"]
    spent["unheard_s"] = spent["unheard_s"] + silent
    margin_mj_cm2 = _spread(shape, place, rows["margin_mj_cm2"], np.nan)
    spent["unknown_s"] = np.where(np.isnan(margin_mj_cm2), np.maximum(lit_s, 0.0), 0.0)
    target = _spread(shape, place, rows["target_mj_cm2"], np.nan)
    least, most = (_spread(shape, place, rows[name], 0.0) for name in ("underdosed_l", "underdosed_l_upper"))
    most[spent["known_s"] == 0] = np.nan
    share = {
        stretch: np.clip(spent[name] / np.maximum(length, 1e-9), 0.0, 1.0) for stretch, name in (
            (Stretch.COLD, "warming_s"), (Stretch.UNKNOWN, "unknown_s"), (Stretch.UNHEARD, "unheard_s"),
            (Stretch.DARK, "dark_s"))}
    return {
        key: Margins(
            since=since, until=until, slot_s=slot_s, margin_mj_cm2=margin_mj_cm2[number],
            target_mj_cm2=target[number], share={name: one[number] for name, one in share.items()},
            underdosed_l=least[number], underdosed_l_upper=most[number])
        for number, key in enumerate(keys)}


def stretches(share: Floats) -> list[tuple[float, float]]:
    """Where a kind of time stands, from how much of each slot it takes: `(begin, end)` in slots, rising.

    Within its slot a part lies where it touches the same in the slots beside it, else at the slot's beginning.

    Examples
    --------
    >>> stretches(np.array([0.0, 0.25, 1.0, 0.5, 0.0, 0.5]))
    [(1.75, 3.5), (5.0, 5.5)]
    """
    out: list[tuple[float, float]] = []
    for slot in np.flatnonzero(share > 0).tolist():
        part = float(min(share[slot], 1.0))
        follows = bool(out) and out[-1][1] >= slot - WHOLE
        goes_on = slot + 1 < share.size and share[slot + 1] > 0
        begin = float(slot) if follows or not goes_on else slot + 1.0 - part
        if follows:
            out[-1] = (out[-1][0], slot + part)
        else:
            out.append((begin, begin + part))
    return out


def _spread(shape: tuple[int, int], place: tuple[Ints, Ints], values: pd.Series, otherwise: float) -> Floats:
    out = np.full(shape, otherwise)
    out[place] = values.to_numpy(dtype=float)
    return out


def _lengths(since: datetime, until: datetime, slots: int, slot_s: int) -> Floats:
    """Seconds of each slot: the last one is cut."""
    total_s = (until - since).total_seconds()
    return np.clip(total_s - slot_s * np.arange(slots), 0.0, float(slot_s))
