"""How much water passed in each piece of time, and of it how much can have been under-dosed: the tightest bounds.

Two running totals bound all that lies between them together, however far apart; flow readings say where in it.
Where no total does, flow at both ends bounds what lies between them; then what the pressure tank gives with the
pump dead; then the most that the supply can deliver.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.exposure.instants import NEVER, US_PER_MIN, US_PER_S, Bools, Floats, Ints
from models.exposure.rows import Rows
from models.exposure.witnesses import LampWitness
from models.exposure.words import Witness
from models.water_quality import L_PER_US_GALLON

MICROLITRE = 1e-6  # sums are kept in whole microlitres, so that they do not depend on where a window starts
# What the flow sensor has to see while the running total stands, for the total to count as stuck: more than the
# pulse of a coarse meter. Common practice, no source. [L]
STUCK_L = 20.0
# A total may outrun the enrolled peak flow by so much before the times or the meter are taken to be wrong: a clock
# that stamps whole seconds, a peak that was enrolled a little low. Common practice, no source.
PEAK_SHARE, PEAK_SLACK_L = 1.10, 2.0
# Steps in which totals are read out, the coarsest first, and the finest; common practice, no source. [L]
TOTAL_STEPS_L = (10.0, 1.0, 0.1)
# Of a meter in US gallons the same steps, in litres. Totals are kept to a hundredth of a litre, so such a step is
# seen to half of that at either end; at 0 all steps fit, and nothing speaks for gallons.
GALLON_STEPS_L = tuple(step * L_PER_US_GALLON for step in TOTAL_STEPS_L)
LITRE_OFF_L, GALLON_OFF_L = 1e-6, 0.011
FINEST_STEP_L = 0.01
UNSEEN_UL = 10**15  # of a total that has not moved yet
COARSE_STEP_L = 5.0  # a step that could hide a glass and more; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """The running totals around the interval that begins at each row; arrays of shape (n,).

    Attributes
    ----------
    begins, ends : ndarray of int
        Rows of the span that the interval lies in: from its total (or its unit's first row) to the next one's (or
        behind its unit's last row).
    closed : ndarray of bool
        A total stands at both ends, and their difference may be believed.
    difference, step : ndarray of float
        What passed in the span, NaN unless closed; the step in which the total is read out. [uL]
    moved : ndarray of int
        Seen by the flow sensor since the total last moved. [uL]
    possible : ndarray of bool
        The supply can have delivered it in the time stamped.
    more : ndarray of bool
        It is more than the flow readings can account for.
    mean_share : ndarray of float
        Flow by the flow readings over mean flow by the total, at most 1.
    """

    begins: Ints
    ends: Ints
    closed: Bools
    difference: Floats
    step: Floats
    moved: Ints
    possible: Bools
    more: Bools
    mean_share: Floats
    carry: dict[str, Ints]

    @property
    def passed_l(self) -> Floats:
        """The most that can have passed in the interval by the totals around it; inf where they do not say. [L]"""
        return np.where(self.closed, (self.difference + self.step) * MICROLITRE, np.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """Pieces of the intervals between readings, before their water is known; arrays of shape (p,).

    Attributes
    ----------
    row : ndarray of int
        The row at which the piece's interval begins, sorted.
    start, end : ndarray of int
        [us]
    suspect : ndarray of bool
        Its water may be under-dosed.
    sure : ndarray of bool
        Its water is under-dosed for certain, all of it.
    long : ndarray of bool
        Longer than its two ends cover.
    """

    row: Ints
    start: Ints
    end: Ints
    suspect: Bools
    sure: Bools
    long: Bools


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """Litres of each piece; NaN is not known, an upper bound is always known."""

    drawn_l: Floats
    drawn_l_upper: Floats
    under_l: Floats  # the least
    under_l_upper: Floats
    rests_on: Ints  # Witness


def whole(volume_l: Floats) -> Ints:
    """Litres as whole microlitres; unknown counts as none."""
    return np.rint(np.nan_to_num(volume_l) / MICROLITRE).astype(np.int64)


def flow_most(rows: Rows, span_us: Ints) -> Floats:
    """Most litres of the interval after each row by the flow at both its ends; NaN without both."""
    flow = rows.fresh("flow_l_min")
    after = np.full(len(rows), np.nan)
    after[:-1] = flow[1:]
    return np.where(span_us <= rows.covered, np.maximum(flow, after) * (span_us / US_PER_MIN), np.nan)


def flow_least(rows: Rows, lamp: LampWitness, span_us: Ints) -> Floats:
    """Least litres of the interval after each row by the flow at both its ends; NaN without both.

    A row that did not read the flow itself (an event, mostly) has no more than the lesser of the readings around
    it, and that only while the supply is known to have run between them: with the pump dead a flow ends when the
    tank is empty, whatever was read before and after the cut.

    Example: 4.75 L/min at 10:00:00, events of a dark lamp at 10:00:28 and of a lit one at 10:00:35, 0 L/min at
    10:01:00. The water may have stopped at 10:00:01: none has to have passed in the seven dark seconds, at most
    0.55 L.
    """
    flow = np.where(rows.value_at["flow_l_min"] == rows.at, rows.value["flow_l_min"], np.nan)
    if not len(rows):
        return flow
    q = rows.next(~np.isnan(rows.own["flow_l_min"]))
    runs = (lamp.power == 1) & (lamp.power[q] == 1) & (lamp.power_since[q] <= rows.value_at["flow_l_min"])
    runs |= rows.profile["gravity_fed"] == 1
    # `between` is known where both readings are near enough to speak of the row
    around = np.where(
        runs & ~np.isnan(rows.between["flow_l_min"]),
        np.minimum(rows.value["flow_l_min"], rows.own["flow_l_min"][q]), np.nan)
    flow = np.where(np.isnan(flow), around, flow)
    after = np.full(len(rows), np.nan)
    after[:-1] = flow[1:]
    return np.where(span_us <= rows.covered, np.minimum(flow, after) * (span_us / US_PER_MIN), np.nan)


def totals(rows: Rows, interval_us: Ints, clock_stood: Bools) -> Totals:
    """Find the totals around each interval, and whether their difference may be believed.

    Parameters
    ----------
    rows : Rows, n rows
    interval_us : ndarray of int, shape (n,)
        Length of the interval after each row, 0 where there is none. [us]
    clock_stood : ndarray of bool, shape (n,)
        Intervals in which the logger's clock seems to have stood: no total speaks across them.
    """
    n = len(rows)
    total = rows.value["total_l"]
    reads = ~np.isnan(rows.own["total_l"])
    marked = reads | (rows.is_state & (rows.state["total_l_at_us"] != NEVER))
    p, q = rows.last(marked), rows.following(reads)
    begins = np.where(p >= 0, p, rows.first)
    ends = np.where(q >= 0, q, rows.behind)
    start, end = np.maximum(p, 0), np.maximum(q, 0)
    minutes = interval_us / US_PER_MIN
    short = interval_us <= rows.covered
    metered = whole(np.where(short, rows.fresh("flow_l_min") * minutes, np.nan))
    by_flow = whole(flow_most(rows, interval_us)) if n else metered
    can_hold = whole(rows.profile["peak_flow_l_min"] * minutes)
    carry: dict[str, Ints] = {}
    span: dict[str, Ints] = {}
    for name, column in (("possible_ul", can_hold), ("flow_most_ul", by_flow), ("flow_ul", metered)):
        carry[name], span[name] = sums(rows, begins, ends, column, name)
    moved = _since_moved(rows, reads, metered)
    difference = total[end] - total[start] if n else total
    stuck = (difference == 0) & (moved[np.maximum(end - 1, 0)] >= whole(np.array(STUCK_L))) if n else reads
    stood = np.concatenate([[0], np.cumsum(clock_stood)])
    closed = (p >= 0) & (q >= 0) & (difference >= 0) & ~stuck & (stood[ends] == stood[begins])
    step = np.full(n, FINEST_STEP_L)
    for one in sorted((*TOTAL_STEPS_L, *GALLON_STEPS_L)):  # the coarsest that fits is the last to be set
        off = np.abs(np.rint(total[end] / one) * one - total[end]) + np.abs(
            np.rint(total[start] / one) * one - total[start]) if n else total
        fits = (off < GALLON_OFF_L) & (total[start] > 0) if n and one in GALLON_STEPS_L else off < LITRE_OFF_L
        step = np.where(fits, one, step)
    finest = _finest(rows, reads)
    carry["finest_ul"] = finest
    passed, step = np.where(closed, difference, np.nan) / MICROLITRE, np.minimum(step / MICROLITRE, finest)
    most = PEAK_SHARE * span["possible_ul"] + PEAK_SLACK_L / MICROLITRE + step
    # a total that had stuck, and now shows what the flow sensor saw meanwhile
    caught_up = PEAK_SHARE * (moved[np.maximum(end - 1, 0)] + can_hold[np.maximum(end - 1, 0)]) if n else passed
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.fmin(np.where(span["flow_ul"] > 0, span["flow_ul"] / passed, 1.0), 1.0)
    return Totals(
        begins=begins, ends=ends, closed=closed, difference=passed, step=step, moved=moved,
        possible=~(passed > most) | (passed <= caught_up), more=passed > span["flow_most_ul"] + step,
        mean_share=np.nan_to_num(share, nan=1.0),
        carry=carry)


def _finest(rows: Rows, reads: Bools) -> Ints:
    """Per row the least by which the total has ever moved: its step is no coarser. [uL]"""
    if not len(rows):
        return rows.at
    moved = np.where(reads, rows.own["total_l"] - rows.previous("total_l")[0], np.nan)
    seen = np.where(moved > 1e-6, np.rint(np.nan_to_num(moved) / MICROLITRE), UNSEEN_UL).astype(np.int64)
    seen = np.where(rows.is_state, rows.state["finest_ul"], seen)
    return pd.Series(seen).groupby(rows.unit_no).cummin().to_numpy()


def sums(rows: Rows, begins: Ints, ends: Ints, column: Ints, name: str) -> tuple[Ints, Ints]:
    """Sums of a column of intervals: up to each row since its last total, and of the whole span that it lies in.

    The state that a unit is taken up from carries the first of these under that name.
    """
    before = np.concatenate([[0], np.cumsum(column)])
    carried = np.where(rows.is_state, rows.state[name], 0).astype(np.int64)
    if not begins.size:
        return begins, begins
    return (before[:-1] - before[begins] + carried[begins], before[ends] - before[begins] + carried[begins])


def _since_moved(rows: Rows, reads: Bools, metered: Ints) -> Ints:
    """Per row what the flow sensor saw since the running total last moved. [uL]"""
    if not len(rows):
        return metered
    before = np.concatenate([[0], np.cumsum(metered)[:-1]])
    base = rows.last((reads & (rows.own["total_l"] != rows.previous("total_l")[0])) | rows.begins)
    carried: Ints = np.where(rows.is_state[base], rows.state["moved_ul"][base], 0).astype(np.int64)
    since: Ints = before - before[base] + carried
    return since


def measure(
    rows: Rows, lamp: LampWitness, between: Totals, pieces: Pieces, interval_us: Ints
) -> tuple[Water, dict[str, Ints | Bools]]:
    """Water of all pieces, and per row what a state has to carry of it.

    Parameters
    ----------
    rows, lamp, between, pieces : Rows, Lamp, Totals, Pieces
    interval_us : ndarray of int, shape (n,)
        Length of the interval after each row, 0 where there is none. [us]

    Notes
    -----
    Between two totals whose difference is D, let S be the pieces under suspicion. What can have been under-dosed is
    at most what S can hold, and at most D less what flowed for certain, by flow at both ends, outside of S; it is
    at least D less the most that the rest can hold. Both are shared over S by what each piece can hold, so that
    sums over pieces are bounds too. A total that is read out in steps may hide one at the border of S.

    Example: a total of 1,000 L at 10:00 and of 1,012 L at 10:05, lit until 10:03, dark from then on, 28 L/min at
    most, no flow sensor. S can hold 56 L, the rest 84 L: between 0 and 12 L, and a step of 1 L more, were
    under-dosed. With 4 L/min read at 10:00, 10:01, 10:02 and 10:03, 12 L passed while it was lit: at most 1 L.
    """
    row, length = pieces.row, pieces.end - pieces.start
    part = length / np.maximum(interval_us[row], 1)
    by_ends = flow_most(rows, interval_us)
    known = ~np.isnan(by_ends)[row] & ~pieces.long
    least, by_flow = whole(flow_least(rows, lamp, interval_us)[row] * part), whole(by_ends[row] * part)
    peak = whole(rows.profile["peak_flow_l_min"][row] * (length / US_PER_MIN))
    stored, tank_used = _from_tank(rows, lamp, pieces, peak, known | between.closed[row])
    holds = np.where(stored >= 0, stored, peak)
    metered = np.where(pieces.long, np.nan, rows.fresh("flow_l_min")[row] * (length / US_PER_MIN))
    metered_ul = whole(metered)
    terms: dict[str, Ints] = {
        "holds_ul": holds, "suspect_ul": np.where(pieces.suspect, holds, 0),
        "sure_ul": np.where(pieces.sure, holds, 0),
        "sure_least_ul": np.where(pieces.sure, np.minimum(least, holds), 0),
        "other_least_ul": np.where(pieces.suspect, 0, least), "metered_ul": metered_ul,
        "gap_ul": np.where(pieces.long, holds, 0), "gap_us": np.where(pieces.long, length, 0), "span_us": length,
        "other_us": np.where(pieces.suspect, 0, length),
    }
    carry: dict[str, Ints | Bools] = {**between.carry, "tank_used_ul": tank_used, "moved_ul": between.moved}
    span: dict[str, Ints] = {}
    for name, column in terms.items():
        # exact: whole numbers far below 2**53
        per_row = np.bincount(row, weights=column, minlength=len(rows)).astype(np.int64)
        carry[name], of_span = sums(rows, between.begins, between.ends, per_row, name)
        span[name] = of_span[row]
        if name == "other_us":
            carry["other_before"] = _other_before(rows, between, of_span > 0)
    closed = between.closed[row]
    # a logger that counts pulses itself counted none while it was off, and a missing reading may mean just that
    lost = closed & (rows.profile["meter"][row] == 0) & (span["gap_us"] > 0)
    passed = np.nan_to_num(between.difference)[row]
    edge = (span["other_us"] > 0) | carry["other_before"][row].astype(bool)
    # a coarse total that stands may hide most of a step
    coarse = between.step[row] >= COARSE_STEP_L / MICROLITRE
    step = np.where(edge & ((passed > 0) | coarse), between.step[row], 0.0)
    highest = passed + step + np.where(lost, span["gap_ul"], 0)
    lowest = np.maximum(passed - step, 0.0)
    # within suspected time a total shows a step at once that passed while it stood, in more time than this span
    can_show = span["suspect_ul"] + np.where(lost | edge, 0.0, between.step[row])
    most = np.minimum(can_show, np.maximum(highest - span["other_least_ul"], 0))
    # a total that stands although the flow sensor saw more than a step of it: the worse of the two counts
    stands = (span["sure_least_ul"] > passed + between.step[row]) | (
        between.moved[np.maximum(between.ends[row] - 1, 0)] > between.step[row])
    most = np.maximum(most, np.where(stands, np.minimum(span["sure_least_ul"], span["suspect_ul"]), 0))
    fewest = np.minimum(most, span["suspect_ul"])
    # times that can't be right bound nothing: 100 L in one stamped minute are 100 L, not a minute at peak flow
    wrong = closed & ~between.possible[row]
    most, fewest = np.where(wrong, highest, most), np.where(wrong, highest, fewest)
    fewest = np.minimum(np.maximum(lowest - (span["holds_ul"] - span["sure_ul"]), 0.0), fewest)
    fewest = np.maximum(fewest, np.minimum(span["sure_least_ul"], np.minimum(lowest, most)))
    rest = passed - span["metered_ul"]
    with np.errstate(divide="ignore", invalid="ignore"):
        upper = np.where(
            closed, most * (holds / span["suspect_ul"]), np.where(known, np.minimum(by_flow, peak), holds))
        lower = np.where(closed, fewest * (holds / span["sure_ul"]), np.minimum(least, holds))
        shrunk = metered_ul * np.where(span["metered_ul"] > 0, passed / span["metered_ul"], 0.0)
        spread = np.where(
            span["gap_us"] > 0, np.where(pieces.long, length, 0) / span["gap_us"], length / span["span_us"])
    upper = np.where(pieces.suspect, np.nan_to_num(upper), 0.0)
    lower = np.where(pieces.sure, np.minimum(np.nan_to_num(lower), upper), 0.0)
    by_total = closed & ~(lost & pieces.long)
    central = np.where(
        by_total, np.where(rest < 0, shrunk, metered_ul + np.where(lost, 0.0, np.maximum(rest, 0) * spread)),
        np.where(pieces.long, np.nan, metered / MICROLITRE))
    # where the power came back unseen the pump ran again: the tank bounds what was under-dosed, not what was drawn
    back = pieces.long & (lamp.power[np.minimum(row + 1, len(rows) - 1)] != 0)
    bound = np.where(by_total, 0.0, np.where(known, by_flow, np.where(back, peak, holds)))
    rests_on = np.where(by_total, Witness.TOTAL, np.where(
        known, Witness.FLOW, np.where(stored >= 0, Witness.STORED, Witness.PEAK_FLOW)))
    return Water(
        drawn_l=central * MICROLITRE, drawn_l_upper=np.fmax(np.fmax(central, upper), bound) * MICROLITRE,
        under_l=lower * MICROLITRE, under_l_upper=upper * MICROLITRE, rests_on=rests_on.astype(np.int64),
    ), carry


def _other_before(rows: Rows, between: Totals, other: Bools) -> Bools:
    """Per row whether the span of totals before its own held time above suspicion; True if there was none."""
    if not other.size:
        return other
    begins = between.begins
    previous = other[np.maximum(begins - 1, 0)]
    first = begins == rows.first
    carried = np.where(rows.is_state[begins], rows.state["other_before"][begins].astype(bool), True)
    return np.where(first, carried, previous)


def _from_tank(
    rows: Rows, lamp: LampWitness, pieces: Pieces, peak: Ints, known: Bools
) -> tuple[Ints, Ints]:
    """What the pressure tank can still give in each piece, -1 where it is no bound; per row what it may have given.

    With the pump dead a cut's unmetered water comes from the tank alone, earliest first. Across a missing reading
    the power may come back unseen: where the lamp burns at its end, what can flow while it warms up comes on top;
    where it does not, and the power is not known to be off still, the tank is no bound.
    """
    row = pieces.row
    volume = rows.profile["drawdown_l"]
    applies = (lamp.power == 0) & (rows.profile["gravity_fed"] == 0) & (volume > 0)
    after = np.minimum(row + 1, len(rows) - 1)
    back = pieces.long & (lamp.power[after] != 0)
    uses = applies[row] & ~known & ~(back & ~lamp.on[after])
    draws = np.where(uses, peak, 0)
    per_row = np.bincount(row, weights=draws, minlength=len(rows)).astype(np.int64)
    before = np.concatenate([[0], np.cumsum(per_row)[:-1]])
    turns = rows.last((lamp.power != rows.before(lamp.power, -9)) | rows.begins)
    carried = np.where(rows.is_state[turns], rows.state["tank_used_ul"][turns], 0) if len(rows) else before
    used = np.where(lamp.power == 0, before - before[turns] + carried, 0).astype(np.int64) if len(rows) else before
    cap = whole(volume)
    used = np.minimum(used, cap)
    left = np.maximum(cap - used, 0)[row]
    warm_us = np.minimum(pieces.end - pieces.start, np.rint(rows.profile["warm_up_s"] * US_PER_S)[row])
    warming = whole(rows.profile["peak_flow_l_min"][row] * (warm_us / US_PER_MIN))
    gives = np.minimum(peak, left + np.where(back, warming, 0))
    return np.where(uses, gives, -1), used
