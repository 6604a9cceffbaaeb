"""What a unit's readings say of its lamp, reading by reading.

Pure columns: row `i` of every array is the state after reading `i`; the first row is the carry's, where there is
one.
`models.draw` adds the water, `models.timeline` cuts the result into pieces.

The rule: a reading describes the time to the unit's next one, at most `HOLD_CADENCES` cadences; events (`lamp_on`,
`power_on`) hold until the next of their kind, and nothing that was stated before an unheard gap is believed after
it. Where two signals contradict, the worse one counts. A lamp said to burn whose counter of hours has stood for
`STANDS_US`, while the intensity was not measured or showed one value all the time, is not known to burn: from then
on the time is unheard. What passed before that is not undone, for a counter may be read out in steps of an hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import pandas as pd

from models.carry import (
    NEVER,
    QUANTITIES,
    Bools,
    Carry,
    Floats,
    Ints,
    instants,
    microsecond,
    microseconds,
)
from models.fleet import Reactor, Unit

HOLD_CADENCES = 3  # design.md, "Messages": a reading holds at most 3 cadences
# A counter of the lamp's hours is read out in steps of at most an hour (`models.draw`): one that has not moved for
# this long does not count a burning lamp. Common practice, no source.
STANDS_US = round(2.5 * 3600e6)
DARK_SHARE = 0.05  # of alarm_intensity_w_m2: below it the lamp gives nothing; common practice, no source


SAME = ("intensity_w_m2", "lamp_hours")


class Stated(IntEnum):
    """The lamp's last status, as far as it may still be believed."""

    UNKNOWN = -1
    OFF = 0
    ON = 1
    VOID = 2  # the power went after it was stated: dark until something shows the lamp again


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """State after each reading; the first row is the carry's, where there is one. Instants in us since 1970."""

    at: Ints
    hold_us: int
    gap_before: Bools  # longer than the hold since the row before
    own: dict[str, Bools]  # measured in this very row
    value: dict[str, Floats]  # held: the last measured, NaN once it is older than the hold
    value_at: dict[str, Ints]  # when that was
    power: Ints  # 1, 0, -1 unknown
    power_own: Floats
    power_since: Ints
    stated: Ints  # Stated
    stated_since: Ints
    stated_fresh: Bools
    on: Bools
    dark: Bools
    on_from: Ints  # valid where `on`
    on_known: Bools  # it was dark just before `on_from`
    seen_by_intensity: Bools
    same_since: dict[str, Ints]  # intensity and lamp hours: since when this very value has been read
    stands: Bools  # said to burn, but its counter stands and no changing intensity shows it: not known
    intensity_low: Bools  # measured since the lamp was stated on, and next to nothing


def last_index(valid: Bools) -> Ints:
    """Per row the index of the last row so far where `valid`; -1 before the first."""
    return np.maximum.accumulate(np.where(valid, np.arange(valid.size), -1))


def hold_us(unit: Unit) -> int:
    """How long a reading of the unit may speak. [us]"""
    return round(HOLD_CADENCES * unit.cadence_s * 1e6)


def rows(readings: pd.DataFrame, *, unit: Unit, reactor: Reactor, carry: Carry | None = None) -> Rows:
    """Weigh what every reading says of power and lamp.

    Parameters
    ----------
    readings : DataFrame, n rows
        As in `models.timeline.timeline`; columns that are missing count as not measured.
    unit, reactor : Unit, Reactor
        `cadence_s` bounds holding; `warm_up_s` and `alarm_intensity_w_m2` weigh the lamp.
    carry : Carry, optional
        State before the first reading.

    Returns
    -------
    Rows
        n rows, or n + 1 with a carry.

    Raises
    ------
    ValueError
        If instants are naive, not rising, or not after the carry's.
    """
    first = [] if carry is None else [microsecond(carry.at)]
    at = np.concatenate([np.array(first, dtype=np.int64), microseconds(readings["at"])])
    falls = np.flatnonzero(np.diff(at) <= 0)
    if falls.size:
        where = instants(at[falls[0] + 1 : falls[0] + 2])[0]
        raise ValueError(
            "readings must be sorted by `at`, each instant once, all after the carry; "
            f"row {falls[0] + 1 - len(first)} ({where}) does not come after the one before"
        )
    hold = hold_us(unit)
    gap_before = np.concatenate([np.zeros(min(at.size, 1), bool), np.diff(at) > hold])
    own, value, value_at = _held(readings, at, hold, carry)
    power, power_own, power_since = _power(readings, at, gap_before, carry)
    stated, stated_since = _stated(readings, at, gap_before, power, power_own, carry)
    return _weigh(
        at, hold, gap_before, own, value, value_at, power, power_own, power_since, stated, stated_since, reactor,
        carry,
    )


def _column(readings: pd.DataFrame, name: str, before: float | None, first: bool) -> Floats:
    """One column as floats, NaN not measured, behind the carry's value where there is a carry."""
    if name not in readings:
        column = np.full(len(readings), np.nan)
    elif readings[name].dtype == np.float64:
        column = readings[name].to_numpy()
    elif name in ("lamp_on", "power_on"):
        column = readings[name].astype("boolean").to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        column = readings[name].astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan)
    if not first:
        return column
    return np.concatenate([[np.nan if before is None else before], column])


def _held(
    readings: pd.DataFrame, at: Ints, hold: int, carry: Carry | None
) -> tuple[dict[str, Bools], dict[str, Floats], dict[str, Ints]]:
    """Each quantity held from the row that last had it, with that row's instant."""
    own, value, value_at = {}, {}, {}
    measured: dict[str, Floats] = {
        name: _column(readings, name, getattr(carry, name, None), carry is not None) for name in QUANTITIES
    }
    # A dose belongs to the flow, intensity and water it was computed for: a row that measures any of these without
    # a dose of its own makes the dose unknown; only a row that measures none of them keeps the last.
    inputs = np.zeros(at.size, bool)
    for name in ("intensity_w_m2", "flow_l_min", "uvt_pct"):
        inputs |= ~np.isnan(measured[name])
    for name, column in measured.items():
        stands = ~np.isnan(column)
        last = last_index(stands | inputs if name.startswith("dose") else stands)
        when = at.copy()
        if carry is not None:
            when[0] = microsecond(getattr(carry, f"{name}_at"))
        known_at = np.where(last >= 0, when[last], NEVER) if at.size else at
        fresh = at - known_at <= hold
        value[name] = np.where(fresh & (last >= 0), column[last], np.nan) if at.size else column
        value_at[name] = known_at
        own[name] = stands if carry is None else stands & (when == at)
    return own, value, value_at


def _run_start(at: Ints, state: Ints, gap_before: Bools, before: int | None) -> Ints:
    """Instant at which each row's present state began; a gap begins a new one."""
    turns = np.ones(state.size, bool)
    turns[1:] = (state[1:] != state[:-1]) | gap_before[1:]
    when = at.copy()
    if before is not None and when.size:
        when[0] = before
    return when[last_index(turns)] if at.size else at


def _fill(statement: Ints, says: Bools) -> Ints:
    """Hold the last statement; -1 (unknown) before the first."""
    last = last_index(says)
    return np.where(last >= 0, statement[last], -1) if statement.size else statement


def _power(
    readings: pd.DataFrame, at: Ints, gap_before: Bools, carry: Carry | None
) -> tuple[Ints, Floats, Ints]:
    before = None if carry is None or carry.power_on is None else float(carry.power_on)
    own = _column(readings, "power_on", before, carry is not None)
    power = _fill(np.where(np.isnan(own), -1, own).astype(np.int64), ~np.isnan(own) | gap_before)
    since = _run_start(at, power, gap_before, None if carry is None else microsecond(carry.power_since))
    return power, own, since


def _stated(
    readings: pd.DataFrame, at: Ints, gap_before: Bools, power: Ints, power_own: Floats, carry: Carry | None
) -> tuple[Ints, Ints]:
    """The lamp's status held; a power cut voids it, so does a gap."""
    own = _column(readings, "lamp_on", None, carry is not None)
    earlier = np.concatenate([np.full(min(power.size, 1), -1), power[:-1]])
    cut = (power_own == 0) & ((earlier != 0) | gap_before)
    says = np.select(
        # off and cut stand before on: stated on in the very row in which the power went is a contradiction
        [own == 0, cut, own == 1], [Stated.OFF, Stated.VOID, Stated.ON], default=Stated.UNKNOWN,
    ).astype(np.int64)
    speaks = ~np.isnan(own) | cut | gap_before
    if carry is not None:
        as_stated = Stated.UNKNOWN if carry.lamp_on is None else int(carry.lamp_on)
        says[0] = Stated.VOID if carry.lamp_void else as_stated
        speaks[0] = True
    stated = _fill(says, speaks)
    return stated, _run_start(at, stated, gap_before, None if carry is None else microsecond(carry.stated_since))


def _weigh(
    at: Ints, hold: int, gap_before: Bools, own: dict[str, Bools], value: dict[str, Floats],
    value_at: dict[str, Ints], power: Ints, power_own: Floats, power_since: Ints, stated: Ints, stated_since: Ints,
    reactor: Reactor, carry: Carry | None,
) -> Rows:
    """Status against intensity; the worse counts."""
    intensity, intensity_at = value["intensity_w_m2"], value_at["intensity_w_m2"]
    nothing = DARK_SHARE * reactor.alarm_intensity_w_m2
    warm_up = round(reactor.warm_up_s * 1e6)
    shines, shows_dark = intensity >= nothing, intensity < nothing  # both False where unknown
    void, unknown = stated == Stated.VOID, stated == Stated.UNKNOWN
    # after a cut only an intensity measured since the power came back can show the lamp
    by_intensity = shines & (unknown | (void & (power == 1) & (intensity_at >= power_since)))
    dark_unless_on = (stated == Stated.OFF) | (void & ~by_intensity) | (unknown & shows_dark)
    begins = stated_since == at
    before = np.concatenate([np.zeros(min(at.size, 1), bool), dark_unless_on[:-1]]) & ~gap_before
    starts_fresh = before.copy()
    if carry is not None:
        begins[0], starts_fresh[0] = True, carry.stated_fresh
    start = last_index(begins)
    fresh = np.where(start >= 0, starts_fresh[start], False) if at.size else begins
    # Stated on, and no light: a failed lamp, unless it only just came on.
    low = shows_dark & (intensity_at >= stated_since) & (stated == Stated.ON)
    contradicted = low & ~(fresh & (at < stated_since + warm_up))
    on = ((stated == Stated.ON) & ~contradicted) | by_intensity
    dark = dark_unless_on | contradicted
    same_since = {name: _same_since(name, at, own, value, value_at, hold, carry) for name in SAME}
    # A status alone, or a sensor that shows one value for hours, against a counter that stands: nobody knows.
    since_all = np.maximum(_on_since(on, at, gap_before, carry), same_since["lamp_hours"])
    since_all = np.where(np.isnan(intensity), since_all, np.maximum(since_all, same_since["intensity_w_m2"]))
    counted = ~np.isnan(value["lamp_hours"]) & (same_since["lamp_hours"] != NEVER)
    stands = on & counted & (value_at["lamp_hours"] - since_all >= STANDS_US)
    on = on & ~stands
    turns = on.copy()
    turns[1:] &= ~on[:-1] | gap_before[1:]
    known = np.concatenate([np.zeros(min(at.size, 1), bool), dark[:-1]]) & ~gap_before
    since = at.copy()
    if carry is not None:
        turns[0], known[0] = True, carry.lamp_since is not None
        since[0] = microsecond(carry.lit_from)
    run = last_index(turns)
    run_ok = run >= 0
    return Rows(
        at=at, hold_us=hold, gap_before=gap_before, own=own, value=value, value_at=value_at, power=power,
        power_own=power_own, power_since=power_since, stated=stated, stated_since=stated_since, stated_fresh=fresh,
        on=on, dark=dark, on_from=np.where(run_ok, since[run], NEVER) if at.size else at,
        on_known=(run_ok & known[run]) if at.size else on, seen_by_intensity=by_intensity, intensity_low=low,
        same_since=same_since, stands=stands,
    )


def _on_since(on: Bools, at: Ints, gap_before: Bools, carry: Carry | None) -> Ints:
    """Per row since when the signals have said that the lamp burns; a gap begins anew."""
    if not at.size:
        return at
    turns = on.copy()
    turns[1:] &= ~on[:-1] | gap_before[1:]
    since = at.copy()
    if carry is not None:
        turns[0], since[0] = True, microsecond(carry.lit_from)
    run = last_index(turns)
    return np.where(run >= 0, since[run], NEVER)


def _same_since(
    name: str, at: Ints, own: dict[str, Bools], value: dict[str, Floats], value_at: dict[str, Ints], hold: int,
    carry: Carry | None,
) -> Ints:
    """Per row since when that quantity has been read as the very value that it has; NEVER: not read."""
    if not at.size:
        return at
    reads = own[name].copy()
    if carry is not None:
        reads[0] = not np.isnan(value[name][0])
    i = np.flatnonzero(reads)
    if not i.size:
        return np.full(at.size, NEVER)
    when, read = value_at[name][i], value[name][i]
    begins = np.ones(i.size, bool)
    begins[1:] = (read[1:] != read[:-1]) | (np.diff(when) > hold)
    since = when.copy()
    if carry is not None and i[0] == 0:
        before = microsecond(getattr(carry, f"{name}_same_since"))
        since[0] = before if before != NEVER else when[0]
    since = since[last_index(begins)]
    last = np.cumsum(reads) - 1
    return np.where(last >= 0, since[np.maximum(last, 0)], NEVER)
