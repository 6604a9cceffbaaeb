"""One unit over whole days: power, lamp, water and what its logger writes, on whole columns.

The physics runs in ticks of at most 10 s; readings are taken from it at the unit's cadence. All that one day
hands to the next is a `State`; volumes and times in it are whole numbers, so that the size of the chunks in
which days are computed changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulated_feeds import lamp_physics as ageing
from simulated_feeds import logger, people, power, service, water
from simulated_feeds.reactor import chamber, surviving_share
from simulated_feeds.scenario import Site
from simulated_feeds.streams import DAY_S, stream

FAILURES_PER_YEAR = 0.15  # lamps that go out with the power on, common practice, no source
CHAMBER_WARMS_C, CHAMBER_WARMS_S = 9.0, 5400.0  # standing water beside a lit lamp
NL_PER_UL = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What one day hands to the next, at its midnight (UTC)."""

    day: int  # since 1970-01-01
    battery: power.Battery
    total_ul: int  # the meter's running total
    tank_ul: int  # what the pressure tank would give now
    power_on: bool
    off_s: int  # since power was lost, 0 while it is on
    lit_s: int  # of all lamps, ever
    starts: int
    on_s: int  # since the lamp came on, 0 while it is off
    lamp_number: int
    swap_lit_s: int  # lit_s when this lamp was put in
    swap_starts: int
    clean_lit_s: int  # lit_s at the last cleaning
    idle_s: int  # since water last flowed
    dark_ul: int
    warming_ul: int
    underdosed_ul: int
    surviving_nl: int
    logger: logger.LoggerState


@dataclass(frozen=True, slots=True)
class Block:
    """Some whole days of one unit."""

    rows: logger.Rows
    truth: dict[str, NDArray[Any]]  # at the cadence, heard or not
    links: NDArray[np.int64]  # rows of (Unix time in s, 1 up / 0 down)
    jobs: list[service.Job]


def first_state(site: Site, seed: int, day: int, now_s: float) -> State:
    """A unit that has been running for a while."""
    rng = stream(seed, site.cabin, site.unit, "begin")
    number, swap_day = service.last_lamp(site, day)
    clean_day = max(service.last_cleaning(site, seed, day, now_s), swap_day)
    lit_s = 60_000 * 3600
    return State(
        day=day, battery=power.Battery(0.75 * site.nature.battery_wh, True),
        total_ul=int(rng.integers(40_000, 400_000)) * people.UL_PER_L,
        tank_ul=round(site.drawdown_l * people.UL_PER_L), power_on=True, off_s=0,
        lit_s=lit_s, starts=1000, on_s=DAY_S, lamp_number=number,
        swap_lit_s=lit_s - round(0.985 * (day - swap_day)) * DAY_S, swap_starts=1000 - (day - swap_day) // 20,
        clean_lit_s=lit_s - round(0.985 * (day - clean_day)) * DAY_S, idle_s=3600,
        dark_ul=0, warming_ul=0, underdosed_ul=0, surviving_nl=0, logger=logger.LoggerState(),
    )


def _since_last(mask: NDArray[np.bool_], tick_s: int, carried_s: int) -> NDArray[np.int64]:
    """Seconds since the mask was last true; `carried_s` stood at the start. 0 where it is true."""
    index = np.arange(1, len(mask) + 1)
    last = np.maximum.accumulate(np.where(mask, index, 0))
    return np.where(last > 0, (index - last) * tick_s, carried_s + index * tick_s)


def _served_ul(
    asked: NDArray[np.int64], on: NDArray[np.bool_], site: Site, tank_ul: int, was_on: bool
) -> tuple[NDArray[np.int64], int]:
    """What flows of what is asked for, and what is left in the pressure tank.

    With power the pump fills the tank whenever it is empty; without, only the tank's content comes.
    """
    if site.gravity_fed:
        return asked, tank_ul
    full_ul = round(site.drawdown_l * people.UL_PER_L)
    served = asked.copy()
    edges = np.flatnonzero(np.diff(on)) + 1
    for first, last in zip([0, *edges], [*edges, len(on)], strict=True):
        if on[first]:
            if first > 0 or not was_on:
                tank_ul = full_ul  # the pump starts as power returns
            drawn = int(asked[first:last].sum())
            tank_ul = full_ul - (full_ul - tank_ul + drawn) % full_ul if full_ul else 0
        else:
            left = np.minimum(np.cumsum(asked[first:last]), tank_ul)
            served[first:last] = np.diff(left, prepend=0)
            tank_ul -= int(left[-1])
    return served, tank_ul


def _failures(site: Site, seed: int, first_day: int, end_day: int, now_s: float) -> NDArray[np.int64]:
    """Spans in which the lamp is out though there is power."""
    found = [power.scripted(site, "lamp-failure", now_s)]
    for day in range(first_day - 2, end_day):
        rng = stream(seed, site.cabin, site.unit, "failure", day=day)
        begin_s = day * DAY_S + int(rng.integers(0, DAY_S))
        end_s = begin_s + int(rng.integers(4 * 3600, 40 * 3600))
        if rng.random() < FAILURES_PER_YEAR / 365 and not power.is_quiet(site, end_s, now_s):
            found.append(np.array([[begin_s, end_s]]))
    return np.concatenate(found)


def block(site: Site, seed: int, state: State, end_day: int, now_s: float) -> tuple[Block, State]:
    """The days [state.day, end_day), and the state after them.

    Parameters
    ----------
    now_s : float
        What scripted faults are relative to, Unix time. [s]
    """
    first_day, from_s, tick_s = state.day, state.day * DAY_S, site.tick_s
    ticks = (end_day - first_day) * DAY_S // tick_s
    on_grid = {"from_s": from_s, "ticks": ticks, "tick_s": tick_s}

    supply = power.supply(site, seed, first_day, end_day, now_s=now_s, battery=state.battery)
    todo = service.jobs(site, seed, first_day, end_day, now_s)
    shut = service.jobs_off(todo)
    shut_ticks = power.spans(shut[:, 0], shut[:, 1], **on_grid)
    broken = _failures(site, seed, first_day, end_day, now_s)
    lit = supply.on & ~shut_ticks & ~power.spans(broken[:, 0], broken[:, 1], **on_grid)

    asked = people.demand_ul(site, seed, first_day, end_day, now_s)
    asked[shut_ticks] = 0
    flow_ul, tank_ul = _served_ul(asked, supply.on, site, state.tank_ul, state.power_on)
    total_ul = state.total_ul + np.cumsum(flow_ul) - flow_ul  # before the tick, as a reading sees it

    started = lit & ~np.concatenate([[state.on_s > 0], lit[:-1]])
    on_s = np.where(lit, _since_last(~lit, tick_s, state.on_s), 0)
    lit_s = state.lit_s + tick_s * (np.cumsum(lit, dtype=np.int64) - lit)
    starts = state.starts + np.cumsum(started)
    idle_s = _since_last(flow_ul > 0, tick_s, state.idle_s)
    off_s = _since_last(supply.on, tick_s, state.off_s)

    phase_s = int(stream(seed, site.cabin, site.unit, "phase").integers(0, site.cadence_s // tick_s)) * tick_s
    at_s = np.arange(from_s + (phase_s - from_s) % site.cadence_s, end_day * DAY_S, site.cadence_s)
    seen = (at_s - from_s) // tick_s

    # slow physics, at the cadence
    absorbance = water.at_samples(water.absorbance(site, seed, first_day, end_day), first_day, at_s)
    absorbance = absorbance + water.cloudy_spells(at_s, site.nature.faults, now_s)
    temp_c = water.at_samples(water.supply_temp_c(site, seed, first_day, end_day), first_day, at_s)
    rest_s = np.minimum(idle_s, on_s)[seen]
    temp_c = temp_c + CHAMBER_WARMS_C * (1 - np.exp(-rest_s / CHAMBER_WARMS_S))
    lamp_log, lamp_s, sleeve_log, state = _worn(
        site, seed, state, todo, at_s=at_s, seen=seen, lit_s=lit_s, starts=starts)
    steady = np.exp(lamp_log + sleeve_log) * ageing.temperature_share(temp_c)

    # what the water got, in the ticks in which it flows
    vessel = chamber(site.reactor)
    warm_up_s = float(site.reactor.get("warm_up_s", 120))
    flowing = np.flatnonzero(flow_ul)
    sample = np.maximum(np.searchsorted(seen, flowing, side="right") - 1, 0)
    output = steady[sample] * ageing.warm_share(on_s[flowing], warm_up_s) * lit[flowing]
    flow_l_min = flow_ul[flowing] * (60.0 / tick_s / people.UL_PER_L)
    dose_mj_cm2 = np.full(ticks, np.nan)
    dose_mj_cm2[flowing] = vessel.dose(output, absorbance[sample], flow_l_min)
    weak = dose_mj_cm2[flowing] < site.dose_target_mj_cm2
    left_nl = np.zeros(ticks, dtype=np.int64)
    left_nl[flowing] = np.rint(NL_PER_UL * flow_ul[flowing] * surviving_share(dose_mj_cm2[flowing]))
    surviving_nl = state.surviving_nl + np.cumsum(left_nl)
    parts = {}
    for name, mask in (("dark", ~lit[flowing]), ("warming", lit[flowing] & (on_s[flowing] <= warm_up_s)),
                       ("underdosed", weak)):
        volume = np.zeros(ticks, dtype=np.int64)
        volume[flowing[mask]] = flow_ul[flowing[mask]]
        parts[name] = getattr(state, f"{name}_ul") + np.cumsum(volume)

    warm = ageing.warm_share(on_s, warm_up_s)[seen] * lit[seen]
    charge = supply.charge_share[seen * tick_s // power.SLOT_S] if len(supply.charge_share) else None
    rows, links, logger_state = logger.record(
        site, seed, now_s, state.logger, first_day, end_day, ticks=logger.Ticks(supply.on, lit, off_s),
        at_s=at_s, seen=seen, true={
            "intensity_w_m2": vessel.wall(absorbance) * steady * warm,
            "flow_l_min": flow_ul[seen] * np.float64(60.0 / tick_s / people.UL_PER_L),
            "total_l": total_ul[seen] / people.UL_PER_L, "uvt_pct": 100 * 10**-absorbance,
            "water_temp_c": temp_c, "lamp_hours": lamp_s / 3600,
            "battery_v": power.battery_v(charge, supply.on[seen]) if charge is not None else None,
        })
    truth = {
        "at_s": at_s, "lamp_output": np.exp(lamp_log) * ageing.temperature_share(temp_c),
        "lamp_log_output": lamp_log, "sleeve_transmittance": np.exp(sleeve_log) * float(
            site.reactor["sleeve_transmittance"]),
        "uvt_pct": 100 * 10**-absorbance, "water_temp_c": temp_c, "power_on": supply.on[seen],
        "lamp_on": lit[seen], "total_l": total_ul[seen] / people.UL_PER_L,
        **{f"{name}_l": (part - np.diff(part, prepend=getattr(state, f"{name}_ul")))[seen] / people.UL_PER_L
           for name, part in parts.items()},
        "dose_mj_cm2": dose_mj_cm2[seen],
        "surviving_l": (surviving_nl - left_nl)[seen] / (NL_PER_UL * people.UL_PER_L),
    }
    after = replace(
        state, day=end_day, battery=supply.battery, total_ul=int(total_ul[-1] + flow_ul[-1]), tank_ul=tank_ul,
        power_on=bool(supply.on[-1]), off_s=int(off_s[-1]), lit_s=int(lit_s[-1] + tick_s * lit[-1]),
        starts=int(starts[-1]), on_s=int(on_s[-1]), idle_s=int(idle_s[-1]),
        surviving_nl=int(surviving_nl[-1]), logger=logger_state,
        **{f"{name}_ul": int(part[-1]) for name, part in parts.items()},
    )
    return Block(rows, truth, links, _with_values(site, seed, todo, truth)), after


def _worn(
    site: Site, seed: int, state: State, todo: list[service.Job], *,
    at_s: NDArray[np.int64], seen: NDArray[np.int64], lit_s: NDArray[np.int64], starts: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64], State]:
    """Log output of the lamp, its counter and the sleeve's log share at the cadence; jobs split the columns."""
    sampled_lit_s, sampled_starts = lit_s[seen], starts[seen]
    first_s = state.day * DAY_S
    lamp_log, sleeve_log = np.empty(len(at_s)), np.empty(len(at_s))
    lamp_s = np.empty(len(at_s), dtype=np.int64)
    work = [job for job in todo if job.kind in ("lamp-swapped", "sleeve-cleaned")]
    edges = [0, *np.searchsorted(at_s, [job.at_s for job in work]), len(at_s)]
    for number, (first, last) in enumerate(pairwise(edges)):
        if number > 0:
            job = work[number - 1]
            tick = (job.at_s - first_s) // site.tick_s
            state = replace(state, clean_lit_s=int(lit_s[tick]))
            if job.kind == "lamp-swapped":
                state = replace(state, lamp_number=job.lamp_number, swap_lit_s=int(lit_s[tick]),
                                swap_starts=int(starts[tick]))
        part = slice(first, last)
        lamp_s[part] = sampled_lit_s[part] - state.swap_lit_s
        lamp = ageing.lamp(seed, site.cabin, site.unit, state.lamp_number, site.nature.lamp_wear)
        lamp_log[part] = lamp.log_output(lamp_s[part] / 3600, sampled_starts[part] - state.swap_starts)
        sleeve_log[part] = ageing.sleeve_log_share(
            (sampled_lit_s[part] - state.clean_lit_s) / 3600, sampled_lit_s[part] / 3600 * 0.2,
            foul_per_1000_h=site.nature.foul_per_1000_h, hard_water=site.nature.hard_water)
    return lamp_log, lamp_s, sleeve_log, state


def _with_values(
    site: Site, seed: int, todo: list[service.Job], truth: dict[str, NDArray[Any]]
) -> list[service.Job]:
    """The jobs with what was measured on them: the water's transmittance, the sensor over a reference."""
    done = []
    for job in todo:
        rng = stream(seed, site.cabin, site.unit, job.kind, day=job.at_s // DAY_S)
        if job.kind == "water-tested":
            seen = min(int(np.searchsorted(truth["at_s"], job.at_s)), len(truth["at_s"]) - 1)
            job = replace(job, value=round(min(float(truth["uvt_pct"][seen]) + rng.normal(0, 0.5), 100.0), 1))
        elif job.kind == "sensor-checked":
            job = replace(job, value=round(logger.sensor_gain(site, seed) * float(rng.normal(1, 0.01)), 3))
        done.append(job)
    return done
