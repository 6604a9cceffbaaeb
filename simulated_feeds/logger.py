"""What the cabin's logger makes of it: noise, rounding, its clock, its link, its backlog."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_feeds import power
from simulated_feeds.scenario import Site
from simulated_feeds.streams import DAY_S, stream

NOT_SENT = -1
LONGEST_LOSS_DAYS = 3
COLUMNS = ("intensity_w_m2", "flow_l_min", "total_l", "uvt_pct", "water_temp_c", "battery_v", "lamp_hours")
SENSOR_OF = {"intensity_w_m2": "intensity", "flow_l_min": "flow", "total_l": "total", "uvt_pct": "uvt",
             "water_temp_c": "temp", "lamp_hours": "lit"}
# relative noise, absolute noise, step that the sensor can tell; common practice, no source
NOISE = {"intensity_w_m2": (0.012, 0.04, 0.1), "flow_l_min": (0.012, 0.0, 0.1), "uvt_pct": (0.0, 0.25, 0.1),
         "water_temp_c": (0.0, 0.08, 0.1), "battery_v": (0.0, 0.02, 0.01)}
COUNTERS = {"total_l": 0.1, "lamp_hours": 0.01}  # never ahead of what they count, so rounded down


@dataclass(frozen=True, slots=True)
class LoggerState:
    """The logger at a midnight."""

    alive: bool = True
    power_on: bool = True
    lamp_on: bool = True
    link_up: bool | None = None  # None: never yet
    boot_age_s: int = 10 * DAY_S
    behind_s: int = 0  # how long it was dead before its last boot
    dead_s: int = 0


@dataclass(frozen=True, slots=True)
class Ticks:
    """What the logger can see, per tick."""

    power_on: NDArray[np.bool_]
    lamp_on: NDArray[np.bool_]
    off_s: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rows:
    """What a logger wrote, in order of true time."""

    at_s: NDArray[np.int64]  # as its clock had it
    true_s: NDArray[np.int64]
    sent_s: NDArray[np.int64]  # when its link was up to send it; NOT_SENT: not within the days computed
    power_on: NDArray[np.int8]  # 1, 0, -1 not in this row
    lamp_on: NDArray[np.int8]
    columns: dict[str, NDArray[np.float64]]

    def taken(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Rows:
        """Some of the rows: by mask, by index, or a slice."""
        return Rows(
            self.at_s[which], self.true_s[which], self.sent_s[which], self.power_on[which],
            self.lamp_on[which], {column: values[which] for column, values in self.columns.items()})

    @staticmethod
    def joined(parts: Sequence[Rows]) -> Rows:
        """Rows of all parts, one after the other."""
        if len(parts) == 1:
            return parts[0]
        return Rows(
            at_s=np.concatenate([part.at_s for part in parts]),
            true_s=np.concatenate([part.true_s for part in parts]),
            sent_s=np.concatenate([part.sent_s for part in parts]),
            power_on=np.concatenate([part.power_on for part in parts]),
            lamp_on=np.concatenate([part.lamp_on for part in parts]),
            columns={column: np.concatenate([part.columns[column] for part in parts]) for column in COLUMNS})


def sensor_gain(site: Site, seed: int) -> float:
    """The unit's intensity sensor over a true one; within the trade's usual few percent."""
    return float(np.exp(stream(seed, site.cabin, site.unit, "sensor").normal(0.0, 0.025)))


def link_losses(site: Site, seed: int, first_day: int, end_day: int, now_s: float) -> NDArray[np.int64]:
    """Spans without a link, shape (n, 2): many of minutes, some of days."""
    found = [power.scripted(site, "link-loss", now_s)]
    for day in range(first_day - LONGEST_LOSS_DAYS, end_day):
        rng = stream(seed, site.cabin, "link", day=day)
        for _ in range(int(rng.poisson(site.nature.link_losses_per_year / 365))):
            begin_s = day * DAY_S + int(rng.integers(0, DAY_S))
            end_s = begin_s + int(np.clip(rng.lognormal(8.0, 1.6), 60, LONGEST_LOSS_DAYS * DAY_S * 0.9))
            if not power.is_quiet(site, end_s, now_s) and not power.is_quiet(site, begin_s, now_s):
                found.append(np.array([[begin_s, end_s]]))
    return np.concatenate(found)


def measured(
    site: Site, seed: int, first_day: int, end_day: int, at_s: NDArray[np.int64],
    true: Mapping[str, NDArray[np.float64] | None],
) -> dict[str, NDArray[np.float64]]:
    """The sensors' readings: gain, noise of each day's own stream, rounded to what they can tell."""
    edges = np.searchsorted(at_s, DAY_S * np.arange(first_day, end_day + 1))
    counts = np.diff(edges)
    draws = np.concatenate([
        stream(seed, site.cabin, site.unit, "noise", day=day).standard_normal((count, len(NOISE)))
        for day, count in zip(range(first_day, end_day), counts, strict=True)])
    out = {}
    for column in COLUMNS:
        values = true[column]
        if values is None or SENSOR_OF.get(column, "battery") not in (*site.nature.sensors, "battery"):
            out[column] = np.full(len(at_s), np.nan)
        elif column in COUNTERS:
            step = COUNTERS[column]
            out[column] = np.floor(values / step + 1e-6) * step
        else:
            relative, absolute, step = NOISE[column]
            noise = draws[:, list(NOISE).index(column)]
            if column == "intensity_w_m2":
                values = values * sensor_gain(site, seed)
            out[column] = np.round((values + (relative * values + absolute) * noise) / step) * step
    out["intensity_w_m2"] = np.maximum(out["intensity_w_m2"], 0.0)
    out["uvt_pct"] = np.clip(out["uvt_pct"], 0.1, 100.0)
    return {column: np.round(values, 3) for column, values in out.items()}


def record(
    site: Site, seed: int, now_s: float, state: LoggerState, first_day: int, end_day: int, *,
    ticks: Ticks, at_s: NDArray[np.int64], seen: NDArray[np.int64],
    true: Mapping[str, NDArray[np.float64] | None],
) -> tuple[Rows, NDArray[np.int64], LoggerState]:
    """Rows of the logger, changes of its link, and its state after the days [first_day, end_day)."""
    tick_s, from_s = site.tick_s, first_day * DAY_S
    alive = ticks.off_s <= site.nature.logger_backup_h * 3600
    losses = link_losses(site, seed, first_day, end_day, now_s)
    lost = power.spans(losses[:, 0], losses[:, 1], from_s=from_s, ticks=len(alive), tick_s=tick_s)
    link_up = alive & ~lost & (ticks.off_s <= site.nature.router_backup_h * 3600)

    def changed(mask: NDArray[np.bool_], before: bool | None) -> NDArray[np.bool_]:
        turns: NDArray[np.bool_] = mask != np.concatenate(
            [[mask[0] ^ True if before is None else before], mask[:-1]])
        return turns

    boots = changed(alive, state.alive) & alive
    power_event = changed(ticks.power_on, state.power_on) & alive | boots
    lamp_event = changed(ticks.lamp_on, state.lamp_on) & alive | boots
    is_sample = np.zeros(len(alive), dtype=bool)
    is_sample[seen] = True
    events = np.flatnonzero((power_event | lamp_event) & ~is_sample)  # a reading at that instant says it too

    heard = alive[seen]
    tick = np.concatenate([seen[heard], events])
    order = np.argsort(tick, kind="stable")
    tick = tick[order]

    def flags(now: NDArray[np.bool_], event: NDArray[np.bool_]) -> NDArray[np.int8]:
        return np.concatenate([now[seen[heard]].astype(np.int8),
                               np.where(event[events], now[events], -1).astype(np.int8)])[order]

    readings = measured(site, seed, first_day, end_day, at_s, true)
    none = np.full(len(events), np.nan)
    true_s = from_s + tick * tick_s
    stamped_s, after = _stamps(site, state, alive, boots, tick, true_s)
    up = np.flatnonzero(link_up)
    following = np.searchsorted(up, tick)
    sent_s = np.full(len(tick), NOT_SENT, dtype=np.int64)
    sends = following < len(up)
    sent_s[sends] = from_s + up[following[sends]] * tick_s
    rows = Rows(
        stamped_s, true_s, sent_s, flags(ticks.power_on, power_event), flags(ticks.lamp_on, lamp_event),
        {column: np.concatenate([values[heard], none])[order] for column, values in readings.items()})
    turns = np.flatnonzero(changed(link_up, state.link_up))
    links = np.stack([from_s + turns * tick_s, link_up[turns].astype(np.int64)], axis=1)
    return rows, links, LoggerState(
        alive=bool(alive[-1]), power_on=bool(ticks.power_on[-1]), lamp_on=bool(ticks.lamp_on[-1]),
        link_up=bool(link_up[-1]), **after)


def _stamps(
    site: Site, state: LoggerState, alive: NDArray[np.bool_], boots: NDArray[np.bool_],
    tick: NDArray[np.int64], true_s: NDArray[np.int64],
) -> tuple[NDArray[np.int64], dict[str, int]]:
    """Times as the logger's clock has them: wrong from a boot until it is set."""
    tick_s = site.tick_s
    index = np.arange(len(alive))
    last_boot = np.maximum.accumulate(np.where(boots, index, -1))
    boot_age_s = np.where(last_boot >= 0, (index - last_boot) * tick_s, state.boot_age_s + (index + 1) * tick_s)
    last_alive = np.maximum.accumulate(np.where(alive, index, -1))
    dead_s = np.where(alive, 0, np.where(last_alive >= 0, (index - last_alive) * tick_s,
                                         state.dead_s + (index + 1) * tick_s))
    before = np.concatenate([[state.dead_s], dead_s[:-1]])
    behind_s = np.where(last_boot >= 0, before[np.maximum(last_boot, 0)], state.behind_s)
    unset = boot_age_s[tick] < site.nature.clock_set_after_s
    stamped_s = true_s
    if site.nature.clock == "epoch":
        stamped_s = np.where(unset, boot_age_s[tick], true_s)
    elif site.nature.clock == "behind":
        stamped_s = np.where(unset, true_s - behind_s[tick], true_s)
    return stamped_s, {"boot_age_s": int(min(boot_age_s[-1], 10 * DAY_S)), "behind_s": int(behind_s[-1]),
                       "dead_s": int(dead_s[-1])}
