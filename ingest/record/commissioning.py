"""What people said of a unit's checklists and found in the water before it: append-only, a later word counts.

It raises, ticks and lifts nothing: the evaluation never reads it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from ingest.db.engine import Asks, Local, named, transaction
from ingest.record.laboratory import number_of
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput, instant_of
from models.advisory.laboratory import Outcome
from models.commissioning.checklist import CHECKLISTS, Entry, Facts, ItemState, Occasion, item_of
from models.water_quality import FEED_QUANTITIES, WaterTest

Key = tuple[str, str]
# Transmittance is not among them: doses rest on it, so it is recorded as `water-tested` with the service.
QUANTITIES = tuple(one for one in FEED_QUANTITIES if one != "uvt_pct")
TYPED_VALUE_LIMIT = 10_000.0  # far beyond any flow in L/min or intensity in W/m2 of a cabin's unit

_INSERT_ENTRY = """
    INSERT INTO commissioning_entry VALUES (
        $id, $cabin, $unit, $occasion, $item, $state, $value, $at_, $who, $note, $now)
"""
_INSERT_WATER = "INSERT INTO feed_water VALUES ($id, $cabin, $unit, $quantity, $value, $at_, $who, $note, $now)"
_STORED = """
    SELECT 1 FROM commissioning_entry WHERE record = $id UNION ALL SELECT 1 FROM feed_water WHERE record = $id
"""
# Some dozens of rows a unit, and a dozen more a season.
_ENTRIES = """
    SELECT * FROM commissioning_entry WHERE cabin = $cabin AND unit = $unit AND "at" <= $now
    ORDER BY "at", recorded_at
"""
# One row per quantity: the latest word of it.
_WATER = """
    SELECT quantity, arg_max(struct_pack(value := value, "at" := "at", who := who, note := note),
        struct_pack("at" := "at", recorded_at := recorded_at)) AS said
    FROM feed_water WHERE cabin = $cabin AND unit = $unit AND "at" <= $now GROUP BY quantity
"""
_SAMPLES = """
    SELECT r.taken_at, r.outcome FROM laboratory_result AS r JOIN service_done AS e ON e.id = r.service
    WHERE e.cabin = $cabin AND e.unit = $unit AND r.taken_at <= $now ORDER BY r.taken_at
"""
_CHLORINATED = """
    SELECT max("at") AS "at" FROM service_done
    WHERE cabin = $cabin AND unit = $unit AND kind = 'chlorinated' AND "at" <= $now
"""
# One row per unit with one: the latest first reading that was recorded.
_FIRST_READINGS = """
    SELECT cabin, unit, arg_max(value, struct_pack("at" := "at", recorded_at := recorded_at)) AS value,
        arg_max(state, struct_pack("at" := "at", recorded_at := recorded_at)) AS state
    FROM commissioning_entry WHERE item = 'first-reading' AND occasion = 'commissioning' AND "at" <= $now
    GROUP BY cabin, unit
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedFigure:
    """The latest figure of one quantity of the feed water."""

    value: float
    at: datetime
    who: str
    note: str


def record_commissioning(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Append what a named person says of items, and found in the water before the unit.

    `cabin, unit, occasion, at, who, note`; `items`: state of each by its key; `values`: figures of items; `water`:
    figures of `QUANTITIES`, null where an earlier one is taken back. `id`, a UUID of the sender's own, makes that
    what is sent twice is one record.
    """
    key, number = (str(body.get("cabin") or ""), str(body.get("unit") or "")), number_of(body)
    if not load_fleet(Local(con)).has_unit(*key):
        raise BadInput(f"no unit {key[1]!r} of cabin {key[0]!r} is enrolled")
    who, at = str(body.get("who") or "").strip(), instant_of("at", body.get("at"))
    if not who:
        raise BadInput("who must name the person who says so; got an empty name")
    if at > now:
        raise BadInput(f"at must not lie in the future (now {now.isoformat()}); got {body['at']!r}")
    for name in ("items", "values", "water"):
        if not isinstance(body.get(name) or {}, dict):
            raise BadInput(f"{name} must be an object of names and what is said of each; got {body[name]!r}")
    occasion = _occasion(body.get("occasion"))
    items = _items(occasion, body.get("items") or {}, body.get("values") or {})
    water = _water(body.get("water") or {})
    if not items and not water:
        raise BadInput("nothing was said: give at least one item or one figure of the water")
    if con.execute(_STORED, {"id": number}).fetchone() is not None:
        return {"id": number, "already": True}
    about = {"id": number, "cabin": key[0], "unit": key[1], "at_": at, "who": who,
             "note": str(body.get("note") or "").strip(), "now": now}

    def work() -> None:
        for item, (state, value) in items.items():
            con.execute(_INSERT_ENTRY, {
                **about, "occasion": str(occasion), "item": item, "state": str(state), "value": value})
        for quantity, found in water.items():
            con.execute(_INSERT_WATER, {**about, "quantity": quantity, "value": found})

    transaction(con, work)
    return {"id": number, "already": False, "items": len(items), "water": len(water)}


def _occasion(text: object) -> Occasion:
    if text not in list(Occasion):
        raise BadInput(f"occasion must be one of {', '.join(Occasion)}; got {text!r}")
    return Occasion(str(text))


def _items(
    occasion: Occasion, items: Mapping[str, Any], values: Mapping[str, Any]
) -> dict[str, tuple[ItemState, float | None]]:
    """States and figures, each refused by its name where it cannot be."""
    out: dict[str, tuple[ItemState, float | None]] = {}
    strange = [key for key in values if key not in items]
    if strange:
        raise BadInput(f"a figure of {strange[0]!r} goes with a state of that item: done, not-done, not-applicable")
    for key, state in items.items():
        try:
            item = item_of(occasion, key)
        except ValueError as error:
            raise BadInput(str(error)) from error
        if state not in list(ItemState):
            raise BadInput(f"{key} must be one of {', '.join(ItemState)}; got {state!r}")
        value, done = values.get(key), state == ItemState.DONE
        if value is None and done and item.value:
            raise BadInput(f"{key} is done with its figure only: give its {item.value} in {item.unit}")
        if value is not None and not (done and item.value):
            raise BadInput(f"{key} takes no figure" + ("" if not item.value else f" while it is {state}"))
        out[key] = (ItemState(state), None if value is None else _figure(key, item.unit, value))
    return out


def _figure(key: str, unit: str, value: object) -> float:
    """A figure of an item: a finite number, above 0 but for a sensor's zero."""
    least = -TYPED_VALUE_LIMIT if key == "sensor-zero" else 0.0
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or (
            not least < value <= TYPED_VALUE_LIMIT):
        raise BadInput(
            f"{key} must be a number in {unit}, above {least:g} and at most {TYPED_VALUE_LIMIT:g}; got {value!r}")
    return float(value)


def _water(water: Mapping[str, Any]) -> dict[str, float | None]:
    """Figures of the feed water as the models take them."""
    strange = [name for name in water if name not in QUANTITIES]
    if strange:
        hint = ("; a transmittance is recorded as `water-tested` with the service, since doses rest on it"
                if strange[0] == "uvt_pct" else "")
        raise BadInput(f"water must be of {', '.join(QUANTITIES)}; got {strange[0]!r}{hint}")
    for name, value in water.items():
        if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise BadInput(f"{name} must be a number, or null to take back what was said; got {value!r}")
        if value is not None and math.isnan(value):
            raise BadInput(f"{name} must be a finite number; got {value!r}")
    try:
        WaterTest(**water)
    except ValueError as error:
        raise BadInput(str(error)) from error
    return {name: None if value is None else float(value) for name, value in water.items()}


def entries_of(store: Asks, cabin: str, unit: str, now: datetime) -> tuple[Entry, ...]:
    """All that was said of a unit's items, oldest first; items that no list has any more are left out."""
    known = {(occasion, one.key) for occasion, items in CHECKLISTS.items() for one in items}
    found = store.ask(_ENTRIES, {"cabin": cabin, "unit": unit, "now": now})
    return tuple(
        Entry(
            occasion=Occasion(one.occasion), item=one.item, state=ItemState(one.state), at=_at(one.at), who=one.who,
            value=None if pd.isna(one.value) else float(one.value), note=one.note,
            recorded_at=_at(one.recorded_at))
        for one in named(found) if (one.occasion, one.item) in known)


def feed_figures(store: Asks, cabin: str, unit: str, now: datetime) -> dict[str, FeedFigure]:
    """The latest figure of each quantity that somebody measured; what was taken back is not there."""
    out = {}
    for one in named(store.ask(_WATER, {"cabin": cabin, "unit": unit, "now": now})):
        if one.said["value"] is not None and not pd.isna(one.said["value"]):
            out[one.quantity] = FeedFigure(
                value=float(one.said["value"]), at=_at(one.said["at"]), who=one.said["who"], note=one.said["note"])
    return out


def facts_of(store: Asks, cabin: str, unit: str, now: datetime) -> Facts:
    """What the records of service and of the laboratory say that can speak against a tick."""
    about = {"cabin": cabin, "unit": unit, "now": now}
    samples = store.ask(_SAMPLES, about)
    chlorinated = store.ask(_CHLORINATED, about)["at"].iloc[0]
    return Facts(
        samples=tuple((_at(one.taken_at), Outcome(one.outcome)) for one in named(samples)),
        chlorinated_at=None if pd.isna(chlorinated) else _at(chlorinated))


def first_readings(store: Asks, now: datetime) -> dict[Key, float]:
    """The intensity that is kept as each unit's own 100 %. [W/m2]"""
    found = store.ask(_FIRST_READINGS, {"now": now})
    return {(one.cabin, one.unit): float(one.value) for one in named(found)
            if one.state == ItemState.DONE and not pd.isna(one.value)}


def _at(value: Any) -> datetime:
    at: datetime = pd.Timestamp(value).to_pydatetime()
    return at
