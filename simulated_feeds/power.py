"""Supply of the unit: a grid that fails, or a panel and a battery that run low after grey days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.scenario import Site
from simulated_feeds.streams import DAY_S, stream
from simulated_feeds.weather import sun_w_m2, weather

SLOT_S = 300  # step of the battery
LAMP_W_PER_UVC_W = 2.9  # what the lamp's ballast takes, 35 % efficient (SOURCES.md section 8, from memory)
ELSE_W = 9.0  # logger, radio, pump on average, common practice
CHARGE_SHARE = 0.85  # of the sun's energy that ends in the battery, common practice
LOW_SHARE, BACK_SHARE = 0.10, 0.30  # of charge: supply disconnected, and connected again
LONGEST_CUT_DAYS = 2
SUN_FULL_W_M2 = 1000.0


@dataclass(frozen=True, slots=True)
class Battery:
    """State of the battery at a midnight."""

    charge_wh: float
    connected: bool


@dataclass(frozen=True, slots=True)
class Supply:
    """Supply over whole days."""

    on: NDArray[np.bool_]  # per tick
    charge_share: NDArray[np.float64]  # per slot; empty without a battery
    battery: Battery  # at the end


def spans(
    begin_s: NDArray[np.int64], end_s: NDArray[np.int64], *, from_s: int, ticks: int, tick_s: int
) -> NDArray[np.bool_]:
    """Ticks that lie in any of the spans [begin, end)."""
    first = np.clip((begin_s - from_s) // tick_s, 0, ticks)
    last = np.clip(-((from_s - end_s) // tick_s), 0, ticks)
    change = np.zeros(ticks + 1, dtype=np.int64)
    np.add.at(change, first, 1)
    np.subtract.at(change, last, 1)
    return np.cumsum(change[:-1]) > 0


def scripted(site: Site, kind: str, now_s: float) -> NDArray[np.int64]:
    """Spans of the faults of a kind, shape (n, 2), Unix time. [s]"""
    found = [(round(now_s + 3600 * one.from_h), round(now_s + 3600 * one.until_h))
             for one in site.nature.faults if one.kind == kind]
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def is_quiet(site: Site, begin_s: int, now_s: float) -> bool:
    """Whether a random fault at that time would cover what the script shows at `now`."""
    return now_s - site.nature.quiet_days * DAY_S <= begin_s < now_s + 3600


def _random_cuts(site: Site, seed: int, first_day: int, end_day: int, now_s: float) -> NDArray[np.int64]:
    """Cuts that touch the days: more of them in storms, most short, some half a day; and some blips."""
    found = []
    storm = weather(seed, site.trip or site.cabin, first_day - LONGEST_CUT_DAYS, end_day).storm
    for day, size in zip(range(first_day - LONGEST_CUT_DAYS, end_day), storm, strict=True):
        rng = stream(seed, site.cabin, "cuts", day=day)
        often = site.nature.cuts_per_year / 365 * (0.6 + 7.0 * min(size, 2.0))
        for _ in range(int(rng.poisson(often))):
            begin_s = day * DAY_S + int(rng.integers(0, DAY_S))
            length_s = int(np.clip(rng.lognormal(8.3, 1.3), 20, LONGEST_CUT_DAYS * DAY_S * 0.9))
            if rng.random() < 0.3:
                length_s = int(rng.integers(10, 90))  # a blip puts the lamp out just as well
            if not is_quiet(site, begin_s + length_s, now_s) and not is_quiet(site, begin_s, now_s):
                found.append((begin_s, begin_s + length_s))
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def supply(
    site: Site, seed: int, first_day: int, end_day: int, *, now_s: float, battery: Battery
) -> Supply:
    """Whether there is power, over the UTC days [first_day, end_day)."""
    from_s, tick_s = first_day * DAY_S, site.tick_s
    ticks = (end_day - first_day) * DAY_S // tick_s
    cuts = scripted(site, "power-cut", now_s)
    if site.nature.power == "grid":
        cuts = np.concatenate([cuts, _random_cuts(site, seed, first_day, end_day, now_s)])
    off = spans(cuts[:, 0], cuts[:, 1], from_s=from_s, ticks=ticks, tick_s=tick_s)
    if site.nature.power == "grid":
        return Supply(~off, np.empty(0), battery)
    connected, charge_share, battery = _battery_run(site, seed, first_day, end_day, battery)
    return Supply(np.repeat(connected, SLOT_S // tick_s) & ~off, charge_share, battery)


def _battery_run(
    site: Site, seed: int, first_day: int, end_day: int, battery: Battery
) -> tuple[NDArray[np.bool_], NDArray[np.float64], Battery]:
    """Slot by slot: a clipped sum with hysteresis has no closed form; 288 steps a day are cheap."""
    nature = site.nature
    at_s = np.arange(first_day * DAY_S, end_day * DAY_S, SLOT_S) + SLOT_S // 2
    cloud = weather(seed, site.trip or site.cabin, first_day, end_day).cloud
    sun = sun_w_m2(at_s, latitude=site.latitude, longitude=site.longitude)
    flicker = np.concatenate([stream(seed, site.cabin, "sun", day=day).uniform(0.8, 1.2, DAY_S // SLOT_S)
                              for day in range(first_day, end_day)])
    passes = np.clip((1 - 0.88 * np.repeat(cloud, DAY_S // SLOT_S)) * flicker, 0, 1)
    hours = SLOT_S / 3600
    gained = (CHARGE_SHARE * nature.panel_w * sun / SUN_FULL_W_M2 * passes * hours).tolist()
    used = (LAMP_W_PER_UVC_W * float(site.reactor["lamp_uvc_w"]) + ELSE_W) * hours
    idle = 1.5 * hours
    charge, on, most = battery.charge_wh, battery.connected, nature.battery_wh
    low, back = LOW_SHARE * most, BACK_SHARE * most
    charges, connected = [], []
    for gain in gained:
        charge = min(max(charge + gain - (used if on else idle), 0.0), most)
        on = charge > low if on else charge >= back
        charges.append(charge)
        connected.append(on)
    return np.array(connected), np.array(charges) / most, Battery(charge, on)


def battery_v(charge_share: NDArray[np.float64], on: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Voltage of a 24 V lead battery at that charge, sagging a bit under load. [V]"""
    return 23.0 + 2.7 * charge_share + 1.3 * np.clip(charge_share - 0.9, 0, 1) * 10 - 0.15 * on
