"""The full simulator's days of many units as the fit takes them (people, storms, power cuts), with the truth."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from ingest.outlook.lamp_days import with_clean_hours
from models.lamp.daily_series import CLEAN, SWAP, FleetDays, fleet_days
from models.lamp.sensor_faults import daily_signal
from simulated_feeds import lamp_physics as ageing
from simulated_feeds import logger, service
from simulated_feeds.reactor import chamber
from simulated_feeds.run import UnitRun, frames_of
from simulated_feeds.scenario import Site, fleet_toml, sites

NOW = datetime(2026, 11, 25, tzinfo=UTC)
PACKAGED = 12  # cabins of the demo, which have scripted faults; those drawn by seed come after them
LIT_DAYS = 60  # lit hours a day are those of the last so many


@dataclass(frozen=True, slots=True)
class FullFleet:
    """Days of n units and what the simulator knows of them.

    Attributes
    ----------
    days : FleetDays
    path_cm : ndarray, shape (k,)
        Per kind, from its geometry.
    truth : DataFrame, one row a unit in the order of `days`
        `log_now`: ln(intensity) today without noise, storms and seasons, as the unit's sensor reads it;
        `loss_per_day`: what it loses a day if nothing is done; `lamp_loss`, `sleeve_loss`: ln lost since the
        swap and the last cleaning, written down or not; `whole`: every cleaning was written down.
    """

    days: FleetDays
    path_cm: np.ndarray
    truth: pd.DataFrame


def full_fleet(units: int, days: int, seed: int, *, workers: int = 2) -> FullFleet:
    """Simulate `units` drawn cabins over the last `days` days before `NOW`."""
    fleet = tomllib.loads(fleet_toml(PACKAGED + units, seed, now=NOW))
    fleet["cabin"] = fleet["cabin"][PACKAGED:]
    with ProcessPoolExecutor(workers) as pool:
        made = list(pool.map(_unit, [(site, seed, days) for site in sites(fleet, seed)]))
    daily = pd.concat([one[0] for one in made], ignore_index=True)
    done = pd.concat([one[1] for one in made], ignore_index=True)
    truth = pd.DataFrame([one[2] for one in made]).set_index("cabin")
    names = pd.MultiIndex.from_product([truth.index, ["main"]], names=["cabin", "unit"])
    kind = pd.Series(truth["reactor"].to_numpy(), index=names)
    table = fleet_days(with_clean_hours(daily, done), kind=kind, events=done)
    path_cm = {
        one["name"]: one["chamber_inner_radius_cm"] - one["sleeve_outer_radius_cm"] for one in fleet["reactor"]}
    return FullFleet(
        days=table, path_cm=np.array([path_cm[name] for name in table.kinds]),
        truth=truth.loc[[cabin for cabin, _ in table.units]].reset_index())


def _unit(asked: tuple[Site, int, int]) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, Any]]:
    """One unit's days, what was written down, and its truth."""
    site, seed, days = asked
    start = NOW - timedelta(days=days)
    frames = frames_of(UnitRun(site, origin=start, now=NOW, seed=seed), start, NOW)
    readings = frames.readings.assign(at=frames.readings["true_at"], cabin=site.cabin)
    readings = readings.sort_values("at", ignore_index=True)
    readings["lamp_on"] = readings["lamp_on"].ffill()
    # each day is judged as a unit of its own, as the collector does it
    readings["unit"] = readings["at"].dt.strftime("%Y-%m-%d")
    found = daily_signal(
        readings, warm_up_s=float(site.reactor["warm_up_s"]), cadence_s=float(site.cadence_s))
    found = found.assign(day=pd.to_datetime(found["unit"]).dt.as_unit("us"))
    every = pd.DataFrame({"day": pd.date_range(start.date(), periods=days, unit="us")})
    daily = every.merge(found.drop(columns=["cabin", "unit"]), on="day", how="left").assign(
        cabin=site.cabin, unit="main")
    for name in ("uvt_pct", "water_temp_c", "lamp_hours"):
        daily[name] = daily.get(name, np.nan)
    daily["lit_h"] = daily["lamp_hours"].diff().clip(0.0, 24.0).fillna(23.6)
    written = frames.service[frames.service["recorded"]]
    if "uvt" not in site.nature.sensors:
        tests = written[written["kind"] == "water-tested"]
        told = dict(zip(tests["at"].dt.floor("D").dt.tz_localize(None), tests["value"], strict=True))
        daily["uvt_pct"] = daily["day"].map({daily["day"].iloc[0]: site.uvt_pct} | told)
    done = written[written["kind"].isin([SWAP, CLEAN])]
    done = pd.DataFrame({
        "cabin": site.cabin, "unit": "main", "at": done["at"].dt.as_unit("us"), "kind": done["kind"].astype(str)})
    return daily, done, _truth(site, seed, frames.truth, frames.service, daily)


def _truth(
    site: Site, seed: int, truth: pd.DataFrame, done: pd.DataFrame, daily: pd.DataFrame
) -> Mapping[str, Any]:
    """From the simulator's own physics: lamp, sleeve, chamber and sensor."""
    day = int(NOW.timestamp() // 86_400)
    number, _ = service.last_lamp(site, day)
    lamp = ageing.lamp(seed, site.cabin, site.unit, number, site.nature.lamp_wear)
    lit_h = 24.0 * float(truth["lamp_on"].tail(LIT_DAYS * 86_400 // site.cadence_s).mean())
    solarised_per_h = 0.2 * ageing.SLEEVE_AGES_PER_1000_H / 1000.0  # see simulated_feeds.unit: a sleeve's own hours
    fouling_per_h = site.nature.foul_per_1000_h / 1000.0
    sleeve_log = float(np.log(truth["sleeve_transmittance"].iloc[-1] / site.reactor["sleeve_transmittance"]))
    temps = daily["water_temp_c"].dropna().to_numpy()
    cleanings = done[done["kind"] == CLEAN]
    since = cleanings["at"].max() if len(cleanings) else truth["at"].iloc[0]
    lit_since = float(truth.loc[truth["at"] >= since, "lamp_on"].sum()) * site.cadence_s / 3600.0
    film = fouling_per_h * lit_since if len(cleanings) else -sleeve_log - solarised_per_h * 60_000.0
    wall = float(np.log(chamber(site.reactor).wall(-np.log10(site.uvt_pct / 100.0))))
    hours = daily["lamp_hours"].dropna()
    return {
        "cabin": site.cabin, "reactor": site.reactor["name"],
        "log_now": float(truth["lamp_log_output"].iloc[-1]) + sleeve_log + wall
        + float(np.log(ageing.temperature_share(temps)).mean() if len(temps) else 0.0)
        + float(np.log(logger.sensor_gain(site, seed))),
        "loss_per_day": (lamp.loss_per_h + fouling_per_h + solarised_per_h) * lit_h,
        "lamp_loss": lamp.loss_per_h * max(float(hours.iloc[-1]) - 100.0, 0.0) if len(hours) else 0.0,
        "sleeve_loss": max(film, 0.0), "whole": bool(cleanings["recorded"].all()),
    }
