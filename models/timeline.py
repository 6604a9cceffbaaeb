"""A unit's time cut into pieces: lit, warming, weak, dark and unheard, with the water drawn in each.

Pure functions of the stored readings, so that late, doubled or shuffled arrival changes nothing. `models.evidence`
weighs the signals, `models.draw` measures the water, `models.outage` merges the pieces for store and people.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from models.carry import (
    NEVER,
    QUANTITIES,
    Bools,
    Carry,
    Cause,
    Floats,
    Ints,
    Kind,
    instants,
    microsecond,
    microseconds,
)
from models.draw import BY_PEAK, COUNTER_DARK, COUNTER_LIT, US_PER_MIN, Drawn, drawn
from models.evidence import DARK_SHARE, Rows, Stated, rows
from models.fleet import Reactor, Unit

__all__ = ["Carry", "Cause", "Kind", "held", "open_tail", "rows", "timeline"]

KINDS = tuple(Kind)
LIT, WARMING, WEAK, DARK, UNHEARD = range(5)
CAUSES = tuple(Cause)
NONE, NO_POWER, NO_LAMP, NO_LINK, NO_LOGGER, UNKNOWN = range(6)
RESTS_ON = (
    "lamp status",
    "intensity",
    "lamp-on, warm-up time",
    "lamp-on time not known",
    "dose under target",
    "dose not known",
    "power event",
    "lamp status against intensity",
    "intensity at 0",
    "intensity at 0 against lamp status",
    "no lamp report since the power returned",
    "no lamp status, no intensity",
    "lamp hours and intensity stand still",
    # gaps: volume by peak flow, stored volume, running total; for each the lamp's counter silent, lit, dark
    "gap, peak flow", "gap, peak flow, lamp hours say lit", "gap, peak flow, lamp hours say dark",
    "gap, stored volume", "gap, stored volume, lamp hours say lit", "gap, stored volume, lamp hours say dark",
    "gap, running total", "gap, running total, lamp hours say lit", "gap, running total, lamp hours say dark",
)
(STATUS, INTENSITY, WARM_UP, ON_UNKNOWN, UNDER, DOSE_UNKNOWN, POWER, AGAINST, AT_ZERO, AT_ZERO_AGAINST, NOT_SINCE,
 NOTHING, STANDS, GAP) = range(14)
US_PER_S = 1e6
US_PER_H = 3_600_000_000


def timeline(
    readings: pd.DataFrame, *, unit: Unit, reactor: Reactor, carry: Carry | None = None,
    links: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pieces of one unit's time, and the states from which it can be taken up again.

    Parameters
    ----------
    readings : DataFrame
        One row per instant, sorted by `at` (datetime64[us, UTC]), all after `carry.at`. Any of intensity_w_m2,
        flow_l_min, total_l, uvt_pct, water_temp_c, battery_v, lamp_hours, lamp_on, power_on; NaN or None is not
        measured, as is a column that is missing. Added by the caller: dose_low_mj_cm2, the lower bound of the dose
        if lit and warm (inf where water stands); and, if it can, dose_low_at_peak_mj_cm2, the same at the unit's
        peak flow, which stands in where water was drawn at a flow that no reading caught. Without it such water is
        weak.
    unit, reactor : Unit, Reactor
    carry : Carry, optional
        State after the reading at `carry.at`; None for no history.
    links : DataFrame, optional
        `at`, `up`: the last will and its counterpart, to tell no-link from no-logger.

    Returns
    -------
    pieces : DataFrame
        Tiles [carry.at or first reading, last reading) without gap or overlap: start, end, kind, cause, rests_on,
        flow_l_min, drawn_l, drawn_l_upper, underdosed_l, underdosed_l_upper (NaN is unknown; an upper bound is
        always known), dose_low_mj_cm2 (0 dark or warming, NaN unknown, inf standing), seconds, read_at (the reading
        that the piece rests on).
    carries : DataFrame
        The state after the last reading of each UTC hour that has one: `hour` and the fields of `Carry`. Taking up
        again at a row with `settled` gives bit for bit the same pieces; one that is not settled stands less than
        one hold after a gap whose running total has not been heard yet.

    Raises
    ------
    ValueError
        If instants are naive, doubled, not sorted, or not after the carry's.

    Notes
    -----
    Lamp status, power and intensity are weighed in `models.timeline`, volumes in `models.draw`. Warm-up counts from
    lamp-on; where that was not seen (after a gap, or at the start of all) the lamp is lit only with an intensity of
    at least `alarm_intensity_w_m2`, else it is warming for `warm_up_s` from when it was first known to burn. Time
    heard without lamp status or intensity is `unheard`, for nobody can call it lit. In a gap the under-dosed
    volume is unknown, its upper bound all that was or can have been drawn; it is 0 where the lamp's counter
    advanced by the whole gap, and so is the bound if also the dose at peak flow reached the target on both sides.
    """
    state = rows(readings, unit=unit, reactor=reactor, carry=carry)
    water = _water(state, state.at[1:], unit, carry)
    believed = _without_totals(water, _clock_stood(state, state.at[1:], links), state.at[1:], state, unit)
    return _pieces(state, believed, state.at[1:], unit, reactor, links), _carries(state, water)


def held(readings: pd.DataFrame, *, unit: Unit, reactor: Reactor, carry: Carry | None = None) -> pd.DataFrame:
    """The same rows with every quantity held from the row that last had it, at most 3 cadences.

    For callers that compute a dose: readings of one instant seldom hold all that a dose needs.
    """
    state = rows(readings, unit=unit, reactor=reactor, carry=carry)
    skip = 0 if carry is None else 1
    columns = {name: state.value[name][skip:] for name in QUANTITIES}
    return pd.DataFrame({"at": instants(state.at[skip:]), **columns})


def open_tail(
    carry: Carry, now: datetime, unit: Unit, reactor: Reactor, link_down_since: datetime | None = None
) -> pd.DataFrame:
    """What holds from the last reading to `now`: never stored, since the next reading rewrites it.

    Returns
    -------
    DataFrame
        Pieces as of `timeline`; empty if `now` is not after the carry. What passes 3 cadences is unheard, and its
        upper bounds grow.
    """
    if now.tzinfo is None:
        raise ValueError(f"now must carry a time zone; got {now!r}")
    empty = pd.DataFrame({"at": pd.Series([], dtype="datetime64[us, UTC]")})
    state = rows(empty, unit=unit, reactor=reactor, carry=carry)
    end = np.array([microsecond(now)], dtype=np.int64)
    if end[0] <= state.at[0]:
        end = end[:0]
    # Nothing said of the link: it is up as far as anyone knows, so it is the logger that says nothing.
    known = carry.at - timedelta(microseconds=1)
    link = pd.DataFrame({"at": pd.to_datetime([known], utc=True).as_unit("us"), "up": [True]})
    if link_down_since is not None:
        down = pd.to_datetime([max(link_down_since, carry.at)], utc=True).as_unit("us")
        link = pd.concat([link, pd.DataFrame({"at": down, "up": [False]})], ignore_index=True)
    return _pieces(state, _water(state, end, unit, carry), end, unit, reactor, link)


def _water(state: Rows, end_us: Ints, unit: Unit, carry: Carry | None) -> Drawn:
    return drawn(
        state, end_us, unit,
        metered_since_total_l=0.0 if carry is None else carry.metered_since_total_l,
        drawdown_used_l=0.0 if carry is None else carry.drawdown_used_l,
        metered_since_moved_l=0.0 if carry is None else carry.metered_since_moved_l, carried=carry is not None,
    )


def _clock_stood(state: Rows, end_us: Ints, links: pd.DataFrame | None) -> Bools:
    """Gaps that look as if the logger's clock had stood while it was dead, and was set later.

    Such a logger stamps what it reads after the power came back with the time at which it went: its readings lie in
    the time of the lost link, and then comes a gap in whose later part the link was long up. The water of the dead
    time then stands before the gap, and no difference of totals across the gap holds it.
    """
    m = end_us.size
    if links is None or links.empty:
        return np.zeros(m, bool)
    order = links.sort_values("at", kind="stable")
    at, up = microseconds(order["at"]), order["up"].to_numpy(dtype=bool)
    start = state.at[:m]
    first = np.searchsorted(at, start, side="right")
    was_down = (first > 0) & ~up[np.maximum(first - 1, 0)]
    last = np.searchsorted(at, end_us - state.hold_us, side="left")  # events longer than a hold before the end
    came_up = (last > first) & up[np.maximum(last - 1, 0)]
    return (end_us - start > state.hold_us) & was_down & came_up


def _without_totals(water: Drawn, gaps: Bools, end_us: Ints, state: Rows, unit: Unit) -> Drawn:
    """The water where in these gaps neither total nor counter is believed: the most that can have flowed."""
    if not gaps.any():
        return water
    most = unit.peak_flow_l_min * (end_us - state.at[: end_us.size] - state.hold_us) / US_PER_MIN
    return replace(
        water, gap_l=np.where(gaps, np.nan, water.gap_l), gap_l_upper=np.where(gaps, most, water.gap_l_upper),
        gap_rests_on=np.where(gaps, BY_PEAK, water.gap_rests_on), counter=np.where(gaps, 0, water.counter))


def _pieces(
    state: Rows, water: Drawn, end_us: Ints, unit: Unit, reactor: Reactor, links: pd.DataFrame | None
) -> pd.DataFrame:
    """Up to three pieces per interval: until warm, warm, unheard."""
    m = end_us.size
    start = state.at[:m]
    heard_end = np.minimum(end_us, start + state.hold_us)
    dose, flows = _dose(state, water, heard_end - start, m)
    early, late = _heard_kinds(state, dose, flows, unit, reactor, m)
    warm = state.on_from[:m] + round(reactor.warm_up_s * US_PER_S)
    warm = np.where(state.on[:m], np.clip(warm, start, heard_end), start)
    same = (early[0] == late[0]) & (early[1] == late[1]) & (early[2] == late[2])
    warm = np.where(same, start, warm)

    bounds = np.stack([start, warm, heard_end, end_us], axis=1)
    keep = bounds[:, 1:] > bounds[:, :-1]
    gap_kind = np.full(m, UNHEARD), _gap_cause(state, start, end_us, links), (
        GAP + 3 * water.gap_rests_on + water.counter
    )
    kind, cause, rests_on = (
        np.stack([early[j], late[j], gap_kind[j]], axis=1)[keep] for j in range(3)
    )
    seconds = ((bounds[:, 1:] - bounds[:, :-1]) / US_PER_S)[keep]
    share = (bounds[:, 1:3] - bounds[:, :2]) / np.maximum(heard_end - start, 1)[:, None]
    central = np.column_stack([water.heard_l[:, None] * share, water.gap_l])[keep]
    upper = np.column_stack([water.heard_l_upper[:, None] * share, water.gap_l_upper])[keep]
    interval = np.broadcast_to(np.arange(m)[:, None], keep.shape)[keep]
    is_gap = np.broadcast_to(np.array([False, False, True]), keep.shape)[keep]
    under, under_upper = _underdosed(state, water, unit, reactor, kind, is_gap, interval, central, upper)
    dose_low = np.select(
        [is_gap | (kind == UNHEARD), (kind == DARK) | (kind == WARMING)], [np.nan, 0.0], default=dose[interval]
    )
    return pd.DataFrame({
        "start": instants(bounds[:, :3][keep]),
        "end": instants(bounds[:, 1:][keep]),
        "kind": _words(KINDS, kind),
        "cause": _words(CAUSES, cause),
        "rests_on": _words(RESTS_ON, rests_on),
        "flow_l_min": np.where(is_gap, np.nan, state.value["flow_l_min"][:m][interval]),
        "drawn_l": central,
        "drawn_l_upper": upper,
        "underdosed_l": under,
        "underdosed_l_upper": under_upper,
        "dose_low_mj_cm2": dose_low,
        "seconds": seconds,
        "read_at": instants(start[interval]),
    })


def _words(table: tuple[str, ...], codes: Ints) -> pd.Series:
    return pd.Series(pd.array([str(word) for word in table], dtype="str").take(codes))


def _dose(state: Rows, water: Drawn, heard_us: Ints, m: int) -> tuple[Floats, Bools]:
    """Lower bound of the dose that the water of each heard part got, if lit; and whether water may have flowed.

    Where the running total shows more water than the flow reading, the mean flow was higher: a dose falls no
    faster than 1 / flow (RED = C (n/k) ln(1 + k D / n) is concave in D, and D goes with 1 / flow), so it is scaled
    by that.
    """
    flow, drawn_l = state.value["flow_l_min"][:m], water.heard_l
    dose = state.value["dose_low_mj_cm2"][:m]
    at_peak = state.value["dose_low_at_peak_mj_cm2"][:m]
    more = drawn_l > water.metered_l * (1 + 1e-6) + 1e-6  # beyond what floats of a running total can be off
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(water.metered_l > 0, dose * water.metered_l / drawn_l, np.nan)
    dose = np.where(more, np.fmax(scaled, at_peak), np.where(np.isnan(flow), np.fmax(dose, at_peak), dose))
    flows = (flow > 0) | more | (np.isnan(flow) & ~(drawn_l == 0))
    return dose, flows


def _heard_kinds(
    state: Rows, dose: Floats, flows: Bools, unit: Unit, reactor: Reactor, m: int
) -> tuple[tuple[Ints, Ints, Ints], tuple[Ints, Ints, Ints]]:
    """Kind, cause and ground of the heard part of each interval: before the lamp is warm, and from then on."""
    on, stated, power, known = state.on[:m], state.stated[:m], state.power[:m], state.on_known[:m]
    intensity = state.value["intensity_w_m2"][:m]
    proof = state.value_at["intensity_w_m2"][:m] >= state.on_from[:m]
    shines = intensity >= DARK_SHARE * reactor.alarm_intensity_w_m2
    void, off, status = stated == Stated.VOID, stated == Stated.OFF, stated == Stated.ON
    dark = state.dark[:m]

    under = flows & ~(dose >= unit.dose_target_mj_cm2)
    lit_kind = np.where(under, WEAK, LIT)
    lit_rests = np.where(
        under, np.where(np.isnan(dose), DOSE_UNKNOWN, UNDER), np.where(status, STATUS, INTENSITY)
    )
    no_power = dark & (power == 0)
    silent = void & (np.isnan(intensity) | (state.value_at["intensity_w_m2"][:m] < state.power_since[:m]))
    dark_cause = np.select(
        [no_power, silent, off | status, power == 1], [NO_POWER, UNKNOWN, NO_LAMP, NO_LAMP], default=UNKNOWN
    )
    dark_rests = np.select(
        [off & shines, no_power, silent, off, status], [AGAINST, POWER, NOT_SINCE, STATUS, AT_ZERO_AGAINST],
        default=AT_ZERO,
    )
    # (kind, cause, ground) of what is not on: dark, or nothing known
    off_kind = np.where(dark, DARK, UNHEARD)
    off_cause = np.where(dark, dark_cause, UNKNOWN)
    off_rests = np.select([dark, state.stands[:m]], [dark_rests, STANDS], default=NOTHING)

    proven = ~known & proof & (intensity >= reactor.alarm_intensity_w_m2)
    early = (
        np.select([~on, proven], [off_kind, lit_kind], default=WARMING),
        np.where(on, NONE, off_cause),
        np.select([~on, proven, known], [off_rests, lit_rests, WARM_UP], default=ON_UNKNOWN),
    )
    failed = on & state.intensity_low[:m]  # low while warming up, and still held when it should be warm
    late = (
        np.select([~on, failed], [off_kind, np.full(m, DARK)], default=lit_kind),
        np.select([~on, failed], [off_cause, np.full(m, NO_LAMP)], default=NONE),
        np.select([~on, failed], [off_rests, np.full(m, AT_ZERO_AGAINST)], default=lit_rests),
    )
    return early, late


def _gap_cause(state: Rows, start: Ints, end: Ints, links: pd.DataFrame | None) -> Ints:
    """Power known to be out when the gap began; else a link down within it; else a link that was up throughout."""
    m = start.size
    cause = np.full(m, UNKNOWN)
    if links is not None and len(links):
        order = links.sort_values("at", kind="stable")
        at, up = microseconds(order["at"]), order["up"].to_numpy(dtype=bool)
        downs = np.concatenate([[0], np.cumsum(~up)])
        first = np.searchsorted(at, start, side="right")  # events up to the last reading
        last = np.searchsorted(at, end, side="left")
        was_down = (first > 0) & ~up[np.maximum(first - 1, 0)]
        down = was_down | (downs[last] > downs[first])
        cause = np.where(down, NO_LINK, np.where(first > 0, NO_LOGGER, UNKNOWN))
    return np.where(state.power[:m] == 0, NO_POWER, cause)


def _underdosed(
    state: Rows, water: Drawn, unit: Unit, reactor: Reactor, kind: Ints, is_gap: Bools, interval: Ints,
    central: Floats, upper: Floats,
) -> tuple[Floats, Floats]:
    """All water of dark, warming and weak time; none of lit time; of unheard time what the evidence bounds."""
    # a counter that ran on while the lamp was said, or seen, to be dark proves nothing
    counter = np.where((water.counter == COUNTER_LIT) & ~state.on[: water.counter.size], 0, water.counter)[interval]
    nothing = upper == 0
    under = np.select(
        [kind == LIT, kind != UNHEARD, nothing | (is_gap & (counter == COUNTER_LIT)), central == 0,
         is_gap & (counter == COUNTER_DARK)],
        [0.0, central, 0.0, 0.0, central], default=np.nan,
    )
    # The bound falls to 0 only where the lamp was warm before the gap and burning after it, with enough light for
    # the most that can flow on both sides.
    enough = state.on & (state.value["dose_low_at_peak_mj_cm2"] >= unit.dose_target_mj_cm2)
    warm = state.at + state.hold_us >= state.on_from + round(reactor.warm_up_s * US_PER_S)
    after = np.zeros(state.at.size, bool)
    after[:-1] = (enough & state.own["dose_low_at_peak_mj_cm2"])[1:]
    good = (enough & warm & after)[interval]
    under_upper = np.where((kind == LIT) | (is_gap & (counter == COUNTER_LIT) & good), 0.0, upper)
    return under, under_upper


def _carries(state: Rows, water: Drawn) -> pd.DataFrame:
    """State after the last reading of each UTC hour."""
    hour = state.at // US_PER_H
    last = np.flatnonzero(np.append(hour[1:] != hour[:-1], True)) if state.at.size else np.zeros(0, np.int64)
    columns: dict[str, object] = {"hour": instants(hour[last] * US_PER_H), "at": instants(state.at[last])}
    for name in QUANTITIES:
        value = state.value[name][last]
        columns[name] = value
        columns[f"{name}_at"] = instants(np.where(np.isnan(value), NEVER, state.value_at[name][last]))
    for name, since in state.same_since.items():
        columns[f"{name}_same_since"] = instants(np.where(np.isnan(state.value[name][last]), NEVER, since[last]))
    stated, power, on, dark = state.stated[last], state.power[last], state.on[last], state.dark[last]
    columns |= {
        "power_on": _truth(power == 1, power == 0),
        "power_since": instants(state.power_since[last]),
        "lamp_on": _truth(stated == Stated.ON, stated == Stated.OFF),
        "lamp_void": stated == Stated.VOID,
        "stated_since": instants(state.stated_since[last]),
        "stated_fresh": state.stated_fresh[last],
        "lit": _truth(on, dark & ~on),
        "lit_from": instants(np.where(on, state.on_from[last], NEVER)),
        "lamp_since": instants(np.where(on & state.on_known[last], state.on_from[last], NEVER)),
        "metered_since_total_l": water.metered_since_total_l[last],
        "metered_since_moved_l": water.metered_since_moved_l[last],
        "drawdown_used_l": water.drawdown_used_l[last],
        "settled": water.settled[last],
    }
    return pd.DataFrame(columns)


def _truth(yes: Bools, no: Bools) -> pd.Series:
    """True, False, or NA where neither."""
    return pd.Series(pd.array(yes, dtype="boolean")).mask(~yes & ~no)


