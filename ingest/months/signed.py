"""Who signed the record of a cabin's month, with its figures as they were, and what has changed since.

Append-only: a month can be signed again, by the same person too once its figures are others.
"""

from __future__ import annotations

import hashlib
import json
import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from ingest import queries
from ingest.db.engine import Asks, Local, named, transaction
from ingest.months.calendar import Month, months
from ingest.months.deeds import Deeds, deeds_of
from ingest.months.water import Water, open_time, water_of
from ingest.registry.tables import load_names, load_whole_fleet
from ingest.settings import BadInput

DIGITS = 3  # of a figure; what differs beyond is no change
WATER = (
    "dose_low_p05_mj_cm2", "dose_low_p50_mj_cm2", "volume_l", "volume_l_upper", "in_specification_l",
    "underdosed_l", "underdosed_l_upper", "share_pct", "share_most_pct", "lit_h", "warming_h", "weak_h",
    "dark_h", "unheard_h")
FIGURE_WORDS = {
    "dose_low_p05_mj_cm2": "dose, 5th percentile of the lower bound (mJ/cm2)",
    "dose_low_p50_mj_cm2": "dose, median of the lower bound (mJ/cm2)", "volume_l": "litres",
    "volume_l_upper": "litres at most", "in_specification_l": "litres in specification",
    "underdosed_l": "under-dosed litres", "underdosed_l_upper": "under-dosed litres at most",
    "share_pct": "share in specification, least (%)", "share_most_pct": "share in specification, most (%)",
    "lit_h": "hours lit", "warming_h": "hours warming", "weak_h": "hours weak", "dark_h": "hours dark",
    "unheard_h": "hours unheard", "intervals": "intervals not lit", "advisories": "advisories",
    "services": "records of service that count", "withdrawn": "records of service withdrawn",
    "samples_failed": "samples not satisfactory", "records": "what the records of service say",
}
_KEPT = """
    SELECT cabin, month, "at", who, figures, sha_hex FROM month_signed
    WHERE list_contains($cabins::VARCHAR[], cabin) AND month = $month ORDER BY cabin, "at"
"""
_INSERT = "INSERT INTO month_signed VALUES ($id, $cabin, $month, $now, $who, $figures, $sha)"

Figures = dict[str, dict[str, Any]]  # of each unit, by name


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """A signature under a cabin's month.

    Attributes
    ----------
    whole : bool
        Whether the figures that are kept are those that were hashed.
    changed : tuple of (unit, figure, then, now)
        What is otherwise now; values as they are kept.
    """

    cabin: str
    month: str
    at: datetime
    who: str
    sha_hex: str
    whole: bool
    changed: tuple[tuple[str, str, Any, Any], ...]

    def to_json(self) -> dict[str, Any]:
        """For `report --json`."""
        return {"by": self.who, "at": self.at, "sha256": self.sha_hex, "whole": self.whole, "changed": [
            {"unit": unit, "figure": name, "then": then, "now": now} for unit, name, then, now in self.changed]}


def figures_of(water: Water, deeds: Deeds, cabin: str) -> Figures:
    """The figures of a cabin's month that a signature stands for, per unit."""
    intervals = water.intervals
    out: Figures = {}
    for row in water.units[water.units["cabin"] == cabin].to_dict("records"):
        unit = str(row["unit"])
        done = deeds.services[(deeds.services["cabin"] == cabin) & (deeds.services["unit"] == unit)]
        counts = done[done["withdrawn_at"].isna()]
        said = [(str(one.id), one.kind, one.at.isoformat(), one.who, _plain(one.value), one.note, one.outcome)
                for one in named(counts)]
        out[unit] = {name: _plain(row[name]) for name in WATER} | {
            "intervals": int(((intervals["cabin"] == cabin) & (intervals["unit"] == unit)).sum()),
            "advisories": sum((one.cabin, one.unit) == (cabin, unit) for one in deeds.advisories),
            "services": len(counts), "withdrawn": len(done) - len(counts),
            "samples_failed": int((counts["outcome"].notna() & (counts["outcome"] != "satisfactory")).sum()),
            "records": hashlib.sha256(_canonical(said).encode()).hexdigest()}
    return out


def _plain(value: Any) -> float | None:
    if value is None or pd.isna(value):
        return None
    number = round(float(value), DIGITS)
    return number + 0.0 if math.isfinite(number) else None


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)


def sha_of(figures: Figures) -> str:
    """The hash of figures (SHA-256 of their JSON with sorted keys), in hexadecimal."""
    return hashlib.sha256(_canonical(figures).encode()).hexdigest()


def signatures(store: Asks, month: Month, now_of: Mapping[str, Figures]) -> list[Signed]:
    """The signatures under these cabins' month, oldest first, each against the figures of now (by cabin)."""
    out, names = [], load_names(store)
    for row in named(store.ask(_KEPT, {"cabins": month.slugs, "month": month.name})):
        then, at = json.loads(row.figures), row.at.to_pydatetime()
        called = {names.name_at((row.cabin, unit), at)[1]: unit for unit in now_of.get(row.cabin, {})}
        by_now = {called.get(unit, unit): figures for unit, figures in then.items()}
        out.append(Signed(
            cabin=row.cabin, month=row.month, at=at, who=row.who, sha_hex=row.sha_hex,
            whole=sha_of(then) == row.sha_hex, changed=_changes(by_now, now_of.get(row.cabin, {}))))
    return out


def signed_words(one: Signed) -> str:
    """Who signed, when, and which figures are otherwise now."""
    words = f"signed off by {one.who} on {one.at:%Y-%m-%d %H:%M UTC}"
    if not one.whole:
        return f"{words}; THE FIGURES KEPT ARE NOT THOSE THAT WERE SIGNED"
    if not one.changed:
        return f"{words}; unchanged since"
    return f"{words}; changed since: " + "; ".join(
        f"{unit}: {FIGURE_WORDS[name]}" + ("" if name == "records" else f" {_figure(then)} -> {_figure(now)}")
        for unit, name, then, now in one.changed)


def _figure(value: object) -> str:
    return "not known" if value is None else f"{value:,g}" if isinstance(value, (int, float)) else str(value)


def _changes(then: Figures, now: Figures) -> tuple[tuple[str, str, Any, Any], ...]:
    out = []
    for unit in sorted({*then, *now}):
        before, after = then.get(unit, {}), now.get(unit, {})
        out += [(unit, name, before.get(name), after.get(name)) for name in FIGURE_WORDS
                if before.get(name) != after.get(name)]
    return tuple(out)


def whole_month(name: str) -> tuple[date, date]:
    """First and last day of a month like 2026-10.

    Raises
    ------
    BadInput
        If it is none.
    """
    try:
        first = date.fromisoformat(f"{name}-01")
    except ValueError:
        raise BadInput(f"month must be like 2026-10; got {name!r}") from None
    return first, (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)


def sign_month(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Keep that a person signs the record of a cabin's month that is over (`cabin, month, by`)."""
    store, who, name = Local(con), str(body.get("by") or "").strip(), str(body.get("month") or "")
    fleet, slug = load_whole_fleet(store), str(body.get("cabin") or "")
    if not who:
        raise BadInput("by must name the person who signs; got an empty name")
    if not fleet.has_cabin(slug):
        raise BadInput(f"no cabin {slug!r} is enrolled; enrolled are: "
                       f"{', '.join(one.slug for one in fleet.cabins) or 'none'}")
    [month] = months([fleet.cabin(slug)], *whole_month(name))
    if month.until > now:
        raise BadInput(f"{name} is not over at {slug}: only a whole month can be signed off, from "
                       f"{month.until:%Y-%m-%d} on")
    figures = figures_of(
        water_of(store, fleet, month, open_time(store, fleet, now)),
        deeds_of(store, month, queries.advisories(store, cabin=slug)), slug)
    sha = sha_of(figures)
    before = [one for one in signatures(store, month, {slug: figures}) if one.who == who and one.sha_hex == sha]
    if before:
        return {"sha256": sha, "at": before[-1].at.isoformat(), "already": True}
    transaction(con, lambda: con.execute(_INSERT, {
        "id": str(uuid.uuid4()), "cabin": slug, "month": name, "now": now, "who": who,
        "figures": _canonical(figures), "sha": sha}))
    return {"sha256": sha, "at": now.isoformat(), "already": False}
