"""Under-dosed intervals as the exposure of one advisory: its cause, from when to when, how much."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from models.advisory.events import OF_PEOPLE, Cause, Exposure
from models.advisory.pieces import Intervals, pieces_of

# Worst first: (kind, cause of the interval) -> cause of the advisory.
_CAUSES: tuple[tuple[str, str, Cause], ...] = (
    ("dark", "no-power", Cause.POWER_CUT),
    ("dark", "", Cause.LAMP_FAILURE),
    ("unheard", "no-power", Cause.POWER_CUT),
    ("unheard", "", Cause.UNHEARD),
    ("weak", "", Cause.LOW_DOSE),
    ("warming", "", Cause.WARM_UP_DRAW),
)


def exposure_of(
    rows: Intervals | None, *, dose_target_mj_cm2: float, known: Exposure | None = None, going_on: bool = False,
    now: datetime,
) -> Exposure | None:
    """All under-dosed water of one advisory.

    Parameters
    ----------
    rows : Intervals or None
        Of the unit, what no lift has answered.
    known : Exposure or None
        As the open advisory has it; None: none is open.
    going_on : bool
        Whether it may still be passing.
    now : datetime
        Aware.

    Returns
    -------
    Exposure or None
        None where there is none, and never was any.
    """
    if not rows:
        if known is None or (known.cause in OF_PEOPLE and not known.pieces):
            return known
        # late data explained all of it: the figures fall, the advisory stays
        return replace(known, end=known.end or now, underdosed_l=0.0, underdosed_l_upper=0.0, pieces=())
    start, end = rows.start[0], max(rows.end)
    if known is not None:
        start, end = min(start, known.start), end if known.end is None else max(end, known.end)
    dose, least = rows.dose_low_mj_cm2.min(), rows.underdosed_l
    return Exposure(
        cause=_worst(rows), start=start, end=None if going_on else end,
        underdosed_l=None if np.isnan(least).all() else float(np.nansum(least)),
        underdosed_l_upper=float(rows.underdosed_l_upper.sum()),
        dose_low_mj_cm2=None if np.isnan(dose) else float(dose), dose_target_mj_cm2=dose_target_mj_cm2,
        pieces=pieces_of(rows), finding=known.finding if known else "")


def _worst(rows: Intervals) -> Cause:
    found = set(zip(rows.kind, rows.cause, strict=True))
    for kind, cause, worst in _CAUSES:
        if any(one == kind and cause in ("", why) for one, why in found):
            return worst
    return Cause.UNHEARD
