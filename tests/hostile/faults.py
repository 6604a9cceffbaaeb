"""What goes wrong between a truth and the rows that arrive: each fault by name, any number of them together.

A fault works at one of four stages: at the unit itself (the truth is made with it), at the logger before it reads,
on its rows, and on what is enrolled. `honest` says that its rows still tell the truth within their resolution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from .logger import QUANTITIES, Logger, alive, read, some_logger, some_span
from .truth import HEAD_S, Truth, live, log_uniform, runs

NEVER = np.inf


@dataclass(slots=True)
class Case:
    """A history while it is made."""

    rng: np.random.Generator
    truth: Truth
    logger: Logger
    unit: dict[str, Any]  # what fleet.toml says of it
    kinds: tuple[str, ...]
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    links: list[tuple[float, bool]] = field(default_factory=list)
    re_enrolled: dict[str, Any] = field(default_factory=dict)  # said of the unit after everything is in

    def span(self, low_s: float, high_s: float, *, near_cut: float = 0.6) -> pd.Series:
        """Which rows lie in the span of a fault."""
        start, end = some_span(self.rng, self.truth, low_s, high_s, near_cut=near_cut)
        return (self.rows["t"] >= start) & (self.rows["t"] < end)

    def lose(self, lost: Any) -> None:
        """Rows that never arrive."""
        self.rows = self.rows[~np.asarray(lost, bool)].reset_index(drop=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One kind of fault."""

    honest: bool
    often: float = 1.0
    at_unit: bool = False  # `truth.live` knows its name
    logger: Callable[[Case], None] | None = None
    rows: Callable[[Case], None] | None = None


# Loggers -----------------------------------------------------------------------------------------


def dies_with_power(case: Case) -> None:
    case.logger.dies_with_power = True
    case.logger.boot_s = int(case.rng.integers(3, 90))


def on_battery(case: Case) -> None:
    case.logger.events |= case.logger.has & {"power_on", "lamp_on"}


def boot_events(case: Case) -> None:
    dies_with_power(case)
    case.logger.boot_events = True
    case.logger.has |= {"power_on"}


def sends_packs(case: Case) -> None:
    case.logger.sends_every_s = int(case.rng.choice([300, 600, 900, 3600]))
    case.unit["sends_every_s"] = float(case.logger.sends_every_s)


def pulse_total(case: Case) -> None:
    dies_with_power(case)
    case.logger.has.add("total_l")
    case.logger.pulse = True
    case.unit["total"] = "pulse"


def pulse_total_taken_for_a_meter(case: Case) -> None:
    pulse_total(case)
    case.unit["total"] = "meter"


def relay(case: Case) -> None:
    case.logger.has.add("lamp_on")
    case.logger.contactor = True
    case.logger.counter_of_contactor = bool(case.rng.random() < 0.5)


def false_power(case: Case) -> None:
    """Power is measured behind the logger's own battery: never off."""
    case.logger.has.add("power_on")
    case.logger.events.discard("power_on")
    case.logger.truthless["power_on"] = np.ones(case.truth.seconds)


def brown_out(case: Case) -> None:
    """The truth sags; status, and a counter, are the ballast's."""
    if case.rng.random() < 0.7:
        case.logger.truthless["lamp_on"] = case.truth.ballast.astype(float)
        case.logger.counter_of_contactor = True


def noisy(case: Case) -> None:
    case.logger.intensity_noise = float(case.rng.uniform(0.02, 0.04))


def coarse_intensity(case: Case) -> None:
    case.logger.intensity_step = float(case.rng.choice([1.0, 2.0]))


def zero_offset(case: Case) -> None:
    case.logger.has.add("intensity_w_m2")
    offset = float(case.rng.uniform(0.5, 6))
    seen = case.truth.intensity_w_m2 * (1 + case.rng.normal(0, 0.01, case.truth.seconds)) + offset
    case.logger.truthless["intensity_w_m2"] = np.round(seen, 2)


# Rows --------------------------------------------------------------------------------------------


def drops(case: Case) -> None:
    case.lose(case.rng.random(len(case.rows)) < case.rng.uniform(0.01, 0.25))


def drop_runs(case: Case) -> None:
    for _ in range(int(case.rng.integers(1, 4))):
        case.lose(case.span(case.logger.cadence_s, 5400))


def cells_missing(case: Case) -> None:
    for name in QUANTITIES:
        case.rows[name] = case.rows[name].mask(case.rng.random(len(case.rows)) < case.rng.uniform(0, 0.2))


def doubled(case: Case) -> None:
    again = case.rows[case.rng.random(len(case.rows)) < case.rng.uniform(0.02, 0.5)]
    case.rows = pd.concat([case.rows, again], ignore_index=True)


def shuffled(case: Case) -> None:
    case.rows = case.rows.iloc[case.rng.permutation(len(case.rows))].reset_index(drop=True)


def two_values(case: Case) -> None:
    """For some instants a second row comes, with what held some minutes before or with nothing but zeros."""
    at = np.flatnonzero((case.rng.random(len(case.rows)) < 0.05) | (case.span(60, 1800) & (
        case.rng.random(len(case.rows)) < 0.7)))
    if not len(at):
        return
    old = np.maximum(at - case.rng.integers(1, 30), 0)
    other = case.rows.iloc[old].assign(t=case.rows["t"].to_numpy()[at], stamp=case.rows["stamp"].to_numpy()[at])
    if case.rng.random() < 0.2:
        other[list(QUANTITIES)] = other[list(QUANTITIES)].where(other[list(QUANTITIES)].isna(), 0.0)
    parts = [case.rows, other] if case.rng.random() < 0.5 else [other, case.rows]
    case.rows = pd.concat(parts, ignore_index=True)


def clock_drifts(case: Case) -> None:
    case.rows["stamp"] *= 1 + float(case.rng.choice([-1, 1])) * log_uniform(case.rng, 5e-5, 4e-3)


def clock_jumps(case: Case) -> None:
    jump = float(case.rng.choice([-1, 1])) * log_uniform(case.rng, 45, 10_800)
    case.rows.loc[case.span(300, 10_800), "stamp"] += jump


def clock_of_1970(case: Case) -> None:
    """After each boot the clock is unset for a while: those rows are refused."""
    dead = ~alive(case.truth, case.logger) if case.logger.dies_with_power else ~case.truth.power
    for _, end in runs(dead):
        unset = (case.rows["t"] >= end) & (case.rows["t"] < end + log_uniform(case.rng, 30, 3600))
        case.rows.loc[unset, "stamp"] = case.rows.loc[unset, "t"] - end - 1.7e9


def clock_stands(case: Case) -> None:
    """The clock stands while the logger is dead, and is set right some time after."""
    behind = np.zeros(case.truth.seconds)
    for first, last in runs(~alive(case.truth, case.logger)):
        until = last + int(log_uniform(case.rng, 30, 14_400))
        behind[last:until] = behind[min(last, case.truth.seconds) - 1] + (last - first)
        behind[until:] = 0.0
    case.rows["stamp"] -= behind[case.rows["t"].astype(int)]


def dies_and_clock_stands(case: Case) -> None:
    dies_with_power(case)


def gateway_repeats(case: Case) -> None:
    """While the unit is dead its gateway sends on what it had last, at times with the true state of the supply."""
    honest_power = case.rng.random() < 0.5
    for first, last in runs(~case.truth.power):
        before = case.rows[case.rows["t"] < first].sort_values("t")
        within = (case.rows["t"] >= first) & (case.rows["t"] < last)
        if before.empty:
            continue
        if not within.any():  # the logger was dead too: the gateway's own clock sends
            t = np.arange(first + case.logger.phase_s % case.logger.cadence_s, last, case.logger.cadence_s)
            made = pd.DataFrame({"t": t, "stamp": t, "arrival": t, "late": False, "what": "reading"})
            made = made.reindex(columns=case.rows.columns)
            made["power_on"] = 0.0 if "power_on" in case.logger.has else np.nan
            case.rows = pd.concat([case.rows, made], ignore_index=True)
            within = (case.rows["t"] >= first) & (case.rows["t"] < last)
        if not honest_power:  # nor does it tell of events
            case.lose(within & (case.rows["what"] != "reading"))
            within = (case.rows["t"] >= first) & (case.rows["t"] < last)
        for name in case.logger.has:
            if name == "power_on" and honest_power:
                continue
            known = before[name].dropna()
            again = within & (case.rows["what"] == "reading")
            case.rows.loc[again, name] = known.iloc[-1] if len(known) else np.nan


def _stuck(name: str) -> Callable[[Case], None]:
    def stick(case: Case) -> None:
        inside = case.span(600, 14_400, near_cut=0.75)
        known = case.rows.loc[inside, name].dropna()
        earlier = case.rows.loc[case.rows["t"] < case.rows.loc[inside, "t"].min(), name].dropna()
        if len(known):
            value = earlier.iloc[-1] if len(earlier) else known.iloc[0]
            case.rows.loc[inside & case.rows[name].notna(), name] = value

    return stick


def meter_changed(case: Case) -> None:
    start, _ = some_span(case.rng, case.truth, 60, 61)
    after = case.rows["t"] >= start
    case.rows.loc[after, "total_l"] -= np.floor(case.truth.total_l[int(start)]) - case.rng.integers(0, 50)
    case.rows["total_l"] = case.rows["total_l"].clip(lower=0).round(2)


def counter_reset(case: Case) -> None:
    start, _ = some_span(case.rng, case.truth, 60, 61)
    after = case.rows["t"] >= start
    case.rows.loc[after, "lamp_hours"] = (case.rows.loc[after, "lamp_hours"] - case.truth.counter_start_h
                                          - case.truth.lit_s[int(start)] / 3600).clip(lower=0).round(4)


def lamp_changed(case: Case) -> None:
    """The unit's truth has the dark minutes of it; the new lamp's counter starts at 0."""
    dark = [cut for cut in runs(~case.truth.burning & case.truth.power) if cut[1] - cut[0] >= 200]
    if dark and "lamp_hours" in case.logger.has:
        end = dark[0][1]
        after = case.rows["t"] >= end
        step_h = case.logger.counter_step_s / 3600
        fresh = (case.truth.lit_s[case.rows.loc[after, "t"].astype(int)] - case.truth.lit_s[end - 1]) / 3600
        empty = case.rows.loc[after, "lamp_hours"].isna().to_numpy()
        case.rows.loc[after, "lamp_hours"] = np.where(empty, np.nan, np.floor(fresh / step_h + 1e-9) * step_h)


def total_every_kth(case: Case) -> None:
    keep = np.arange(len(case.rows)) % int(case.rng.integers(2, 11)) == 0
    case.rows["total_l"] = case.rows["total_l"].where(keep)


def backlog_late(case: Case) -> None:
    inside = case.span(300, 10_800)
    case.rows.loc[inside, "late"] = True
    if case.rng.random() < 0.5 and inside.any():
        case.links += [(float(case.rows.loc[inside, "t"].min()), False)]
        case.links += [(float(case.rows.loc[inside, "t"].max()), True)]


def backlog_never(case: Case) -> None:
    inside = case.span(300, 10_800)
    if case.rng.random() < 0.5 and inside.any():
        case.links += [(float(case.rows.loc[inside, "t"].min()), False)]
        case.links += [(float(case.rows.loc[inside, "t"].max()), True)]
    case.lose(inside)


def link_events(case: Case) -> None:
    """The last will of a logger that dies, and its return; without one, a link that comes and goes."""
    dead = runs(~alive(case.truth, case.logger))
    if not dead:
        dead = [tuple(int(one) for one in some_span(case.rng, case.truth, 60, 1800))]
    for first, last in dead:
        wait = float(case.rng.uniform(1, 90))  # the broker's keep-alive has to run out first
        case.links += [(first + wait, False), (last + wait, True)]


def cadence_enrolled_long(case: Case) -> None:
    case.unit["cadence_s"] = case.logger.cadence_s * float(case.rng.choice([2, 4, 10]))


def cadence_enrolled_short(case: Case) -> None:
    case.unit["cadence_s"] = max(1.0, case.logger.cadence_s / float(case.rng.choice([2, 4])))


def re_enrolled(case: Case) -> None:
    case.re_enrolled["cadence_s"] = float(case.rng.choice([10, 300, 900, 3600]))
    if "sends_every_s" in case.unit:
        case.re_enrolled["sends_every_s"] = max(case.unit["sends_every_s"], case.re_enrolled["cadence_s"])


def plumbing_not_enrolled(case: Case) -> None:
    for name in ("drawdown_l", "cold_plumbing_l", "hot_tank_l"):
        case.unit.pop(name, None)


def peak_enrolled_low(case: Case) -> None:
    case.unit["peak_flow_l_min"] = round(case.truth.peak_flow_l_min * float(case.rng.uniform(0.4, 0.85)), 1)


FAULTS: dict[str, Fault] = {
    # at the unit
    "brown_out": Fault(honest=False, at_unit=True, logger=brown_out),
    "flicker": Fault(honest=True, at_unit=True),
    "lamp_dies": Fault(honest=True, at_unit=True, often=0.5),
    "lamp_weak": Fault(honest=True, at_unit=True, often=0.7),
    "sleeve_fouled": Fault(honest=True, at_unit=True, often=0.7),
    "cloudy_water": Fault(honest=True, at_unit=True, often=0.7),
    "warm_up_draws": Fault(honest=True, at_unit=True),
    "lamp_changed": Fault(honest=True, at_unit=True, rows=lamp_changed, often=0.7),
    # at the logger
    "dies_with_power": Fault(honest=True, logger=dies_with_power, often=2.0),
    "on_battery": Fault(honest=True, logger=on_battery),
    "boot_events": Fault(honest=True, logger=boot_events),
    "sends_packs": Fault(honest=True, logger=sends_packs),
    "pulse_total": Fault(honest=True, logger=pulse_total, often=0.7),
    "pulse_taken_for_meter": Fault(honest=False, logger=pulse_total_taken_for_a_meter, often=0.5),
    "relay": Fault(honest=False, logger=relay),
    "false_power": Fault(honest=False, logger=false_power, often=0.7),
    "noisy_intensity": Fault(honest=True, logger=noisy),
    "coarse_intensity": Fault(honest=True, logger=coarse_intensity),
    "zero_offset": Fault(honest=False, logger=zero_offset, often=0.7),
    # rows
    "drops": Fault(honest=True, rows=drops, often=1.5),
    "drop_runs": Fault(honest=True, rows=drop_runs, often=1.5),
    "cells_missing": Fault(honest=True, rows=cells_missing),
    "doubled": Fault(honest=True, rows=doubled),
    "two_values": Fault(honest=False, rows=two_values),
    "clock_drifts": Fault(honest=False, rows=clock_drifts),
    "clock_jumps": Fault(honest=False, rows=clock_jumps),
    "clock_of_1970": Fault(honest=True, logger=dies_with_power, rows=clock_of_1970),
    "clock_stands": Fault(honest=False, logger=dies_and_clock_stands, rows=clock_stands),
    "gateway_repeats": Fault(honest=False, rows=gateway_repeats, often=1.5),
    "stuck_intensity": Fault(honest=False, rows=_stuck("intensity_w_m2")),
    "stuck_flow": Fault(honest=False, rows=_stuck("flow_l_min")),
    "stuck_total": Fault(honest=False, rows=_stuck("total_l"), often=0.7),
    "stuck_status": Fault(honest=False, rows=_stuck("lamp_on"), often=0.7),
    "meter_changed": Fault(honest=False, rows=meter_changed, often=0.7),
    "counter_reset": Fault(honest=False, rows=counter_reset, often=0.7),
    "total_every_kth": Fault(honest=True, rows=total_every_kth),
    "backlog_late": Fault(honest=True, rows=backlog_late),
    "backlog_never": Fault(honest=True, rows=backlog_never),
    "link_events": Fault(honest=True, rows=link_events),
    "shuffled": Fault(honest=True, rows=shuffled),
    # what is enrolled
    "cadence_enrolled_long": Fault(honest=False, logger=cadence_enrolled_long, often=0.6),
    "cadence_enrolled_short": Fault(honest=True, logger=cadence_enrolled_short, often=0.6),
    "re_enrolled": Fault(honest=True, logger=re_enrolled),
    "plumbing_not_enrolled": Fault(honest=True, logger=plumbing_not_enrolled, often=0.7),
    "peak_enrolled_low": Fault(honest=False, logger=peak_enrolled_low, often=0.5),
}
LATER = ("doubled", "two_values", "shuffled")  # faults of rows that work on what the others left


def make_case(seed: int, only: tuple[str, ...] | None = None) -> Case:
    """One history, the same for the same seed.

    Parameters
    ----------
    only : tuple of str or None
        These faults; None: one to five by chance, of the honest ones alone in two histories of five.
    """
    rng = np.random.default_rng(seed)
    honest = bool(rng.random() < 0.4)
    names = [name for name, fault in FAULTS.items() if fault.honest or not honest]
    weights = np.array([FAULTS[name].often for name in names])
    count = int(rng.choice([1, 2, 3, 4, 5], p=(0.2, 0.3, 0.25, 0.15, 0.1)))
    drawn = rng.choice(names, size=count, replace=False, p=weights / weights.sum())
    kinds = tuple(name for name in FAULTS if name in (set(drawn) if only is None else set(only)))
    wishes = {name for name in kinds if FAULTS[name].at_unit}
    if rng.random() < 0.4:
        wishes.add("nobody_draws")
    truth = live(rng, wishes)
    logger = some_logger(rng)
    if honest:
        logger.has.add("total_l")
    case = Case(rng=rng, truth=truth, logger=logger, unit=_unit(truth, logger), kinds=kinds)
    for name in kinds:
        if (change := FAULTS[name].logger) is not None:
            change(case)
    case.unit["total"] = case.unit.get("total", "meter")
    case.rows = read(truth, logger, rng)
    in_order = sorted(kinds, key=lambda name: name in LATER)
    for name in in_order:
        if (change := FAULTS[name].rows) is not None and len(case.rows):
            change(case)
    case.rows = case.rows[case.rows["arrival"] <= truth.seconds]  # packs that are not sent yet
    case.rows = case.rows[case.rows[list(QUANTITIES)].notna().any(axis=1)].reset_index(drop=True)
    return case


def _unit(truth: Truth, logger: Logger) -> dict[str, Any]:
    return {
        "slug": "main", "reactor": truth.kind.name, "dose_target_mj_cm2": truth.target_mj_cm2,
        "uvt_pct": truth.enrolled_uvt_pct, "cold_plumbing_l": 18.0,
        "hot_tank_l": 120.0 if logger.cadence_s == 30 else 0.0,  # what a flush must reach costs the program time
        "peak_flow_l_min": truth.peak_flow_l_min, "cadence_s": float(logger.cadence_s),
        "drawdown_l": "gravity" if truth.drawdown_l is None else truth.drawdown_l,
    }


__all__ = ["FAULTS", "HEAD_S", "Case", "Fault", "make_case"]
