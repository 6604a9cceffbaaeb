"""A store whose lamps have a past: a simulated fleet's ageing, with the truth, in the daily table."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from ingest.outlook.lamps import lamp_outlook
from ingest.store import Store
from simulated_feeds.synthetic_fleet import AgingFleet, aging_fleet
from tests.conftest import REACTOR

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
DAYS = 300
TRIPS = {"north-shore": (45.40, -79.20), "south-arm": (45.15, -79.55)}
NAMES = ("Alder Bay", "Bracken Point", "Crow Landing", "Drift Cove", "Eddy Rock", "Finch Narrows", "Gale Hollow",
         "Hemlock Spit")


def slug(name: str) -> str:
    return name.lower().replace(" ", "-")


def fleet_toml(calendars: dict[str, str] | None = None) -> str:
    """Eight invented cabins on two trips, some km apart; `calendars` by slug."""
    out = REACTOR
    for number, name in enumerate(NAMES):
        trip, (latitude, longitude) = list(TRIPS.items())[number % 2]
        calendar = (calendars or {}).get(slug(name), "")
        out += f"""
[[cabin]]
slug = "{slug(name)}"
name = "{name}"
time_zone = "America/Toronto"
latitude = {latitude + 0.03 * number:.4f}
longitude = {longitude + 0.02 * (number % 3):.4f}
trip = "{trip}"
{f'calendar = "{calendar}"' if calendar else ''}
[[cabin.unit]]
slug = "main"
reactor = "annular-40"
uvt_pct = 84.0
peak_flow_l_min = 19.0
"""
    return out


def lamp_store(
    path: Path, *, seed: int = 11, calendars: dict[str, str] | None = None, now: datetime = NOW
) -> AgingFleet:
    """Make the store and close it again; its clock stands at `now`.

    Intensities are scaled so that each unit's true threshold is the one that the program finds for it: the
    simulator's `truth.crossing_day` then counts from the last day stored.
    """
    truth = aging_fleet(len(NAMES), DAYS, seed)
    store = Store(path)
    store.act("enroll", {"text": fleet_toml(calendars)})
    store.con.execute("INSERT INTO clock VALUES ($wall, $now, 1.0)", {"wall": datetime.now(UTC), "now": now})
    first = pd.Timestamp(now.date()) - pd.Timedelta(days=DAYS)
    cabin = np.repeat([slug(name) for name in NAMES], DAYS)
    rows = pd.DataFrame({
        "cabin": cabin, "unit": "main", "day": np.tile(first + pd.to_timedelta(truth.days, unit="D"), len(NAMES)),
        "intensity_w_m2": np.exp(truth.log_intensity).ravel(), "readings": 200, "values_read": 40,
        "lamp_hours": truth.lamp_hours.ravel(), "lit_h": np.repeat(truth.truth["lit_h_per_day"], DAYS).to_numpy(),
        "volume_l": 300.0, "uvt_pct": truth.uvt_pct.ravel(), "water_temp_c": truth.water_temp_c.ravel(),
        "fault": "", "fault_evidence": ""})
    store.con.register("rows", rows)
    store.con.execute("INSERT INTO daily BY NAME SELECT * REPLACE (day::DATE AS day) FROM rows")
    store.con.unregister("rows")
    for event in truth.events[truth.events["recorded"]].itertuples():
        at = (first + pd.Timedelta(days=int(event.day), hours=15)).tz_localize("UTC").to_pydatetime()
        store.con.execute(
            "INSERT INTO service_event VALUES (uuid(), $cabin, 'main', $at_, $kind, 'Ann Lund', NULL, '', $at_)",
            {"cabin": slug(NAMES[event.unit]), "at_": at, "kind": event.kind})
    thresholds = {one.cabin.slug: one.threshold_w_m2 for one in lamp_outlook(store, now).lamps}
    for name, meant in zip(NAMES, truth.truth["threshold_w_m2"], strict=True):
        store.con.execute("UPDATE daily SET intensity_w_m2 = intensity_w_m2 * $share WHERE cabin = $cabin", {
            "share": float(thresholds[slug(name)] / meant), "cabin": slug(name)})
    store.close()
    return truth
