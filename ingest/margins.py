"""How far each unit's water was above its target, from what is stored of hours: one question, for all units."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from ingest.db.engine import Asks
from ingest.evaluation.judging import UnitColumns
from ingest.registry.tables import load_history
from models.exposure.instants import US_PER_S
from models.margin import Key, Margins, margin, margins_by_unit

# One row per unit and slot of which something is known. `hourly` has what was drawn; `resume_state` the lower bound
# that water at peak flow would have had at the end of each hour heard, of a lamp that was lit then. Both are
# bounded by the time asked for, whatever the history is.
_SLOTS = """
    WITH asked AS (SELECT unnest($cabins::VARCHAR[]) AS cabin, unnest($units::VARCHAR[]) AS unit,
        unnest($numbers::BIGINT[]) AS unit_no),
    drawn AS (
        SELECT unit_no, floor((epoch(hour) - $from_s) / $slot_s)::BIGINT AS slot,
            min(dose_p05_mj_cm2) AS dose_low_drawn_mj_cm2,
            sum(lit_s + warming_s + weak_s + dark_s + unheard_s) AS known_s, sum(warming_s) AS warming_s,
            sum(dark_s) AS dark_s, sum(unheard_s) AS unheard_s, sum(underdosed_l) AS underdosed_l,
            CASE WHEN count(*) FILTER (underdosed_l_upper IS NULL AND unheard_s > 0) = 0
                THEN sum(underdosed_l_upper) END AS underdosed_l_upper
        FROM hourly JOIN asked USING (cabin, unit) WHERE hour >= $since AND hour < $until GROUP BY ALL),
    lit AS (
        SELECT unit_no, floor((epoch("at") - $from_s) / $slot_s)::BIGINT AS slot,
            min(dose_low_at_peak_mj_cm2) FILTER (lamp = 1 AND isfinite(dose_low_at_peak_mj_cm2))
                AS dose_low_at_peak_mj_cm2,
            bool_or(lamp < 0 OR (lamp = 1 AND NOT coalesce(isfinite(dose_low_at_peak_mj_cm2), false))) AS unsure
        FROM resume_state JOIN asked USING (cabin, unit)
        WHERE "at" >= $since AND "at" < $until GROUP BY ALL)
    SELECT * FROM drawn LEFT JOIN lit USING (unit_no, slot) ORDER BY unit_no, slot
"""


def margins(
    store: Asks, now: datetime, *, span: timedelta, slot: timedelta, only: Sequence[Key] | None = None
) -> dict[Key, Margins]:
    """Each enrolled unit's margin over the time up to now.

    Parameters
    ----------
    span, slot : timedelta
        How far back, and how long each slot is: whole hours. Slots begin at whole multiples of their length since
        1970, so that a drawing stays the same until the next one.
    only : sequence of (cabin, unit), optional
        These units.
    """
    history = load_history(store)
    enrolled = [(place.slug, unit) for place in history.present.cabins for unit in place.units]
    wanted = [(slug, unit) for slug, unit in enrolled if only is None or (slug, unit.slug) in only]
    keys = [(slug, unit.slug) for slug, unit in wanted]
    slot_s = int(slot.total_seconds())
    first_s = int((now - span).timestamp()) // slot_s * slot_s + slot_s
    since = datetime.fromtimestamp(first_s, UTC)
    rows = store.ask(_SLOTS, {
        "cabins": [cabin for cabin, _ in keys], "units": [unit for _, unit in keys],
        "numbers": list(range(len(keys))), "since": since, "until": now, "from_s": first_s, "slot_s": slot_s})
    numbers, slots = rows["unit_no"].to_numpy(np.int64), rows["slot"].to_numpy(np.int64)
    at_us = (first_s + (slots + 1) * slot_s - 1) * US_PER_S  # what was enrolled as the slot ended
    target = UnitColumns.of(history, keys).at(numbers, at_us)["dose_target_mj_cm2"].to_numpy(dtype=float)
    found = margin(
        rows["dose_low_drawn_mj_cm2"].to_numpy(dtype=float), rows["dose_low_at_peak_mj_cm2"].to_numpy(dtype=float),
        target)
    # what is known of a part can show that a slot was short, and never that it was not
    unsure = rows["unsure"].fillna(False).astype(bool).to_numpy()
    with np.errstate(invalid="ignore"):
        found = np.where(unsure & (found >= 0), np.nan, found)
    return margins_by_unit(
        rows.assign(margin_mj_cm2=found, target_mj_cm2=target), keys, since=since, until=now, slot_s=slot_s,
        silent_after_s=[unit.overdue_s for _, unit in wanted])
