"""How much treatment the water of a stretch of time may have missed: marginal, under-treated or untreated.

By the lower bound of dose against what the unit's target needs (`models.shortfall`), so that a dose that is short
by a little is not told like a dark lamp.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.exposure.instants import Bools, Floats, Ints
from models.shortfall import Severity

NONE = "none"  # of time in which no water was short
SEVERITIES: tuple[str, ...] = (NONE, Severity.MARGINAL, Severity.UNDER_TREATED, Severity.UNTREATED)
NONE_CODE, MARGINAL_CODE, UNDER_TREATED_CODE, UNTREATED_CODE = range(len(SEVERITIES))


def severity_codes(
    *, short: Bools, dark_or_unheard: Bools, dose_low_mj_cm2: Floats, best_reaches_target: Bools,
    marginal_from_mj_cm2: Floats, under_treated_from_mj_cm2: Floats,
) -> Ints:
    """Positions in `SEVERITIES`.

    Parameters
    ----------
    short : ndarray of bool, shape (n,)
        Whether water drawn in it may have been short of its target.
    dark_or_unheard : ndarray of bool, shape (n,)
    dose_low_mj_cm2 : ndarray, shape (n,)
        Lower bound; NaN, not known, counts as none. [mJ/cm2]
    best_reaches_target : ndarray of bool, shape (n,)
        Whether the best estimate met the target throughout, within what the unit was tested at.
    marginal_from_mj_cm2, under_treated_from_mj_cm2 : ndarray, shape (n,)
        As of `models.shortfall`. [mJ/cm2]

    Notes
    -----
    What lies outside of the tested range is never marginal: there the best estimate is nobody's.
    """
    partly = ~dark_or_unheard & (dose_low_mj_cm2 >= under_treated_from_mj_cm2)  # NaN is not
    marginal = ~dark_or_unheard & best_reaches_target & (dose_low_mj_cm2 >= marginal_from_mj_cm2)
    codes: Ints = np.select(
        [~short, marginal, partly], [NONE_CODE, MARGINAL_CODE, UNDER_TREATED_CODE], default=UNTREATED_CODE,
    ).astype(np.int64)
    return codes


def severity_ranks(severity: pd.Series) -> Ints:
    """Severities of a column as positions in `SEVERITIES`, worst last; what is not known is the worst."""
    rank = {name: position for position, name in enumerate(SEVERITIES)}
    return np.asarray(severity.map(rank).fillna(UNTREATED_CODE), dtype=np.int64)
