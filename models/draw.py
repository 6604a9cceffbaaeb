"""How much water was drawn between readings: metered, from the running total, or the most it can have been.

Interval `i` lies between row `i` and row `i + 1` of `models.evidence.Rows`: a heard part of at most the hold, then,
where the next reading is later, a gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.carry import NEVER, Bools, Floats, Ints
from models.evidence import Rows, last_index
from models.fleet import Unit

US_PER_MIN = 60e6
US_PER_H = 3600e6
MICROLITRE = 1e-6  # sums that must not depend on where a window starts are kept in whole microlitres
COUNTER_SLACK_US = 2_000_000  # lamp counters and clocks step in whole seconds; common practice, no source
COUNTER_STEPS_H = (0.01, 0.1, 1.0)  # steps in which lamp counters are read out; common practice, no source

# What the flow sensor has to see while the running total stands, for the total to count as stuck: more than the
# pulse of a coarse meter. Common practice, no source. [L]
STUCK_L = 20.0

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
    metered_since_moved_l: Floats  # per row
    drawdown_used_l: Floats  # per row
    settled: Bools  # per row: no total that may still come can change what lies before it


def drawn(
    rows: Rows, end_us: Ints, unit: Unit, *, metered_since_total_l: float = 0.0, drawdown_used_l: float = 0.0,
    metered_since_moved_l: float = 0.0, carried: bool = False,
) -> Drawn:
    """Volumes of all intervals.

    Parameters
    ----------
    rows : Rows, n rows
        State after each reading. Interval i starts at row i.
    end_us : ndarray, shape (m,)
        Ends of the intervals; m = n - 1 between readings, or n when the last one is still open. [us]
    unit : Unit
        `peak_flow_l_min`, `drawdown_l`, `gravity_fed`.
    metered_since_total_l, drawdown_used_l, metered_since_moved_l : float
        The carry's. [l]
    carried : bool
        Whether the first row is a carry's.

    Returns
    -------
    Drawn

    Notes
    -----
    Central: flow times time, corrected by the running total wherever two totals stand at most one hold apart, or
    one hold before and after a gap. What the total shows beyond the flow readings was drawn in the gap if there is
    one, else at an even rate between the two totals; as it may have been drawn all in one part of that time, the
    upper bound of every part holds the whole of it. A total that falls is a meter that was reset: no evidence. Nor
    is one that stands over a gap after it stood still while `STUCK_L` flowed by the flow sensor: a stuck meter.

    A gap without totals is unknown. Its upper bound is what the pressure tank gives (`drawdown_l`, shared by all
    unmetered parts of one cut) where the power was out when the gap began and the lamp's counter did not advance in
    it; it takes the power to be back when a reading says so, and a lamp that burned shows that it came back
    earlier. A `drawdown_l` of 0 counts as not stated. Else the bound is the peak flow for the whole gap.
    """
    n, m = rows.at.size, end_us.size
    start = rows.at[:m]
    heard_end = np.minimum(end_us, start + rows.hold_us)
    heard_us, gap_us = heard_end - start, end_us - heard_end
    is_gap = gap_us > 0
    metered = rows.value["flow_l_min"][:m] * (heard_us / US_PER_MIN)
    metered_ul = _whole_microlitres(metered)
    cumulative = np.zeros(n, np.int64)
    cumulative[1:] = np.cumsum(metered_ul[: n - 1])
    own_total = rows.own["total_l"]
    last_total = last_index(own_total)
    since_total = cumulative - np.where(
        last_total >= 0, cumulative[last_total], -round(metered_since_total_l / MICROLITRE)
    )

    heard, heard_upper, bracketed = _between_totals(rows, m, metered, cumulative, heard_us)
    since_moved = _since_moved(rows, cumulative, round(metered_since_moved_l / MICROLITRE), carried)
    gap, gap_upper, by_total, denied = _gap_totals(
        rows, m, is_gap, metered_ul, cumulative, since_total, since_moved >= round(STUCK_L / MICROLITRE))
    heard = np.where(by_total, np.maximum(heard - denied, 0.0), heard)

    counter, burned = _counter(rows, m, is_gap)
    tank = (rows.power[:m] == 0) & (not unit.gravity_fed) & (unit.drawdown_l > 0)
    most_heard = unit.peak_flow_l_min * heard_us / US_PER_MIN
    most_gap = unit.peak_flow_l_min * gap_us / US_PER_MIN
    heard_open = np.isnan(heard_upper)
    stored = is_gap & tank & ~(is_gap & burned) & ~by_total
    used, heard_stored, gap_stored = _from_pressure_tank(
        rows, unit, np.where(tank & heard_open, most_heard, 0.0), np.where(stored, most_gap, 0.0), drawdown_used_l
    )
    return Drawn(
        metered_l=metered,
        heard_l=heard,
        heard_l_upper=np.where(heard_open, np.where(tank, heard_stored, most_heard), heard_upper),
        gap_l=gap,
        gap_l_upper=np.where(by_total, gap_upper, np.where(stored, gap_stored, most_gap)),
        gap_rests_on=np.select([by_total, stored], [BY_TOTAL, BY_STORED], default=BY_PEAK),
        counter=counter,
        metered_since_total_l=(since_total * MICROLITRE).astype(np.float64),
        metered_since_moved_l=(since_moved * MICROLITRE).astype(np.float64),
        drawdown_used_l=used,
        settled=_settled(rows, last_total, bracketed),
    )


def _whole_microlitres(volume_l: Floats) -> Ints:
    """Unknown counts as nothing metered."""
    return np.rint(np.nan_to_num(volume_l) / MICROLITRE).astype(np.int64)


def _between_totals(
    rows: Rows, m: int, metered: Floats, cumulative: Ints, heard_us: Ints
) -> tuple[Floats, Floats, Bools]:
    """Heard volume and its upper bound; per row whether it stands less than a hold after a total."""
    n = rows.at.size
    total, own = rows.value["total_l"], rows.own["total_l"]
    has = np.flatnonzero(own)
    heard, upper = metered.copy(), metered.copy()
    near = np.zeros(n, bool)
    if has.size:
        bracket = np.cumsum(own) - 1  # per row: index into `has` of the last total so far
        near = (bracket >= 0) & (rows.at - rows.at[has[np.maximum(bracket, 0)]] < rows.hold_us)
    if has.size < 2:
        return heard, upper, near
    first, last = has[:-1], has[1:]
    span_us = rows.at[last] - rows.at[first]
    difference = total[last] - total[first]
    known = (cumulative[last] - cumulative[first]) * MICROLITRE
    good = (span_us <= rows.hold_us) & (difference >= 0)
    rest = difference - known
    with np.errstate(divide="ignore", invalid="ignore"):
        shrink = np.where(rest < 0, difference / known, 1.0)
    i = np.flatnonzero((bracket[:m] >= 0) & (bracket[:m] < first.size))
    i = i[good[bracket[i]]]
    b = bracket[i]
    here = np.nan_to_num(metered[i])
    more = np.maximum(rest[b], 0.0)
    alone = last[b] - first[b] == 1
    heard[i] = np.where(alone, difference[b], here * shrink[b] + more * heard_us[i] / span_us[b])
    upper[i] = np.maximum(here + more, heard[i])
    return heard, upper, near


def _since_moved(rows: Rows, cumulative: Ints, before: int, carried: bool) -> Ints:
    """Per row what the flow sensor saw since the running total last moved; 0 where none was read of late. [uL]"""
    n = rows.at.size
    reads = rows.own["total_l"].copy()
    if carried and n:
        reads[0] = not np.isnan(rows.value["total_l"][0])
    i = np.flatnonzero(reads)
    if not i.size:
        return np.zeros(n, np.int64)
    begins = np.ones(i.size, bool)
    begins[1:] = np.diff(rows.value["total_l"][i]) != 0
    begins[1:] |= np.diff(rows.value_at["total_l"][i]) > rows.hold_us
    base = cumulative[i].copy()
    if carried and i[0] == 0:
        base[0] -= before
    base = base[last_index(begins)]
    last = np.cumsum(reads) - 1
    fresh = (last >= 0) & ~np.isnan(rows.value["total_l"])
    return np.where(fresh, cumulative - base[np.maximum(last, 0)], 0)


def _gap_totals(
    rows: Rows, m: int, is_gap: Bools, metered_ul: Ints, cumulative: Ints, since_total: Ints, stuck: Bools
) -> tuple[Floats, Floats, Bools, Floats]:
    """Gap volume by the totals around it, its upper bound, whether there is one, and metered water they deny."""
    n = rows.at.size
    gap, upper, denied = np.full(m, np.nan), np.full(m, np.nan), np.zeros(m)
    by_total = np.zeros(m, bool)
    i = np.flatnonzero(is_gap[: max(n - 1, 0)])
    if not i.size:
        return gap, upper, by_total, denied
    own, total = rows.own["total_l"], rows.value["total_l"]
    following = n - 1 - last_index(own[::-1])[::-1]  # per row the next one, itself included, that has a total; or n
    after = np.minimum(following[i + 1], n - 1)
    near = own[after] & (rows.at[after] - rows.at[i + 1] <= rows.hold_us)
    difference = total[after] - total[i]  # NaN where the total before the gap is older than the hold
    good = near & (difference >= 0) & ~(stuck[i] & (difference == 0))
    known = (since_total[i] + metered_ul[i] + cumulative[after] - cumulative[i + 1]) * MICROLITRE
    gap[i] = np.where(good, np.maximum(difference - known, 0.0), np.nan)
    # the last flow before the gap is only assumed to hold: all of the difference may have come after it
    upper[i] = np.where(good, difference, np.nan)
    denied[i] = np.where(good, np.maximum(known - difference, 0.0), 0.0)
    by_total[i] = good
    return gap, upper, by_total, denied


def _settled(rows: Rows, last_total: Ints, near: Bools) -> Bools:
    """Whether no total and no lamp counter that may still come can change what lies before a row."""
    if not rows.at.size:
        return near
    of_gap = _awaited(rows, "total_l", last_total)
    of_counter = _awaited(rows, "lamp_hours", last_index(rows.own["lamp_hours"]))
    return (rows.own["total_l"] | ~(near | of_gap)) & ~of_counter


def _awaited(rows: Rows, name: str, last: Ints) -> Bools:
    """Per row whether a reading of that quantity may still come that speaks of the last gap."""
    had = np.concatenate([[False], ~np.isnan(rows.value[name][:-1])])
    last_gap = last_index(rows.gap_before & had)
    return (last_gap >= 0) & (last < last_gap) & (rows.at - rows.at[last_gap] < rows.hold_us)


def _counter(rows: Rows, m: int, is_gap: Bools) -> tuple[Ints, Bools]:
    """What the lamp's counter says of each gap, and whether it advanced at all.

    A counter that is read in steps can show up to one step more than it burned, or less. The first row after a gap
    is often a mere event: the first reading of the counter within one hold after the gap speaks, and what can have
    burned since the gap ended is no evidence that the lamp burned within it.
    """
    n = rows.at.size
    says, burned = np.full(m, COUNTER_SILENT), np.zeros(m, bool)
    i = np.flatnonzero(is_gap[: max(n - 1, 0)])
    if not i.size:
        return says, burned
    own, hours, when = rows.own["lamp_hours"], rows.value["lamp_hours"], rows.value_at["lamp_hours"]
    following = n - 1 - last_index(own[::-1])[::-1]  # per row the next one, itself included, that has it; or n
    then = np.minimum(following[i + 1], n - 1)
    near = own[then] & (rows.at[then] - rows.at[i + 1] <= rows.hold_us)
    which = near & ~np.isnan(hours[i]) & (when[i] != NEVER)
    i, then = i[which], then[which]
    before, after, elapsed_us = hours[i], hours[then], rows.at[then] - when[i]
    step_us = np.zeros(i.size)
    for step in COUNTER_STEPS_H:
        off = np.abs(np.rint(before / step) * step - before) + np.abs(np.rint(after / step) * step - after)
        step_us = np.where(off < 1e-7, step * US_PER_H, step_us)
    advance_us = (after - before) * US_PER_H
    sure = elapsed_us - COUNTER_SLACK_US
    lit = (advance_us - step_us >= sure) & (advance_us - step_us <= elapsed_us + COUNTER_SLACK_US)
    dark = (np.abs(advance_us) <= 1.0) & (elapsed_us > step_us)
    says[i] = np.select([lit, dark], [COUNTER_LIT, COUNTER_DARK], default=COUNTER_SILENT)
    burned[i] = advance_us > COUNTER_SLACK_US + (rows.at[then] - rows.at[i + 1])
    return says, burned


def _from_pressure_tank(
    rows: Rows, unit: Unit, heard_most_l: Floats, gap_most_l: Floats, used_before_l: float
) -> tuple[Floats, Floats, Floats]:
    """Used up to each row; then the stored volume shared over the unmetered parts of each cut, earliest first."""
    n, m = rows.at.size, heard_most_l.size
    heard_ul, gap_ul = _whole_microlitres(heard_most_l), _whole_microlitres(gap_most_l)
    cumulative = np.zeros(max(n, m) + 1, np.int64)
    cumulative[1 : m + 1] = np.cumsum(heard_ul + gap_ul)
    cumulative[m + 1 :] = cumulative[m]
    begins = rows.gap_before.copy()
    begins[:1] = True
    begins[1:] |= rows.power[1:] != rows.power[:-1]
    run = last_index(begins)
    possible = cumulative[:n] - cumulative[run] + np.where(run == 0, round(used_before_l / MICROLITRE), 0)
    cap = round(unit.drawdown_l / MICROLITRE)
    start = np.minimum(possible[:m], cap)
    middle = np.minimum(possible[:m] + heard_ul, cap)
    end = np.minimum(possible[:m] + heard_ul + gap_ul, cap)
    used = np.where(rows.power == 0, np.minimum(possible, cap), 0) * MICROLITRE
    return used, (middle - start) * MICROLITRE, (end - middle) * MICROLITRE
