"""A unit's time cut at every reading and event, each interval with bounds from both its ends and every witness.

Pure functions of the stored readings, so that late, doubled or shuffled arrival changes nothing. One pass over the
columns of all units (`models.exposure.rows`): `witnesses` weighs lamp and power, `water_use` the litres; here the
two become pieces of time, each of one kind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.exposure.instants import NEVER, US_PER_S, Bools, Floats, Ints, instants, microseconds
from models.exposure.resume import BOOLS, FLOATS, INTS, STATE_COLUMNS, STATE_QUANTITIES
from models.exposure.rows import Rows
from models.exposure.severity import SEVERITIES, severity_codes
from models.exposure.water_use import Pieces, Totals, measure, sums, totals
from models.exposure.witnesses import COUNTER_SLACK_US, DARK_SHARE, LampWitness, Stated, weigh
from models.exposure.words import INTERVAL_REASONS, KINDS, KindCode, ReasonCode, Witness, names, sentences

# A lamp's hour counter may fall short of the clock by that and by this share before it shows that the lamp was
# dark: clocks do not run quite alike. Common practice, no source.
COUNTER_SLACK_SHARE = 0.002
# Of the intensity just before: below it the lamp may have just started. Common practice, no source.
DIM_SHARE = 0.7


@dataclass(frozen=True, slots=True)
class _Intervals:
    """What each interval is, before its warm-up is cut off; arrays of shape (n,), the last of a unit is none."""

    kind: Ints
    reason: Ints
    sure: Bools
    rests_on: Ints
    long: Bools
    repeated_w_m2: Floats  # the intensity that goes on being reported while the power is off


def exposure(
    rows: Rows, *, dose_low_mj_cm2: Floats, dose_low_at_peak_mj_cm2: Floats, dose_mj_cm2: Floats | None = None,
    dose_at_peak_mj_cm2: Floats | None = None, links: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pieces of all units' time, and the states from which it can be taken up again.

    Parameters
    ----------
    rows : Rows, n rows
    dose_low_mj_cm2, dose_low_at_peak_mj_cm2 : ndarray, shape (n,)
        Lower bound of the dose at each row if lit and warm, at the flow that holds there (inf where water stands)
        and at the unit's peak flow, which stands in where water was drawn at a flow that no reading caught. NaN is
        not known. [mJ/cm2]
    dose_mj_cm2, dose_at_peak_mj_cm2 : ndarray, shape (n,), optional
        Best estimates of the same, NaN also where nobody tested the unit at such water or flow: what is short by
        its lower bound alone is marginal. By default no better than the bounds. [mJ/cm2]
    links : DataFrame, optional
        `unit_no`, `at`, `up`: the last will and its counterpart, to tell no-link from no-logger.

    Returns
    -------
    pieces : DataFrame
        Tiles each unit's time from its first to its last row without gap or overlap: unit_no, start, end, kind,
        cause, rests_on, flow_l_min, drawn_l, drawn_l_upper, underdosed_l, underdosed_l_upper, dose_low_mj_cm2,
        severity (as of `models.exposure.severity`), in_range (whether the unit was tested at such water and flow),
        seconds, row (at which its interval begins). `underdosed_l` is the least, NaN where nobody heard anything.
    states : DataFrame
        As of `models.exposure.resume`: the state at the last row of each UTC hour of a unit.
    """
    n = len(rows)
    interval = np.zeros(n, np.int64)
    if n:
        interval[:-1] = np.where(rows.unit_no[1:] == rows.unit_no[:-1], np.diff(rows.at), 0)
    long = interval > rows.covered
    between = totals(rows, interval, _clock_stood(rows, interval, long, links))
    # a logger that counts pulses itself counted none in a silence: its total is no bound there
    uncounted = long & (rows.profile["meter"] == 0)
    lamp = weigh(rows, long, np.where(uncounted, np.inf, between.passed_l))
    long &= ~lamp.bridged
    doses = _Doses(
        at_flow=dose_low_mj_cm2, at_peak=dose_low_at_peak_mj_cm2,
        best_at_flow=dose_low_mj_cm2 if dose_mj_cm2 is None else dose_mj_cm2,
        best_at_peak=dose_low_at_peak_mj_cm2 if dose_at_peak_mj_cm2 is None else dose_at_peak_mj_cm2)
    found, not_lit = _judged(rows, lamp, between, interval, long, links)
    pieces, codes = _pieces(rows, lamp, between, found, interval, doses)
    water, carry = measure(rows, lamp, between, pieces, interval)
    carry["not_lit_since_tick_us"] = not_lit
    unheard = codes["kind"] == KindCode.UNHEARD
    nothing_known = unheard & (water.under_l == 0) & (water.under_l_upper > 0)
    rests_on = np.where(pieces.suspect, codes["rests_on"] | water.rests_on, codes["rests_on"])
    # named where the whole interval was dark: it takes no litre off and no part of the time
    shut = (codes["kind"] == KindCode.DARK) & found.sure[pieces.row] & (rows.profile["shutoff"][pieces.row] == 1)
    rests_on = np.where(shut, rests_on | Witness.VALVE, rests_on)
    flow = np.where(pieces.long, np.nan, rows.fresh("flow_l_min")[pieces.row])
    table = pd.DataFrame({
        "unit_no": rows.unit_no[pieces.row], "start": instants(pieces.start), "end": instants(pieces.end),
        "kind": names(KINDS, codes["kind"]), "cause": names(INTERVAL_REASONS, codes["reason"]),
        "rests_on": sentences(rests_on, found.repeated_w_m2[pieces.row]), "flow_l_min": flow,
        "drawn_l": water.drawn_l,
        "drawn_l_upper": water.drawn_l_upper, "underdosed_l": np.where(nothing_known, np.nan, water.under_l),
        "underdosed_l_upper": water.under_l_upper, "dose_low_mj_cm2": codes["dose"],
        "severity": names(SEVERITIES, codes["severity"]), "in_range": codes["in_range"],
        "seconds": (pieces.end - pieces.start) / US_PER_S, "row": pieces.row,
    })
    return table, _states(rows, lamp, doses, carry)


@dataclass(frozen=True, slots=True)
class _Doses:
    at_flow: Floats
    at_peak: Floats
    best_at_flow: Floats
    best_at_peak: Floats


def _later(column: np.ndarray) -> np.ndarray:
    """The column one row later; the last row's own at the end."""
    return np.append(column[1:], column[-1:])


def _judged(
    rows: Rows, lamp: LampWitness, between: Totals, interval: Ints, long: Bools, links: pd.DataFrame | None
) -> tuple[_Intervals, Ints]:
    """What each interval is by both its ends, counter and possible flow; and time not lit since the last tick."""
    on, dark = lamp.on, lamp.dark
    # an event gives the moment of the change: until it, what stood before it goes on
    change = _later(lamp.event) & ~long
    on_after = np.where(change, on, _later(on))
    dark_after = np.where(change, dark, _later(dark))
    heard = ~long
    lit = heard & on & on_after
    sure = heard & dark & dark_after
    one_dark = heard & (dark | dark_after) & ~sure
    dim = lit & _dims(rows, lamp)
    kind = np.select([lit & ~dim, sure | one_dark | dim], [KindCode.LIT, KindCode.DARK], default=KindCode.UNHEARD)

    mask, reason = _row_words(rows, lamp)
    dark_end = np.where(dark, mask, _later(mask))
    rests_on = np.select(
        [lit & lamp.bridged, lit & ~dim, dim, sure, one_dark, long],
        [_bridges(lamp), mask, mask | Witness.DIM, mask, dark_end | Witness.BETWEEN, Witness.SILENCE],
        default=np.where(on & ~_later(on), _later(mask), mask))
    reasons = np.select(
        [lit & ~dim, dim, sure | (one_dark & dark), one_dark, long],
        [ReasonCode.NONE, ReasonCode.NO_LAMP, reason, _later(reason),
         _gap_reason(rows, lamp, interval, long, links)],
        default=ReasonCode.UNKNOWN)

    counter = lamp.counter
    not_lit, of_bracket = sums(
        rows, counter.begins, counter.ends, np.where(kind == KindCode.LIT, 0, interval), "not_lit_since_tick_us")
    slack = COUNTER_SLACK_US + COUNTER_SLACK_SHARE * counter.span
    accused = (kind == KindCode.LIT) & counter.known & (counter.dark_least - of_bracket > slack)
    impossible = (~between.possible) & (kind != KindCode.DARK) & (interval > 0)
    kind = np.select([impossible, accused], [KindCode.UNHEARD, KindCode.DARK], default=kind)
    rests_on = np.select(
        [impossible, accused], [Witness.IMPOSSIBLE, Witness.COUNTER | Witness.BETWEEN], default=rests_on)
    reasons = np.select(
        [impossible & ~long, accused], [ReasonCode.UNKNOWN, ReasonCode.NO_LAMP], default=reasons)
    repeated = _repeated(rows, lamp)
    return _Intervals(
        kind=kind, reason=reasons, sure=sure, rests_on=rests_on, long=long,
        repeated_w_m2=np.where(dark, repeated, _later(repeated))), not_lit


def _repeated(rows: Rows, lamp: LampWitness) -> Floats:
    """The intensity of rows that report with the power off what the row before, or the next one, reports too.

    A value that moves is no repeated one: there it is the power report that is to be looked at.
    """
    value, value_at = rows.value["intensity_w_m2"], rows.value_at["intensity_w_m2"]
    before = (lamp.intensity_same_since != NEVER) & (lamp.intensity_same_since < value_at)
    after = np.zeros(len(rows), bool)
    after[:-1] = (rows.unit_no[1:] == rows.unit_no[:-1]) & (rows.own["intensity_w_m2"][1:] == value[:-1]) & (
        np.diff(rows.at) <= rows.covered[:-1])
    return np.where(lamp.repeats & (value_at == rows.at) & (before | after), value, np.nan)


def _dims(rows: Rows, lamp: LampWitness) -> Bools:
    """Intervals at whose end the lamp gives much less than at their start: it may have just started."""
    before, after = rows.fresh("intensity_w_m2"), _later(rows.own["intensity_w_m2"])
    same_run: Bools = lamp.on_from == _later(lamp.on_from)
    return same_run & (after < DIM_SHARE * before) & (after >= DARK_SHARE * rows.profile["alarm_intensity_w_m2"])


def _row_words(rows: Rows, lamp: LampWitness) -> tuple[Ints, Ints]:
    """Per row the witnesses that its lamp rests on, and why it is not lit."""
    void = (lamp.stated == Stated.VOID) | (lamp.stated == Stated.DOUBT)
    off, status, out = lamp.stated == Stated.OFF, lamp.stated == Stated.ON, lamp.power == 0
    shines = rows.fresh("intensity_w_m2") >= DARK_SHARE * rows.profile["alarm_intensity_w_m2"]
    mask = np.select(
        [lamp.on & status, lamp.on, lamp.repeats, out, off & shines, off, lamp.disagrees, lamp.stands,
         lamp.dark & void, lamp.dark],
        [Witness.STATUS, Witness.INTENSITY, Witness.POWER | Witness.REPEATS, Witness.POWER,
         Witness.STATUS | Witness.DISAGREE, Witness.STATUS, Witness.DISAGREE, Witness.STANDS, Witness.NOT_SINCE,
         Witness.INTENSITY], default=Witness.NO_WITNESS)
    reason = np.select(
        [~lamp.dark, out, void, off | lamp.disagrees, lamp.power == 1],
        [ReasonCode.NONE, ReasonCode.NO_POWER, ReasonCode.UNKNOWN, ReasonCode.NO_LAMP, ReasonCode.NO_LAMP],
        default=ReasonCode.UNKNOWN)
    return mask.astype(np.int64), reason.astype(np.int64)


def _bridges(lamp: LampWitness) -> Ints:
    """What covers an interval longer than its two ends do."""
    return np.where(lamp.by_counter, Witness.COUNTER, Witness.REWARMED).astype(np.int64)


def _pieces(
    rows: Rows, lamp: LampWitness, between: Totals, found: _Intervals, interval: Ints, doses: _Doses
) -> tuple[Pieces, dict[str, np.ndarray]]:
    """Up to two pieces an interval: until warm, and warm."""
    start, end = rows.at, rows.at + interval
    lit = found.kind == KindCode.LIT
    warm_up = np.rint(rows.profile["warm_up_s"] * US_PER_S).astype(np.int64)
    seen = (rows.value_at["intensity_w_m2"] >= lamp.on_from) & (
        rows.fresh("intensity_w_m2") >= rows.profile["alarm_intensity_w_m2"])
    proven = ~lamp.on_known & seen
    warm_at = np.where(lit & ~proven, np.clip(lamp.on_from + warm_up, start, end), start)
    silent = interval > rows.covered
    late, weak_sure, dose, best, late_rests = _late(rows, between, doses, lit, silent)
    # in the warm-up too a measured intensity gives the dose, if it is another than before the lamp was dark
    measured = lamp.on & (rows.value_at["intensity_w_m2"] >= lamp.on_from) & (lamp.changed_at >= lamp.on_from)
    by_light = lit & measured & _later(measured)
    dosed = by_light & ~late
    kinds = np.stack([np.full(len(rows), KindCode.WARMING), np.where(late, KindCode.WEAK, found.kind)], axis=1)
    sure = np.stack([lamp.on_known & (warm_at <= lamp.on_least + warm_up), found.sure | (late & weak_sure)], axis=1)
    warming = np.where(dosed, Witness.WARM_UP | Witness.INTENSITY, Witness.WARM_UP)
    rests_on = np.stack([warming, np.where(late, late_rests, found.rests_on)], axis=1)
    bounds = np.stack([start, warm_at, end], axis=1)
    keep = bounds[:, 1:] > bounds[:, :-1]
    row = np.broadcast_to(np.arange(len(rows))[:, None], keep.shape)[keep]
    kind = kinds[keep]
    reason = np.where(np.isin(kind, (KindCode.WARMING, KindCode.WEAK)), ReasonCode.NONE, found.reason[row])
    suspect = (kind != KindCode.LIT) & ~((kind == KindCode.WARMING) & dosed[row])
    dose_of = np.select(
        [kind == KindCode.UNHEARD, (kind == KindCode.DARK) | ((kind == KindCode.WARMING) & ~by_light[row])],
        [np.nan, 0.0], default=dose[row])
    severity = severity_codes(
        short=suspect, dark_or_unheard=(kind == KindCode.UNHEARD) | (kind == KindCode.DARK),
        dose_low_mj_cm2=dose_of, best_reaches_target=best[row] >= rows.profile["dose_target_mj_cm2"][row],
        marginal_from_mj_cm2=rows.profile["marginal_from_mj_cm2"][row],
        under_treated_from_mj_cm2=rows.profile["under_treated_from_mj_cm2"][row])
    pieces = Pieces(
        row=row, start=bounds[:, :-1][keep], end=bounds[:, 1:][keep], suspect=suspect, sure=sure[keep] & suspect,
        long=silent[row])
    return pieces, {
        "kind": kind, "reason": reason, "rests_on": rests_on[keep].astype(np.int64), "dose": dose_of,
        "severity": severity, "in_range": ~np.isnan(best[row])}


def _late(
    rows: Rows, between: Totals, doses: _Doses, lit: Bools, silent: Bools
) -> tuple[Bools, Bools, Floats, Floats, Ints]:
    """Warm intervals whose dose may be short, those in which it is for certain, the lesser dose of both ends, and
    the lesser best estimate.

    In a silence through which the lamp is known to have burned no flow reading speaks of the time between: a tap
    that was shut at 10:09 and at 12:00 can have run at peak flow at 11:00.

    Where the running total shows more water than the flow readings, the mean flow was higher: a dose falls no
    faster than 1 / flow (RED = C (n/k) ln(1 + k D / n) is concave in D, and D goes with 1 / flow), so it is scaled
    by that; where no flow was read, by the unit's peak flow.
    """
    target = rows.profile["dose_target_mj_cm2"]
    before = np.where(silent, np.nan, rows.fresh("flow_l_min"))
    after = np.where(silent, np.nan, _later(rows.fresh("flow_l_min")))
    stands = between.closed & (between.difference == 0) & ~(silent & (rows.profile["meter"] == 0))

    def at_end(flow: Floats, at_flow: Floats, at_peak: Floats) -> Floats:
        plain = np.where(np.isnan(flow), np.where(stands, np.inf, at_peak), at_flow)
        # where nobody tested the unit at its peak flow, the mean flow may lie beyond the test as well
        tested = ~np.isnan(doses.best_at_peak) | np.isnan(doses.at_peak)
        more = np.where((flow > 0) & tested, np.fmax(at_flow * between.mean_share, at_peak), at_peak)
        return np.where(between.more, more, np.where(flow == 0, np.inf, plain))

    first = at_end(before, doses.at_flow, doses.at_peak)
    last = at_end(after, _later(doses.at_flow), _later(doses.at_peak))
    short = ~(first >= target) | ~(last >= target)
    moves = (before > 0) | (after > 0) | between.more | ((np.isnan(before) | np.isnan(after)) & ~stands)
    late = lit & moves & short
    sure = late & (first < target) & (last < target) & (before > 0) & (after > 0) & ~between.more
    unknown = np.isnan(first) | np.isnan(last)
    dose = np.where(unknown, np.nan, np.minimum(first, last))
    best = np.minimum(  # NaN where either is
        at_end(before, doses.best_at_flow, doses.best_at_peak),
        at_end(after, _later(doses.best_at_flow), _later(doses.best_at_peak)))
    return late, sure, dose, best, np.where(unknown, Witness.NO_DOSE, Witness.DOSE)


def _gap_reason(rows: Rows, lamp: LampWitness, interval: Ints, long: Bools, links: pd.DataFrame | None) -> Ints:
    """Power known to be out when the silence began; else a link down within it; else one that was up throughout."""
    reason = np.full(len(rows), int(ReasonCode.UNKNOWN))
    i = np.flatnonzero(long)
    if i.size and links is not None and len(links):
        table = _Links.of(links, rows)
        first = table.upto(rows.unit_no[i], rows.at[i])
        last = table.upto(rows.unit_no[i], rows.at[i] + interval[i] - 1)
        had = first > table.upto(rows.unit_no[i], np.full(i.size, NEVER))
        was_down = had & ~table.up[np.maximum(first - 1, 0)]
        down = was_down | (table.downs[last] > table.downs[first])
        reason[i] = np.where(down, ReasonCode.NO_LINK, np.where(had, ReasonCode.NO_LOGGER, ReasonCode.UNKNOWN))
    return np.where(long & (lamp.power == 0), ReasonCode.NO_POWER, reason)


@dataclass(frozen=True, slots=True)
class _Links:
    """Link events of many units, to be asked by unit and instant."""

    unit_no: Ints
    at: Ints
    up: Bools
    downs: Ints

    @classmethod
    def of(cls, links: pd.DataFrame, rows: Rows) -> _Links:
        at, unit_no = microseconds(links["at"]), links["unit_no"].to_numpy(np.int64)
        order = np.lexsort((at, unit_no))
        up = links["up"].to_numpy(dtype=bool)[order]
        return cls(unit_no[order], at[order], up, np.concatenate([[0], np.cumsum(~up)]))

    def upto(self, unit_no: Ints, at: Ints) -> Ints:
        """How many events stand up to and including that instant of that unit, in the table's order."""
        moments, rank = np.unique(np.concatenate([self.at, at]), return_inverse=True)
        wide = moments.size + 1
        mine = self.unit_no * wide + rank[: self.at.size]
        return np.searchsorted(mine, unit_no * wide + rank[self.at.size :], side="right")


def _clock_stood(rows: Rows, interval: Ints, long: Bools, links: pd.DataFrame | None) -> Bools:
    """Silences that look as if the logger's clock had stood while it was dead, and was set later.

    Such a logger stamps what it reads after the power came back with the time at which it went: its readings lie in
    the time of the lost link, and then comes a silence in whose later part the link was long up. The water of the
    dead time then stands before the silence, and no difference of totals across it holds that water.
    """
    out = np.zeros(len(rows), bool)
    i = np.flatnonzero(long)
    if not i.size or links is None or links.empty:
        return out
    table = _Links.of(links, rows)
    nothing = table.upto(rows.unit_no[i], np.full(i.size, NEVER))
    first = table.upto(rows.unit_no[i], rows.at[i])
    was_down = (first > nothing) & ~table.up[np.maximum(first - 1, 0)]
    last = table.upto(rows.unit_no[i], rows.at[i] + interval[i] - 2 * rows.covered[i] - 1)
    out[i] = was_down & (last > first) & table.up[np.maximum(last - 1, 0)]
    return out


def _states(rows: Rows, lamp: LampWitness, doses: _Doses, carry: dict[str, Ints | Bools]) -> pd.DataFrame:
    """State at the last row of each UTC hour of a unit."""
    i = np.flatnonzero(rows.hour_ends)
    columns: dict[str, np.ndarray] = {
        "at_us": rows.at, "power_said": lamp.power_said, "power_said_at_us": lamp.power_said_at,
        "power": lamp.power, "power_since_us": lamp.power_since, "lamp_said": lamp.said,
        "lamp_said_at_us": lamp.said_at, "lamp_stated": lamp.stated, "lamp_stated_since_us": lamp.stated_since,
        "gap_at_us": lamp.gap_at, "light_changed_at_us": lamp.changed_at,
        "light_changed_gap_at_us": lamp.changed_gap_at,
        "lamp": np.where(lamp.on, 1, np.where(lamp.dark, 0, -1)), "lit_from_us": lamp.on_from,
        "lit_least_us": lamp.on_least, "said_on_since_us": lamp.said_on_since,
        "intensity_same_since_us": lamp.intensity_same_since, "tick_at_us": lamp.counter.tick_at,
        "tick_slack_us": lamp.counter.tick_slack, "tick_run": lamp.counter.tick_run,
        "lamp_stated_fresh": lamp.stated_fresh,
        "lit_known": lamp.on_known, "dose_low_mj_cm2": doses.at_flow, "dose_low_at_peak_mj_cm2": doses.at_peak,
        "dose_mj_cm2": doses.best_at_flow, "dose_at_peak_mj_cm2": doses.best_at_peak,
        **carry, **{f"{name}_at_us": rows.value_at[name] for name in STATE_QUANTITIES},
        **{name: rows.value[name] for name in STATE_QUANTITIES},
    }
    kinds = {**dict.fromkeys(INTS, np.int64), **dict.fromkeys(FLOATS, np.float64), **dict.fromkeys(BOOLS, bool)}
    assert set(columns) == set(STATE_COLUMNS), set(columns) ^ set(STATE_COLUMNS)
    return pd.DataFrame({
        "unit_no": rows.unit_no[i], **{name: columns[name][i].astype(kinds[name]) for name in STATE_COLUMNS}})



