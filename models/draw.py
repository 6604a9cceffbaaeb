"""How much water was drawn between readings: metered, from the running total, or the most it can have been.

Interval `i` lies between row `i` and row `i + 1` of `models.timeline.Rows`: a heard part of at most the hold, then,
where the next reading is later, a gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.fleet import Unit
from models.timeline import MICROLITRE, NEVER, Bools, Floats, Ints, Rows, last_index

US_PER_MIN = 60e6
US_PER_H = 3600e6
COUNTER_SLACK_US = 2_000_000  # lamp counters and clocks step in whole seconds; common practice, no source
COUNTER_STEPS_H = (1.0, 0.1, 0.01)  # resolutions in which lamp counters are read out; common practice, no source

# what the volume of a gap rests on
BY_PEAK, BY_STORED, BY_TOTAL = 0, 1, 2
# what the lamp's own counter says of a gap
COUNTER_SILENT, COUNTER_LIT, COUNTER_DARK = 0, 1, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """Volumes per interval, and the sums that the state after each row carries on."""

    metered_l: Floats  # heard part by flow alone, NaN where the flow is unknown
    heard_l: Floats
    heard_l_upper: Floats
    gap_l: Floats
    gap_l_upper: Floats
    gap_rests_on: Ints
    counter: Ints
    metered_since_total_l: Floats  # per row
    drawdown_used_l: Floats  # per row
    settled: Bools  # per row


def drawn(rows: Rows, end_us: Ints, unit: Unit, *, metered_since_total_l: float, drawdown_used_l: float) -> Drawn:
    """Volumes of all intervals.

    Parameters
    ----------
    rows : Rows, n rows
        State after each reading. Interval i starts at row i.
    end_us : ndarray, shape (m,)
        Ends of the intervals; m = n - 1 between readings, or n when the last one is still open. [us]
    unit : Unit
        `peak_flow_l_min`, `drawdown_l`, `gravity_fed`.
    metered_since_total_l, drawdown_used_l : float
        The carry's, 0 without one. [l]

    Returns
    -------
    Drawn

    Notes
    -----
    Central volumes: the running total's difference where both ends have one (it holds what the flow readings
    missed), else flow times time. A total that falls is a meter that was reset: unknown. Across a gap, totals up to
    one hold before and after it serve, less what was metered between them and the gap; the upper bound is then the
    whole difference, since the last reading is only assumed to hold. Without totals the centre is NaN and the upper
    bound is what the pressure tank still holds where the power was out when the gap began and the lamp's counter
    does not show that it came back inside, else the peak flow for the whole gap.
    """
    m = end_us.size
    n = rows.at.size
    start = rows.at[:m]
    heard_end = np.minimum(end_us, start + rows.hold_us)
    heard_us, gap_us = heard_end - start, end_us - heard_end
    is_gap = gap_us > 0
    flow = rows.value["flow_l_min"][:m]
    metered = flow * (heard_us / US_PER_MIN)
    metered_ul = _whole_microlitres(metered)

    # metered since the last total, per row: whole numbers, so that the sum does not depend on where it starts
    cumulative = np.zeros(n, np.int64)
    cumulative[1:] = np.cumsum(metered_ul[: max(n - 1, 0)])
    offset = round(metered_since_total_l / MICROLITRE)
    own_total = rows.own["total_l"]
    last_total = last_index(own_total)
    since_total = cumulative - np.where(last_total >= 0, cumulative[last_total], -offset)

    between, between_known = _between_totals(rows, m)
    heard = np.where(between_known & ~is_gap, between, metered)
    heard_upper = np.where(np.isnan(metered), heard, np.fmax(heard, metered))

    gap, gap_upper, by_total, settled, excess = _gap_totals(rows, m, is_gap, metered_ul, cumulative, since_total)
    # the total says that less was drawn than the last flow, held, would have
    heard = np.where(by_total, np.maximum(heard - excess, 0.0), heard)

    counter = _counter(rows, m, is_gap)
    pump_dead = (rows.power[:m] == 0) & (not unit.gravity_fed)
    came_back = np.zeros(m, bool)
    came_back[: n - 1] = counter[: n - 1] == COUNTER_LIT
    came_back |= is_gap & _counter_moved(rows, m)
    most_heard = unit.peak_flow_l_min * heard_us / US_PER_MIN
    most_gap = unit.peak_flow_l_min * gap_us / US_PER_MIN
    stored = is_gap & pump_dead & ~came_back & ~by_total
    used, heard_stored, gap_stored = _from_pressure_tank(
        rows, unit, pump_dead, np.where(np.isnan(heard), most_heard, 0.0), np.where(stored, most_gap, 0.0),
        drawdown_used_l,
    )
    heard_upper = np.where(np.isnan(heard_upper), np.where(pump_dead, heard_stored, most_heard), heard_upper)
    gap_upper = np.where(by_total, gap_upper, np.where(stored, gap_stored, most_gap))
    return Drawn(
        metered_l=metered, heard_l=heard, heard_l_upper=heard_upper, gap_l=gap, gap_l_upper=gap_upper,
        gap_rests_on=np.select([by_total, stored], [BY_TOTAL, BY_STORED], default=BY_PEAK), counter=counter,
        metered_since_total_l=np.asarray(since_total * MICROLITRE, dtype=np.float64), drawdown_used_l=used,
        settled=settled,
    )


def _whole_microlitres(volume_l: Floats) -> Ints:
    """Unknown counts as nothing metered."""
    return np.rint(np.nan_to_num(volume_l) / MICROLITRE).astype(np.int64)


def _between_totals(rows: Rows, m: int) -> tuple[Floats, Bools]:
    """Difference of the totals that both ends of an interval have; known where it did not fall."""
    difference = np.full(m, np.nan)
    total, own = rows.value["total_l"], rows.own["total_l"]
    k = min(m, total.size - 1)
    difference[:k] = np.where(own[:-1] & own[1:], np.diff(total), np.nan)[:k]
    return difference, difference >= 0


def _gap_totals(
    rows: Rows, m: int, is_gap: Bools, metered_ul: Ints, cumulative: Ints, since_total: Ints
) -> tuple[Floats, Floats, Bools, Bools, Floats]:
    """Gap volume by totals around it; whether each row is settled; metered water that the totals deny."""
    n = rows.at.size
    gap, upper, excess = np.full(m, np.nan), np.full(m, np.nan), np.zeros(m)
    by_total = np.zeros(m, bool)
    own = rows.own["total_l"]
    # backwards: index of the next row, from each on, that has a total
    following = n - 1 - last_index(own[::-1])[::-1] if n else np.zeros(0, np.int64)
    i = np.flatnonzero(is_gap[: max(n - 1, 0)])
    before = rows.value["total_l"][i]
    nearest = following[i + 1] if i.size else i
    exists = nearest < n
    nearest = np.where(exists, nearest, n - 1)
    exists &= own[nearest] if i.size else True
    near = exists & (rows.at[nearest] - rows.at[i + 1] <= rows.hold_us) & ~np.isnan(before)
    difference = rows.value["total_l"][nearest] - before
    good = near & (difference >= 0)
    known = (since_total[i] + metered_ul[i] + cumulative[nearest] - cumulative[i + 1]) * MICROLITRE
    rest = difference - known
    gap[i] = np.where(good, np.maximum(rest, 0.0), np.nan)
    upper[i] = np.where(good, difference, np.nan)
    excess[i] = np.where(good, np.maximum(-rest, 0.0), 0.0)
    by_total[i] = good
    # Open: a gap ended at most one hold ago, had a total before it, and none since.
    ends = np.zeros(n, bool)
    ends[i + 1] = ~np.isnan(before)
    last_end = last_index(ends)
    last_total = last_index(own)
    waiting = (last_end >= 0) & (last_total < last_end) & (rows.at - rows.at[last_end] < rows.hold_us)
    return gap, upper, by_total, ~waiting, excess


def _counter_ends(rows: Rows, m: int) -> tuple[Floats, Floats, Ints]:
    """Lamp hours before and after, and the time between these two readings. [h, h, us]"""
    hours, when, own = rows.value["lamp_hours"], rows.value_at["lamp_hours"], rows.own["lamp_hours"]
    before, after = np.full(m, np.nan), np.full(m, np.nan)
    elapsed = np.zeros(m, np.int64)
    k = min(m, hours.size - 1)
    before[:k] = hours[:k]
    after[:k] = np.where(own[1 : k + 1], hours[1 : k + 1], np.nan)
    known = when[:k] != NEVER
    elapsed[:k] = np.where(known, rows.at[1 : k + 1] - when[:k], 0)
    return before, after, elapsed


def _counter_moved(rows: Rows, m: int) -> Bools:
    """The lamp burned for some time inside the interval, by its own counter."""
    before, after, _ = _counter_ends(rows, m)
    return (after - before) > COUNTER_SLACK_US / US_PER_H


def _counter(rows: Rows, m: int, is_gap: Bools) -> Ints:
    """Whether the lamp's counter shows that it burned, or stood, for the whole interval.

    A counter that is read in coarse steps can show up to one step more than it burned, or less.
    """
    before, after, elapsed = _counter_ends(rows, m)
    step_h = np.zeros(m)
    for step in reversed(COUNTER_STEPS_H):
        both = np.abs(np.rint(before / step) * step - before) + np.abs(np.rint(after / step) * step - after)
        step_h = np.where(both < 1e-7, step, step_h)
    advance_us = (after - before) * US_PER_H
    with np.errstate(invalid="ignore"):
        lit = (advance_us - step_h * US_PER_H >= elapsed - COUNTER_SLACK_US) & (
            advance_us <= elapsed + step_h * US_PER_H + COUNTER_SLACK_US
        )
        # Standing still proves darkness only if the gap is longer than a step.
        dark = (np.abs(advance_us) <= 1.0) & (elapsed > step_h * US_PER_H) & is_gap
    return np.select([is_gap & lit, dark], [COUNTER_LIT, COUNTER_DARK], default=COUNTER_SILENT)


def _from_pressure_tank(
    rows: Rows, unit: Unit, dead: Bools, heard_most_l: Floats, gap_most_l: Floats, used_before_l: float
) -> tuple[Floats, Floats, Floats]:
    """Share out the stored volume over the unmetered parts of each cut, earliest first; used up to each row."""
    n, m = rows.at.size, dead.size
    heard_ul = np.where(dead, _whole_microlitres(heard_most_l), 0)
    gap_ul = np.where(dead, _whole_microlitres(gap_most_l), 0)
    cumulative = np.zeros(max(n, m) + 1, np.int64)
    cumulative[1 : m + 1] = np.cumsum(heard_ul + gap_ul)
    begins = np.ones(n, bool)
    begins[1:] = (rows.power[1:] != rows.power[:-1]) | rows.gap_before[1:]
    run = last_index(begins)
    base = cumulative[run]
    base = np.where(run == 0, base - round(used_before_l / MICROLITRE), base)
    possible = cumulative[:n] - base
    cap = round(unit.drawdown_l / MICROLITRE)
    start = np.minimum(possible[:m], cap)
    middle = np.minimum(possible[:m] + heard_ul, cap)
    end = np.minimum(possible[:m] + heard_ul + gap_ul, cap)
    used = np.where(rows.power == 0, np.minimum(possible, cap), 0) * MICROLITRE
    return used, (middle - start) * MICROLITRE, (end - middle) * MICROLITRE
