"""Play histories through the door, hold the answers against the truth, and count.

Words: *far short* is water of less than half of its target dose, or more than half a log short; *wet* a history
with at least 1 L of it; *dry* one with none short at all, of a unit whose intensity is measured (of another no
dose is known), that ends lit, strong and heard. A *wrong clear* is `clear` or `watch` for a wet one. Water that
passed after the last row that a unit sent in time counts for nobody: nothing could have told.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from .door import Door, by_cabin, cabin_toml, reactors_toml
from .faults import FAULTS, Case, make_case
from .logger import QUANTITIES
from .truth import Flags, runs

WET_L = 1.0
DRY_L = 0.05
DARK_KINDS = ("dark", "warming", "unheard")
CALM = ("clear", "watch")
NOW = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
PHASE = timedelta(minutes=17, seconds=13.7)  # histories end in four phases of the hour
PHASES = 4
UNITS_A_STORE = 80
SEEDS_APART = 1_000_000


def seeds_of(run: int, count: int) -> list[int]:
    """The histories of a run; those of different runs differ."""
    return list(range(run * SEEDS_APART, run * SEEDS_APART + count))


@dataclass(slots=True)
class Outcome:
    """What was true of one history, and what was said of it."""

    seed: int
    kinds: tuple[str, ...]
    honest: bool  # honest sensors, a meter's running total
    backlog_in: bool
    verdict: str = ""
    reasons: list[str] = field(default_factory=list)
    short_l: float = 0.0  # of all kinds
    far_short_l: float = 0.0
    shown_l: float = 0.0  # far short, in stretches that a truthful row, or a missing one, shows
    dark_short_l: float = 0.0  # short past a lamp dark or not settled
    dark_unshown_l: float = 0.0  # short so, and nothing shows it
    cold_l: float = 0.0  # all that passed a lamp dark, dim, or lit for less than its warm-up time
    may_be_short_l: float = 0.0  # the most that honest sensors leave in doubt
    measures_dose: bool = True  # has an intensity, without which no dose is known
    slack_l: float = 0.0  # what the meter's own steps hide
    ends_well: bool = True
    ends_heard: bool = True
    low_dark_l: float = 0.0  # under-dosed for certain, by `outages`: dark, warming, unheard
    low_l: float = 0.0  # the same of all kinds, by the advisory where one stands
    upper_l: float | None = 0.0  # None: not bounded

    @property
    def wet(self) -> bool:
        return self.far_short_l >= WET_L

    @property
    def dry(self) -> bool:
        return self.short_l < DRY_L and self.ends_well and self.ends_heard and self.measures_dose

    @property
    def calm(self) -> bool:
        return self.verdict in CALM

    @property
    def wrong_clear(self) -> bool:
        return self.wet and self.calm

    @property
    def honest_wet(self) -> bool:
        """Honest sensors, and something shows the cut."""
        return self.honest and self.shown_l >= WET_L

    @property
    def honest_dry(self) -> bool:
        return self.honest and self.dry and self.backlog_in

    @property
    def bounds_asked(self) -> bool:
        """Whether the bounds must hold: honest, and no dark water that nothing shows."""
        return self.honest and self.dark_unshown_l < 0.02

    @property
    def low_holds(self) -> bool:
        return self.low_dark_l <= self.cold_l + self.slack_l

    @property
    def upper_holds(self) -> bool:
        return self.upper_l is None or self.upper_l + self.slack_l >= self.dark_short_l

    @property
    def weak_holds(self) -> bool:
        """With weak light too; where it is measured at every reading."""
        if not self.measures_dose or "cells_missing" in self.kinds:
            return True
        high = self.upper_l is None or self.upper_l + self.slack_l >= self.short_l
        return high and self.low_l <= self.may_be_short_l + self.slack_l


def measure(
    seeds: Sequence[int], only: tuple[str, ...] | None = None, said: Callable[[int], None] | None = None,
    jobs: int = 1,
) -> list[Outcome]:
    """Play these histories and score each.

    Parameters
    ----------
    only : tuple of str or None
        Names of faults; None: by chance.
    said : callable or None
        Told how many are done, after each store.
    jobs : int
        Processes at work, each on stores of its own; 1: this one.
    """
    of_phase = [[seed for seed in seeds if seed % PHASES == number] for number in range(PHASES)]
    stores = [
        some[first : first + UNITS_A_STORE] for some in of_phase for first in range(0, len(some), UNITS_A_STORE)]
    if jobs == 1 or len(stores) < 2:
        return _gathered(map(play_apart, stores, [only] * len(stores)), said)
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:  # a fork would share duckdb's threads
        return _gathered(pool.map(play_apart, stores, [only] * len(stores)), said)


def _gathered(parts: Iterable[list[Outcome]], said: Callable[[int], None] | None) -> list[Outcome]:
    out: list[Outcome] = []
    for part in parts:
        out += part
        if said is not None:
            said(len(out))
    return sorted(out, key=lambda one: one.seed)


def play_apart(seeds: Sequence[int], only: tuple[str, ...] | None) -> list[Outcome]:
    """Histories of one phase in a store that is thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        return play(Door(Path(folder)), seeds, only)


def play(door: Door, seeds: Iterable[int], only: tuple[str, ...] | None = None) -> list[Outcome]:
    """Histories of one phase into one store, and what is said at their end."""
    cases = {seed: make_case(seed, only) for seed in seeds}
    now = NOW + PHASE * (next(iter(cases)) % PHASES)
    units = {seed: cabin_toml(slug(seed), case.unit) for seed, case in cases.items()}
    door.enroll(reactors_toml() + "".join(units.values()))
    door.stand_at(now)
    door.link(links_of(cases, now), now)
    rows = pd.concat([csv_rows(seed, case, now) for seed, case in cases.items()], ignore_index=True)
    late = rows.pop("late").to_numpy(bool)
    door.load(rows[~late], "log.csv")
    if late.any():
        door.load(rows[late], "backlog.csv")
    changed = [
        cabin_toml(slug(seed), case.unit | case.re_enrolled) for seed, case in cases.items() if case.re_enrolled]
    if changed:
        door.enroll(reactors_toml() + "".join(changed))
    status, outages = by_cabin(door.status()), by_cabin(door.outages())
    return [
        score(seed, case, status[slug(seed)][0], outages.get(slug(seed), [])) for seed, case in cases.items()]


def slug(seed: int) -> str:
    """The cabin of a history."""
    return f"h{seed}"


def csv_rows(seed: int, case: Case, now: datetime) -> pd.DataFrame:
    """A history's rows as the CSV log has them, its end at `now`."""
    began = np.datetime64(now.replace(tzinfo=None), "us") - np.timedelta64(case.truth.seconds, "s")
    stamps_us = np.round(case.rows["stamp"].to_numpy(float) * 1e3).astype("int64") * 1000
    at = np.datetime_as_string(began + stamps_us.astype("timedelta64[us]"))
    out = pd.DataFrame({"at": at.astype(object) + "Z"})
    out["cabin"], out["unit"] = slug(seed), "main"
    for name in QUANTITIES:
        values = case.rows[name]
        flag = name in ("lamp_on", "power_on")
        out[name] = values.astype("Int64") if flag else values.round(6)
    out["late"] = case.rows["late"].to_numpy(bool)
    return out


def links_of(cases: Mapping[int, Case], now: datetime) -> pd.DataFrame:
    """All link events, oldest first."""
    found = [
        (slug(seed), "main", now + timedelta(seconds=min(t, case.truth.seconds) - case.truth.seconds), up)
        for seed, case in cases.items() for t, up in sorted(case.links)]
    return pd.DataFrame(found, columns=["cabin", "unit", "at", "up"]).sort_values("at", kind="stable")


def score(
    seed: int, case: Case, status: Mapping[str, Any], outages: Sequence[Mapping[str, Any]]
) -> Outcome:
    """Truth and answer, side by side."""
    truth = case.truth
    told, heard = horizon(case)
    counted = np.arange(truth.seconds) < told

    def litres(flags: Flags) -> float:
        return float(truth.litres[flags & counted].sum())

    shown, dark_shown = shown_stretches(case, told)
    dark_short = truth.short & truth.unsettled
    advisory = status["advisory"]
    if advisory is not None:
        low, upper = advisory["underdosed_l"] or 0.0, advisory["underdosed_l_upper"]
    else:
        low = sum(one["underdosed_l"] or 0.0 for one in outages)
        bounds = [one.get("underdosed_l_upper") for one in outages]
        upper = None if None in bounds else sum(bounds)
    return Outcome(
        seed=seed, kinds=case.kinds,
        honest=all(FAULTS[name].honest for name in case.kinds) and case.logger.has_meter,
        backlog_in=not {"backlog_never", "backlog_late"} & set(case.kinds),
        verdict=status["verdict"], reasons=list(status["reasons"]), short_l=litres(truth.short),
        far_short_l=litres(truth.far_short), shown_l=litres(shown), dark_short_l=litres(dark_short),
        dark_unshown_l=litres(dark_short & ~dark_shown), cold_l=litres(truth.cold),
        may_be_short_l=litres(truth.may_be_short), measures_dose="intensity_w_m2" in case.logger.has,
        slack_l=0.1 + case.logger.total_step_l * (1 + len(runs(truth.unsettled))), ends_well=truth.ends_well,
        ends_heard=heard,
        low_dark_l=sum(one["underdosed_l"] or 0.0 for one in outages if one["kind"] in DARK_KINDS),
        low_l=float(low), upper_l=None if upper is None else float(upper))


def horizon(case: Case) -> tuple[float, bool]:
    """Until which second water counts, and whether the unit is heard in time at the end."""
    if case.rows.empty:
        return 0.0, False
    last = float(case.rows["t"].max())
    wait = 1.5 * max(case.logger.cadence_s, case.logger.sends_every_s or 0)
    in_time = case.truth.seconds - last <= wait
    return (last if in_time else float(case.truth.seconds)), in_time


def shown_stretches(case: Case, told: float) -> tuple[Flags, Flags]:
    """Far short water in stretches that the rows show; and time unsettled that they show.

    A stretch of a dark or unsettled lamp is shown by a truthful row of power or lamp off within it, an intensity
    under half the settled one, a missing row, or a counter that advanced less than the time by more than its step.
    Weak light of a settled lamp is shown by a row of intensity.
    """
    truth, logger = case.truth, case.logger
    rows = case.rows[case.rows["stamp"] > -1e8].sort_values("t", kind="stable")
    t = rows["t"].to_numpy()
    second = t.astype(int)
    tells = (
        ((rows["power_on"] == 0).to_numpy() & ~truth.power[second])
        | ((rows["lamp_on"] == 0).to_numpy() & ~truth.burning[second])
        | (rows["intensity_w_m2"] < 0.5 * truth.settled_w_m2).to_numpy())
    missing = np.zeros(truth.seconds, bool)
    readings = np.append(t[(rows["what"] == "reading").to_numpy()], told)
    for before, after in pairwise(readings.tolist()):
        if after - before > 1.5 * logger.cadence_s:
            missing[int(np.ceil(before)) : int(after)] = True
    counted = rows[rows["lamp_hours"].notna()]
    at, hours = counted["t"].to_numpy(), counted["lamp_hours"].to_numpy()
    lost_s = np.diff(at) - np.diff(hours) * 3600
    slow = (lost_s > logger.counter_step_s + 2) & (np.diff(hours) >= 0)

    far, dark_shown = truth.far_short, np.zeros(truth.seconds, bool)
    for first, last in runs(truth.unsettled):
        inside = (t >= first) & (t < last)
        water = (truth.short & truth.unsettled)[first:last]
        seen = bool(tells[inside].any()) or bool((missing[first:last] & water).any())
        seen = seen or bool((slow & (at[:-1] < last) & (at[1:] > first)).any())
        dark_shown[first:last] = seen
    weak = far & ~truth.unsettled
    weak_shown = np.zeros(truth.seconds, bool)
    measured = t[rows["intensity_w_m2"].notna().to_numpy()]
    for first, last in runs(weak):
        weak_shown[first:last] = bool(((measured >= first) & (measured < last)).any())
    return far & (dark_shown | weak_shown), dark_shown


# Counting ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of one class of histories."""

    name: str
    histories: int
    wet: int
    wrong_clear: int
    wrong_seeds: tuple[int, ...]
    dry: int
    dry_calm: int
    dry_boil: int
    dry_silent: int

    @classmethod
    def of(cls, name: str, found: Iterable[Outcome], wet: Callable[[Outcome], bool] = lambda one: one.wet,
           dry: Callable[[Outcome], bool] = lambda one: one.dry) -> Tally:
        some = list(found)
        wets, dries = [one for one in some if wet(one)], [one for one in some if dry(one)]
        wrong = tuple(one.seed for one in wets if one.calm)
        return cls(
            name, len(some), len(wets), len(wrong), wrong, len(dries), sum(one.calm for one in dries),
            sum(one.verdict == "boil" for one in dries), sum(one.verdict == "silent" for one in dries))


@dataclass(frozen=True, slots=True)
class Bounds:
    """How the litres' bounds did on honest histories."""

    asked: int
    low_broken: tuple[int, ...]
    upper_broken: tuple[int, ...]
    weak_broken: tuple[int, ...]
    excess_median_l: float  # of the upper bound over the truth, where water was short
    excess_median_dry_l: float

    @classmethod
    def of(cls, found: Iterable[Outcome]) -> Bounds:
        some = [one for one in found if one.bounds_asked]
        wet = [one.upper_l - one.short_l for one in some if one.upper_l is not None and one.short_l >= DRY_L]
        dry = [one.upper_l for one in some if one.upper_l is not None and one.short_l < DRY_L]
        return cls(
            len(some), tuple(one.seed for one in some if not one.low_holds),
            tuple(one.seed for one in some if not one.upper_holds),
            tuple(one.seed for one in some if not one.weak_holds),
            float(np.median(wet)) if wet else np.nan, float(np.median(dry)) if dry else np.nan)


def honest_tally(found: Iterable[Outcome]) -> Tally:
    """Honest sensors, a running total, something that shows the cut; of the dry ones those whose backlog is in."""
    return Tally.of("honest", [one for one in found if one.honest], lambda one: one.honest_wet,
                    lambda one: one.honest_dry)


def tallies(found: Sequence[Outcome]) -> list[Tally]:
    """By class, then by kind of fault (a history counts for each of its kinds)."""
    names = sorted({name for one in found for name in one.kinds})
    return [
        honest_tally(found), Tally.of("all", found),
        *(Tally.of(name, [one for one in found if name in one.kinds]) for name in names)]


def table(found: Sequence[Outcome]) -> str:
    """What people read."""
    head = f"{'class':24}{'n':>6}{'wet':>6}{'wrong clear':>13}{'dry':>6}{'calm':>7}{'boil':>7}{'silent':>8}"
    lines = [head]
    for one in tallies(found):
        lines.append(
            f"{one.name:24}{one.histories:6}{one.wet:6}{one.wrong_clear:6} {_share(one.wrong_clear, one.wet):>6}"
            f"{one.dry:6}{_share(one.dry_calm, one.dry):>7}{_share(one.dry_boil, one.dry):>7}"
            f"{_share(one.dry_silent, one.dry):>8}")
    b = Bounds.of(found)
    lines += [
        "", f"Bounds, honest and shown ({b.asked}): least too high {len(b.low_broken)}, most too low "
        f"{len(b.upper_broken)}, with weak light {len(b.weak_broken)} "
        f"({_share(len(b.weak_broken), b.asked).strip()})",
        f"The upper bound's median excess: {b.excess_median_l:.1f} L where water was short, "
        f"{b.excess_median_dry_l:.1f} L where none was",
        f"  least too high: {_seeds(b.low_broken)}", f"  most too low: {_seeds(b.upper_broken)}",
        f"  with weak light: {_seeds(b.weak_broken)}", "",
        "Wrong clear, each to be replayed with --replay SEED:"]
    for one in found:
        if one.wrong_clear:
            mark = "HONEST " if one.honest_wet else ""
            lines.append(f"  {one.seed}: {mark}{one.verdict}, {one.far_short_l:.1f} L far short "
                         f"({one.shown_l:.1f} shown); {', '.join(one.kinds)}")
    return "\n".join(lines)


def _share(part: int, whole: int) -> str:
    return "-" if not whole else f"{100 * part / whole:.0f} %"


def _seeds(found: Sequence[int]) -> str:
    return ", ".join(map(str, found[:30])) + (", ..." if len(found) > 30 else "") if found else "none"


def as_json(found: Sequence[Outcome]) -> dict[str, Any]:
    """The same for a program."""
    return {
        "tallies": [asdict(one) for one in tallies(found)], "bounds": asdict(Bounds.of(found)),
        "outcomes": [asdict(one) | {"wet": one.wet, "dry": one.dry} for one in found]}
