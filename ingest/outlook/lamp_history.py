"""What each lamp read of what it needs now: over the last days, and over the hours of each lamp that was in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ingest.db.engine import by_unit
from ingest.outlook.lamps import LampOutlook

LAST_DAYS = 90
HOURS_STEP_H = 168.0  # of a lamp's life, a point each: a week


@dataclass(frozen=True, slots=True)
class LampHistory:
    """One unit's readings over its need as of now, less 1: 0 is just enough; NaN where nothing was read.

    Attributes
    ----------
    last : ndarray, shape (LAST_DAYS,)
        A day each, up to the last day that is over.
    lives : tuple of (ndarray, ndarray)
        Lamp hours and margin of each lamp that was in it, the present one last.
    """

    last: np.ndarray
    lives: tuple[tuple[np.ndarray, np.ndarray], ...]


def lamp_histories(found: LampOutlook) -> Mapping[tuple[str, str], LampHistory]:
    """Of each unit of whose days anything is known and whose need can be met."""
    days = found.known.days
    if days is None:
        return {}
    need = {(one.cabin.slug, one.unit.slug): one.threshold_w_m2 for one in found.lamps}
    needs = np.array([need[key] or np.nan for key in days.units])
    margin = days.intensity_w_m2 / needs[:, None] - 1.0
    known = np.isfinite(margin)
    last = np.full((len(days.units), LAST_DAYS), np.nan)
    shown = min(LAST_DAYS, margin.shape[1])
    last[:, LAST_DAYS - shown:] = margin[:, margin.shape[1] - shown:]
    row, _ = np.nonzero(known)
    points = pd.DataFrame({
        "cabin": days.units.get_level_values(0)[row], "unit": days.units.get_level_values(1)[row],
        "lamp": days.lamp_number[known], "step": np.floor(days.lamp_hours[known] / HOURS_STEP_H),
        "margin": margin[known]})
    points = points.groupby(["cabin", "unit", "lamp", "step"], as_index=False).agg(margin=("margin", "median"))
    lives = {key: tuple(
        ((one["step"].to_numpy() + 0.5) * HOURS_STEP_H, one["margin"].to_numpy())
        for _, one in mine.groupby("lamp")) for key, mine in by_unit(points).items()}
    return {key: LampHistory(last[at], lives[key]) for at, key in enumerate(days.units) if key in lives}
