"""What a stretch of time was for the water, why, and on which witnesses that rests."""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum, IntFlag, StrEnum

import numpy as np
import pandas as pd

from models.exposure.instants import Floats, Ints


class IntervalKind(StrEnum):
    """What a stretch of time was for the water."""

    LIT = "lit"
    WARMING = "warming"
    WEAK = "weak"
    DARK = "dark"
    UNHEARD = "unheard"


class IntervalReason(StrEnum):
    """Why it was not lit."""

    NONE = "none"
    NO_POWER = "no-power"
    NO_LAMP = "no-lamp"
    NO_LINK = "no-link"
    NO_LOGGER = "no-logger"
    UNKNOWN = "unknown"


KINDS = tuple(IntervalKind)
INTERVAL_REASONS = tuple(IntervalReason)


class KindCode(IntEnum):
    """Positions in `KINDS`, for columns of numbers."""

    LIT = 0
    WARMING = 1
    WEAK = 2
    DARK = 3
    UNHEARD = 4


class ReasonCode(IntEnum):
    """Positions in `REASONS`."""

    NONE = 0
    NO_POWER = 1
    NO_LAMP = 2
    NO_LINK = 3
    NO_LOGGER = 4
    UNKNOWN = 5


class Witness(IntFlag):
    """What bounds an interval: a set of witnesses, one bit each."""

    NOTHING = 0
    STATUS = 1
    INTENSITY = 1 << 1
    POWER = 1 << 2
    COUNTER = 1 << 3
    TOTAL = 1 << 4
    FLOW = 1 << 5
    PEAK_FLOW = 1 << 6
    STORED = 1 << 7
    WARM_UP = 1 << 8
    DOSE = 1 << 9
    NO_DOSE = 1 << 10
    BETWEEN = 1 << 11  # it changed between two readings, nobody knows when
    SILENCE = 1 << 12  # a reading is missing
    REPEATS = 1 << 13  # power off, yet the lamp is still reported as before
    DISAGREE = 1 << 14  # status against intensity
    STANDS = 1 << 15  # values that stand still are no witness
    NO_WITNESS = 1 << 16  # no lamp status, no intensity
    IMPOSSIBLE = 1 << 17  # more water than the supply can deliver in the time stamped
    DIM = 1 << 18  # much dimmer than a reading before: it may have just started
    NOT_SINCE = 1 << 19  # the power came back, but nothing has shown the lamp since
    REWARMED = 1 << 20  # at its settled level, which takes its time after a start
    VALVE = 1 << 21  # a valve that should have shut the water off: it bounds nothing (`models.exposure.shutoff`)


_SENTENCES: dict[Witness, str] = {
    Witness.REPEATS: "power off, though the lamp is still reported as before",
    Witness.DISAGREE: "lamp status against intensity",
    Witness.IMPOSSIBLE: "more water than the supply can deliver in that time",
    Witness.BETWEEN: "a change between two readings",
    Witness.DIM: "light much dimmer than just before",
    Witness.SILENCE: "no reading",
    Witness.STANDS: "lamp hours and intensity stand still",
    Witness.NO_WITNESS: "no lamp status, no intensity",
    Witness.NOT_SINCE: "no lamp report since the power returned",
    Witness.POWER: "power report",
    Witness.STATUS: "lamp status",
    Witness.INTENSITY: "intensity",
    Witness.COUNTER: "lamp hours",
    Witness.REWARMED: "settled intensity",
    Witness.WARM_UP: "warm-up time",
    Witness.DOSE: "dose under target",
    Witness.NO_DOSE: "dose not known",
    Witness.TOTAL: "running total",
    Witness.FLOW: "flow",
    Witness.STORED: "stored volume",
    Witness.PEAK_FLOW: "peak flow",
    Witness.VALVE: "shut-off valve should be closed",
}


def sentence(witnesses: int) -> str:
    """A set of witnesses in words, the telling ones first."""
    return ", ".join(words for one, words in _SENTENCES.items() if witnesses & one)


def sentences(witnesses: Ints, repeated_w_m2: Floats) -> pd.Series:
    """The same of a column; each set is put into words once.

    Parameters
    ----------
    witnesses : ndarray of int, shape (n,)
    repeated_w_m2 : ndarray, shape (n,)
        The intensity that goes on being reported while the power is off; NaN where none does.

    Returns
    -------
    Series of str, n rows
        "power off, though the lamp is still reported as before (each time 45.2 W/m2), power report"
    """
    repeats = (witnesses & Witness.REPEATS != 0) & ~np.isnan(repeated_w_m2)
    found, where = np.unique(witnesses, return_inverse=True)
    out = pd.array([sentence(int(one)) for one in found], dtype="str").take(where)
    i = np.flatnonzero(repeats)
    if i.size:
        pairs, which = np.unique(
            np.stack([witnesses[i].astype(float), repeated_w_m2[i]]), axis=1, return_inverse=True)
        as_before = _SENTENCES[Witness.REPEATS]
        named = [
            sentence(int(one)).replace(as_before, f"{as_before} (each time {value:g} W/m2)", 1)
            for one, value in pairs.T.tolist()]
        out[i] = pd.array(named, dtype="str").take(which.reshape(-1))
    return pd.Series(out)


def names(table: Sequence[str], codes: Ints) -> pd.Series:
    """Codes as the words that they stand for."""
    return pd.Series(pd.array([str(word) for word in table], dtype="str").take(codes))
