"""What each reading says of power and lamp, weighed: burning, dark, or not known.

The rules, in the order in which they are applied:

- Power off means dark, whatever a gateway goes on repeating, until power is reported again; across a missing
  reading it also ends where the intensity shines with another value than before.
- A stated lamp holds until the next statement, within time that was heard. A power cut voids it. What was dark
  before a missing reading is dark after it until a statement or another intensity shows the lamp.
- Status against an intensity of about nothing: the worse counts, a dark lamp.
- An intensity that has not changed in its last digit for `STANDS_US` is no witness; neither is a lamp status
  whose hour counter stands for as long while no changing intensity shows the lamp.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from models.exposure.instants import NEVER, US_PER_H, US_PER_MIN, US_PER_S, Bools, Floats, Ints
from models.exposure.resume import STATE_QUANTITIES
from models.exposure.rows import EVENTS, Rows

# A value that has stood still for this long is no witness; also the longest step, and then some, in which a lamp's
# hour counter is read out. Common practice, no source.
STANDS_US = round(2.5 * US_PER_H)
# Steps in which lamp counters are read out, and the finest, two seconds, since counters and clocks step in whole
# ones; common practice, no source. [h]
COUNTER_STEPS_H, FINEST_STEP_H = (0.01, 0.1, 1.0), 2 / 3600
FINE_AFTER = 2  # readings at each of which the counter moved
COUNTER_SLACK_US = 5 * US_PER_S  # clocks and counters step in whole seconds; common practice, no source
BRIDGED_L = 1.0  # past a lamp that may have been dark: less is not asked after; common practice, no source. [L]
STILL_READ_US = US_PER_H  # readings of one value further apart than this are not one run of it
DARK_SHARE = 0.05  # of alarm_intensity_w_m2: below it the lamp gives nothing; common practice, no source


class Stated(IntEnum):
    """The lamp's last status, as far as it may still be believed."""

    UNKNOWN = -1
    OFF = 0
    ON = 1
    VOID = 2  # the power went after it was stated: dark until something shows the lamp again
    DOUBT = 3  # it was dark before a missing reading, and nothing has shown it since
    REPEATED = 4  # only of what was said: on, while the power was off; believed as little as `VOID`


@dataclass(frozen=True, slots=True, kw_only=True)
class Counter:
    """What the lamp's hour counter bounds, per interval that begins at a row.

    A counter moves in steps, so it tells the time burned only between two readings at which it had just moved: a
    tick, known to lie within the time since the counter's reading before (or its enrolled step, where that is
    less).

    Attributes
    ----------
    begins, ends : ndarray of int
        Rows of the bracket that the interval lies in: from the last tick (or the unit's first row) to the next one
        (or behind the unit's last row).
    known : ndarray of bool
        A later tick closes the bracket, and the counter neither fell nor outran the clock.
    dark_least, dark_most : ndarray of int
        Of the whole bracket, how long the lamp did not burn. [us]
    span : ndarray of int
        The bracket's length. [us]
    tick_at, tick_slack : ndarray of int
        Per row: the last tick's reading, and how long before it the counter may have moved. [us]
    tick_run : ndarray of int
        Per row: how many readings in a row have been ticks.
    """

    begins: Ints
    ends: Ints
    known: Bools
    dark_least: Ints
    dark_most: Ints
    span: Ints
    tick_at: Ints
    tick_slack: Ints
    tick_run: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class LampWitness:
    """Power and lamp after each reading; arrays of shape (n,)."""

    power: Ints  # 1, 0, -1 not known
    power_since: Ints
    power_said: Ints
    power_said_at: Ints
    stated: Ints  # Stated
    stated_since: Ints
    stated_fresh: Bools
    said: Ints
    said_at: Ints
    gap_before: Bools  # a reading is missing before this one, and nothing covers it
    gap_at: Ints
    changed_at: Ints
    changed_gap_at: Ints
    on: Bools
    dark: Bools
    by_intensity: Bools
    disagrees: Bools  # stated on, and no light
    repeats: Bools  # power off, yet reported on
    stands: Bools  # said to burn, but nothing moves
    not_since: Bools  # dark only because nothing has shown the lamp since the power returned
    on_from: Ints
    on_least: Ints
    on_known: Bools
    said_on_since: Ints
    intensity_same_since: Ints
    event: Bools  # a row that states a change and measures nothing
    counter: Counter
    by_counter: Bools  # bridged by the counter
    bridged: Bools  # per interval: longer than two ends cover, and yet known to have been lit throughout


def weigh(rows: Rows, long: Bools, passed_l: Floats) -> LampWitness:
    """Weigh what every reading says of power and lamp.

    Parameters
    ----------
    rows : Rows, n rows
    long : ndarray of bool, shape (n,)
        Whether the time from a row to its unit's next one is longer than two ends cover.
    passed_l : ndarray of float, shape (n,)
        The most that can have passed in it by running totals; inf where these do not say. [L]
    """
    counter = _counter(rows)
    event = np.zeros(len(rows), bool)
    for name in EVENTS:
        event |= ~np.isnan(rows.own[name])
    for name in STATE_QUANTITIES:
        event &= np.isnan(rows.own[name])
    nothing = DARK_SHARE * rows.profile["alarm_intensity_w_m2"]
    same_since, differs = _intensity_runs(rows)
    by_counter = long & _burned_throughout(rows, counter, passed_l)
    bridged = by_counter | (long & _settled(rows, differs))
    gap_before = rows.before(long & ~bridged, False)
    gap_at = _carried(rows, gap_before, rows.at, "gap_at_us")
    shines_anew = (rows.own["intensity_w_m2"] >= nothing) & differs
    changed_at = _carried(rows, shines_anew, rows.at, "light_changed_at_us")
    changed_gap_at = _carried(rows, shines_anew, gap_at, "light_changed_gap_at_us")

    power, power_since, power_said, power_said_at = _power(rows, gap_at, changed_at, changed_gap_at)
    said, said_at, stated, stated_since = _status(rows, gap_before, gap_at, changed_at, changed_gap_at, power)

    intensity, intensity_at = rows.fresh("intensity_w_m2"), rows.value_at["intensity_w_m2"]
    frozen = (same_since != NEVER) & (intensity_at - same_since >= STANDS_US)
    shines, shows_dark = intensity >= nothing, intensity < nothing
    void, unknown = (stated == Stated.VOID) | (stated == Stated.DOUBT), stated == Stated.UNKNOWN
    out = power == 0
    shown = shines & (unknown | (void & (changed_at > said_at) & (intensity_at >= power_since)))
    by_intensity = shown & ~frozen & ~out
    dark_unless_on = (stated == Stated.OFF) | (void & ~by_intensity) | (unknown & shows_dark) | out

    fresh = _stated_fresh(rows, dark_unless_on, gap_before, stated_since)
    low = shows_dark & (intensity_at >= stated_since) & (stated == Stated.ON)
    warm_up = np.rint(rows.profile["warm_up_s"] * US_PER_S).astype(np.int64)
    disagrees = low & ~(fresh & (rows.at < stated_since + warm_up))
    said_on = (((stated == Stated.ON) & ~disagrees) | by_intensity) & ~out
    # a lamp said to burn while its counter stands counts as not known, and yet its run goes on
    was_said = rows.state["said_on_since_us"] != NEVER
    said_on_since = _run_start(rows, said_on, gap_before, rows.at, "said_on_since_us", was_said)
    stands = said_on & _nothing_moves(rows, counter, said_on_since, same_since, intensity)
    on = said_on & ~stands
    dark = (dark_unless_on | disagrees) & ~on

    was_dark = rows.before(dark, False) & ~gap_before
    from_event = event | rows.begins
    earliest = np.where(from_event | gap_before, rows.at, rows.before(rows.at, NEVER))
    burning = rows.state["lamp"] == 1
    return LampWitness(
        power=power, power_since=power_since, power_said=power_said, power_said_at=power_said_at, stated=stated,
        stated_since=stated_since, stated_fresh=fresh, said=said, said_at=said_at, gap_before=gap_before,
        gap_at=gap_at, changed_at=changed_at, changed_gap_at=changed_gap_at, on=on, dark=dark,
        by_intensity=by_intensity, disagrees=disagrees & ~out,
        repeats=out & (shines | ((said == Stated.REPEATED) & (said_at == rows.at))),
        stands=stands | (shown & frozen & ~on & ~out),
        not_since=void & ~out & ~on, on_from=_run_start(rows, on, gap_before, rows.at, "lit_from_us", burning),
        on_least=_run_start(rows, on, gap_before, earliest, "lit_least_us", burning),
        on_known=_run_value(rows, on, gap_before, was_dark, "lit_known", burning), said_on_since=said_on_since,
        intensity_same_since=same_since, event=event, counter=counter, by_counter=by_counter, bridged=bridged,
    )


def _carried(rows: Rows, valid: Bools, column: Ints, name: str) -> Ints:
    """The column's value at the last valid row, the state's before the first."""
    i = rows.last(valid | rows.is_state)
    return np.where(i >= 0, np.where(rows.is_state[i], rows.state[name][i], column[i]), NEVER) if i.size else column


def _runs(rows: Rows, state: Ints | Bools, gap_before: Bools) -> Ints:
    """Per row the row at which its present state began; a gap begins a new one."""
    turns = (state != rows.before(state, -9)) | gap_before | rows.begins
    return rows.last(turns)


def _run_start(rows: Rows, on: Bools, gap_before: Bools, when: Ints, name: str, was: Bools) -> Ints:
    """When the present run of `on` began, by `when` of its first row; `NEVER` outside of runs.

    `was`: in a state's row, whether the state's own run is the one that goes on.
    """
    if not on.size:
        return when
    begins = np.where(rows.is_state & was, rows.state[name], when)
    return np.where(on, begins[_runs(rows, on, gap_before)], NEVER)


def _run_value(rows: Rows, on: Bools, gap_before: Bools, value: Bools, name: str, was: Bools) -> Bools:
    """The same of a truth that holds for a whole run."""
    if not on.size:
        return on
    begins = np.where(rows.is_state & was, rows.state[name], value)
    held: Bools = begins[_runs(rows, on, gap_before)].astype(bool)
    return on & held


def _counter(rows: Rows) -> Counter:
    n = len(rows)
    own, hours = rows.own["lamp_hours"], rows.value["lamp_hours"]
    reads = ~np.isnan(own)
    previous, previous_at = rows.previous("lamp_hours")
    begins = reads & np.isnan(previous)  # the first of all: when it last moved nobody knows
    falls = reads & (own < previous)
    tick = begins | falls | (reads & (own > previous))
    step = rows.profile["counter_step_h"] * US_PER_H
    unknown_step = np.where(np.isnan(step), STANDS_US, step)
    tick_run = _tick_run(rows, reads, tick)
    # nobody enrolled its step, but it moved at each of the last readings: then its digits are its step
    fine = np.isnan(step) & (rows.before(tick_run, 0) >= FINE_AFTER)
    step = np.where(fine, _digit_step(own, previous) * US_PER_H, step)
    since_read = np.where(previous_at == NEVER, STANDS_US, rows.at - previous_at)
    slack = np.rint(np.where(begins | falls, unknown_step, np.fmin(step, since_read))).astype(np.int64)
    carried = rows.is_state & (rows.state["tick_at_us"] != NEVER)
    mark = tick | carried
    at = np.where(rows.is_state, rows.state["tick_at_us"], rows.at)
    slack = np.where(rows.is_state, rows.state["tick_slack_us"], slack)
    p = rows.last(mark)
    has = p >= 0
    # the tick that closes the bracket of the interval that begins at a row: the next after it
    after = rows.following(tick)
    q, closed = np.maximum(after, 0), after >= 0
    start = np.maximum(p, 0)
    span = rows.at[q] - at[start] if n else rows.at
    burned = np.nan_to_num((hours[q] - hours[start]) * US_PER_H) if n else hours
    burned_us = np.rint(burned).astype(np.int64)
    most = span - burned_us + slack[start] if n else span
    least = span - burned_us - slack[q] if n else span
    # it fell: another lamp, or reset; or it ran ahead of the clock: one of the two was set
    sound = closed & has & ~(falls[q] if n else falls) & (most >= -COUNTER_SLACK_US)
    return Counter(
        begins=np.where(has, p, rows.first), ends=np.where(closed, q, rows.behind), known=sound,
        dark_least=np.maximum(least, 0),
        dark_most=np.clip(most, 0, np.maximum(span, 0)), span=span, tick_run=tick_run,
        tick_at=np.where(has, at[start], NEVER) if n else at,
        tick_slack=np.where(has, slack[start], 0) if n else slack)


def _tick_run(rows: Rows, reads: Bools, tick: Bools) -> Ints:
    """Per row how many readings of the counter in a row it has moved at each."""
    if not len(rows):
        return rows.at
    count = np.cumsum(tick)
    base = rows.last((reads & ~tick) | rows.begins)
    before = np.where(rows.is_state[base], rows.state["tick_run"][base], tick[base])
    return count - count[base] + before


def _digit_step(own: Floats, previous: Floats) -> Floats:
    """The coarsest of the usual steps that both readings are whole numbers of. [h]"""
    step = np.full(own.size, FINEST_STEP_H)
    for one in COUNTER_STEPS_H:
        off = np.abs(np.rint(own / one) * one - own) + np.abs(np.rint(previous / one) * one - previous)
        step = np.where(off < 1e-7, one, step)
    return step


def _burned_throughout(rows: Rows, counter: Counter, passed_l: Floats) -> Bools:
    """Silences in which the counter leaves no room for more than a glass or two past a dark lamp.

    Example: 10 min of silence, a counter that shows 9 min 58 s more, read out by the second: up to 4 s may have
    been dark, in which a supply of 12 L/min delivers 0.8 L. One read out in hundredths of an hour leaves 38 s and
    7.6 L open: then the silence stays, unless the running total shows less than `BRIDGED_L` for all of it.
    """
    open_l = rows.profile["peak_flow_l_min"] * (counter.dark_most / US_PER_MIN)
    little = (np.minimum(open_l, passed_l) <= BRIDGED_L) | (counter.dark_most <= COUNTER_SLACK_US)
    return counter.known & (counter.dark_most <= rows.covered) & little


def _settled(rows: Rows, differs: Bools) -> Bools:
    """Intervals at whose end the light stands at its settled level, which takes longer than they last.

    A lamp that has just started gives less for `rewarm_s`: one that does not has burned for so long.
    """
    out = np.zeros(len(rows), bool)
    if len(rows) < 2:
        return out
    after = rows.own["intensity_w_m2"][1:]
    rewarm = rows.profile["rewarm_s"][1:] * US_PER_S
    span = np.diff(rows.at)
    out[:-1] = (
        (rows.unit_no[1:] == rows.unit_no[:-1]) & differs[1:] & (rewarm > 0)
        & (after >= rows.profile["alarm_intensity_w_m2"][1:]) & (after >= 0.9 * rows.value["intensity_w_m2"][:-1])
        & (span - rewarm <= rows.covered[:-1]))
    return out


def _intensity_runs(rows: Rows) -> tuple[Ints, Bools]:
    """Per row since when that very intensity has been read (`NEVER`: not read); rows whose own differs."""
    own = rows.own["intensity_w_m2"]
    reads = ~np.isnan(own)
    previous, previous_at = rows.previous("intensity_w_m2")
    differs = reads & (own != previous)
    begins = differs | (reads & (rows.at - previous_at > STILL_READ_US))
    return _carried(rows, begins, rows.at, "intensity_same_since_us"), differs


def _power(
    rows: Rows, gap_at: Ints, changed_at: Ints, changed_gap_at: Ints
) -> tuple[Ints, Ints, Ints, Ints]:
    """Power as it counts, since when, and the last report of it."""
    own = rows.own["power_on"]
    speaks = ~np.isnan(own)
    said = _carried(rows, speaks, np.nan_to_num(own).astype(np.int64), "power_said")
    said = np.where(said == NEVER, -1, said)
    said_at = _carried(rows, speaks, rows.at, "power_said_at_us")
    seen_again = (changed_at > said_at) & (changed_gap_at > said_at)
    power = np.where(gap_at > said_at, np.where((said == 0) & ~seen_again, 0, -1), said)
    turns = rows.last((power != rows.before(power, -9)) | rows.begins)
    begins = np.where(rows.is_state, rows.state["power_since_us"], rows.at)
    return power, begins[turns] if power.size else begins, said, said_at


def _status(
    rows: Rows, gap_before: Bools, gap_at: Ints, changed_at: Ints, changed_gap_at: Ints, power: Ints
) -> tuple[Ints, Ints, Ints, Ints]:
    """The lamp's last statement and when; what of it may still be believed, and since when that is so."""
    own = rows.own["lamp_on"]
    cut = (rows.own["power_on"] == 0) & ((rows.before(power, -1) != 0) | gap_before)
    states = ~np.isnan(own)
    says = np.select(
        # off stands before on: what a gateway reports on while the power is off is no statement
        [own == 0, (own == 1) & (cut | (power == 0)), cut, own == 1],
        [Stated.OFF, Stated.REPEATED, Stated.VOID, Stated.ON],
        default=Stated.UNKNOWN).astype(np.int64)
    speaks = states | cut
    said = _carried(rows, speaks, says, "lamp_said")
    said = np.where(said == NEVER, Stated.UNKNOWN, said)
    said_at = _carried(rows, speaks, rows.at, "lamp_said_at_us")
    believed = np.where(said == Stated.REPEATED, Stated.VOID, said)
    was_dark = (believed == Stated.OFF) | (believed == Stated.VOID)
    seen_again = (changed_at > said_at) & (changed_gap_at > said_at)
    stated = np.where(
        gap_at > said_at, np.where(was_dark & ~seen_again, Stated.DOUBT, Stated.UNKNOWN), believed)
    turns = _runs(rows, stated, gap_before)
    begins = np.where(rows.is_state, rows.state["lamp_stated_since_us"], rows.at)
    return said, said_at, stated, begins[turns] if stated.size else begins


def _stated_fresh(rows: Rows, dark_unless_on: Bools, gap_before: Bools, stated_since: Ints) -> Bools:
    """Whether the lamp was known to be dark just before its present statement."""
    if not stated_since.size:
        return dark_unless_on
    starts = rows.last((stated_since == rows.at) | rows.begins)
    before = rows.before(dark_unless_on, False) & ~gap_before
    before = np.where(rows.is_state, rows.state["lamp_stated_fresh"].astype(bool), before)
    return before[starts]


def _nothing_moves(
    rows: Rows, counter: Counter, on_since: Ints, same_since: Ints, intensity: Floats
) -> Bools:
    """The counter stands although the lamp is said to burn, and no changing intensity shows it."""
    step = rows.profile["counter_step_h"] * US_PER_H
    # an enrolled step, and two readings more, is as long as an honest counter stands while the lamp burns
    longest = np.where(np.isnan(step), STANDS_US, np.fmin(STANDS_US, step + 2 * rows.covered))
    since = np.maximum(on_since, counter.tick_at)
    since = np.where(np.isnan(intensity), since, np.maximum(since, same_since))
    counted = rows.at - rows.value_at["lamp_hours"] <= rows.covered
    ticked: Bools = counter.tick_at != NEVER
    return counted & ticked & (rows.value_at["lamp_hours"] - since >= longest)
