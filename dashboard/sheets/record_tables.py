"""The record of months as tables: one set of columns for each, the same in every format.

Times stand in ISO 8601 with the offset of the cabin's clock; an empty cell is not known, which is never 0.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from dashboard.sheets.tabular import Cell, cell
from dashboard.text.verdicts import CAUTION
from ingest.months.record import MonthRecord
from ingest.months.signed import WATER, signed_words
from models.dose.credit import IN_SPECIFICATION_AT_LEAST_PCT
from models.dose.sensor_checks import sensor_check
from models.dose.uvt_checks import uvt_check_words

_SERVICE = ("id", "at", "kind", "who", "value", "note", "recorded_at")
_STATE = ("state", "withdrawn_by", "withdrawn_at", "withdrawn_reason", "replaced_by")
_WHERE = ("cabin", "unit", "month")
TABLES: Mapping[str, tuple[str, ...]] = {
    "about": ("item", "text"),
    "months": ("cabin", "cabin_name", "unit", "month", "from", "to", "time_zone", "dose_target_mj_cm2", *WATER,
               "reaches_95_pct", "intervals", "advisories", "services", "withdrawn", "signed", "not_known"),
    "days": (*_WHERE, "day", *WATER),
    "intervals": (*_WHERE, "kind", "cause", "severity", "start", "end", "hours", "drawn_l", "drawn_l_upper",
                  "underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2", "rests_on"),
    "advisories": (*_WHERE, "advisory", "cause", "severity", "state", "happened_from", "happened_to", "raised_at",
                   "raised_by", "underdosed_l", "underdosed_l_upper", "lifted_at", "lifted_by", "reason"),
    "advisory_steps": (*_WHERE, "advisory", "at", "what", "who", "note"),
    "services": (*_WHERE, *_SERVICE, *_STATE),
    "lamps_sleeves": (*_WHERE, "id", "at", "kind", "who", "serial", "note", *_STATE),
    "samples": (*_WHERE, "id", "taken_at", "who", "lab", "lab_number", "e_coli_100ml", "total_coliforms_100ml",
                "outcome", "advisory", "note", *_STATE),
    "sensor_checks": (*_WHERE, "id", "at", "kind", "value", "who", "judged", "note", *_STATE),
    "doses_divided": (*_WHERE, "since", "until", "ratio", "low_ratio", "who", "words"),
    "not_known": (*_WHERE, "since", "until", "hours", "litres_most", "what"),
    "signed": ("cabin", "month", "signed_by", "signed_at", "sha256", "words"),
}
HOW_DOSES = (
    "Dose percentiles are of the lower bound of the dose (reduction equivalent, mJ/cm2), over the time water "
    "flowed, by litres known to have been drawn. Each stored stretch of at most an hour counts at the lowest dose "
    "of flowing water in it, so a percentile is never above what a reckoning reading by reading finds. Water of "
    "unknown dose counts as the lowest; where that much of it is unknown, so is the percentile, and its cell is "
    "empty. Water that may have passed while nothing was heard is in no percentile.")
METHOD = (
    ("caution", CAUTION),
    ("who decides", "Your local health authority decides whether water may be drunk; this record does not."),
    ("empty cells", "An empty cell is not known, or does not apply. It is never 0."),
    ("times", "ISO 8601 with the offset of the cabin's own clock; a month and a day are those of that clock."),
    ("dose", HOW_DOSES),
    ("litres", "volume_l is what is known to have been drawn, volume_l_upper the most that can have been."),
    ("share in specification", "By volume: share_pct is the least, share_most_pct the most that can have been lit, "
     f"warm and at its dose. {IN_SPECIFICATION_AT_LEAST_PCT:g} % is a figure of reference (40 CFR 141.720(d)(3)), "
     "which binds public systems only."),
    ("hours", "Hours lit, warming, weak (lit below its dose), dark and unheard; time before a unit was first "
     "heard, or that is still ahead, is in none of them and stands under not_known."),
    ("intervals", "Whole stretches of one kind that were not lit, cut at the month's ends."),
    ("withdrawn", "A record that a named person withdrew or corrected stands here with its state and counts for "
     "nothing."),
)
_SERIAL = re.compile(r"\bserial(?:\s*(?:number|no\.?|nr\.?|#))?\s*[:=]?\s*([\w./-]*\d[\w./-]*)", re.IGNORECASE)


def serial_of(note: str) -> str:
    """A serial number, where a note says "serial ..." before it; empty where none does."""
    found = _SERIAL.search(note)
    return found[1].rstrip(".") if found else ""


def about(record: MonthRecord) -> list[tuple[Cell, ...]]:
    """What this is, once: what to keep in mind, and how each figure came about."""
    return [("made at", cell(record.made_at, record.month.zone)), *METHOD]


def tables_of(record: MonthRecord) -> Iterator[tuple[str, list[list[Cell]]]]:
    """The rows of a month, table by table; `about` is of all months and stands apart."""
    local = record.month.zone
    for name, found in (
        ("months", _months(record)), ("days", record.water.days.to_dict("records")),
        ("intervals", _intervals(record)), ("advisories", _advisories(record)),
        ("advisory_steps", record.deeds.steps.to_dict("records")), ("services", _services(record.deeds.services)),
        ("lamps_sleeves", _lamps(record)), ("samples", _samples(record)), ("sensor_checks", _checks(record)),
        ("doses_divided", record.divided), ("not_known", record.unknown.to_dict("records")),
        ("signed", _signed(record)),
    ):
        yield name, [
            [cell({"month": record.month.name, **row}.get(column), local) for column in TABLES[name]]
            for row in _named(found)]


def _named(found: Sequence[Mapping[Any, Any]]) -> Iterator[dict[str, Any]]:
    for row in found:
        yield {str(name): value for name, value in row.items()}


def _months(record: MonthRecord) -> list[dict[str, Any]]:
    month, deeds = record.month, record.deeds
    intervals, services = record.water.intervals, deeds.services
    signed = {one.slug: "; ".join(signed_words(each) for each in record.signed if each.cabin == one.slug)
              for one in month.cabins}
    out = []
    for row in record.water.units.to_dict("records"):
        key = (str(row["cabin"]), str(row["unit"]))
        cabin = record.fleet.cabin(key[0])
        done = services[(services["cabin"] == key[0]) & (services["unit"] == key[1])]
        gone = int(done["withdrawn_at"].notna().sum())
        out.append({
            **{str(name): value for name, value in row.items()}, "cabin_name": cabin.name, "from": month.since,
            "to": month.until, "time_zone": cabin.time_zone,
            "dose_target_mj_cm2": record.fleet.unit(*key).dose_target_mj_cm2,
            "intervals": int(((intervals["cabin"] == key[0]) & (intervals["unit"] == key[1])).sum()),
            "advisories": sum((one.cabin, one.unit) == key for one in deeds.advisories),
            "services": len(done) - gone, "withdrawn": gone, "signed": signed[key[0]],
            "not_known": unknown_words(record.unknown, *key)})
    return out


def unknown_words(unknown: pd.DataFrame, cabin: str, unit: str) -> str:
    """What is not known of a unit's month, in a sentence; empty where nothing is said against it."""
    mine = unknown[(unknown["cabin"] == cabin) & unknown["unit"].isin([unit, ""])]
    told = []
    for what, rows in mine.groupby("what", sort=False):
        hours, most = rows["hours"].sum(min_count=1), rows["litres_most"].sum(min_count=1)
        length = "" if pd.isna(hours) else f"{hours:,.1f} h "
        told.append(f"{length}{what}" + ("" if pd.isna(most) else f"; at most {most:,.0f} L drawn meanwhile"))
    return ". ".join(told)


def _intervals(record: MonthRecord) -> list[dict[str, Any]]:
    found = record.water.intervals
    return [{**{str(name): value for name, value in row.items()}, "hours": row["seconds"] / 3600.0}
            for row in found.to_dict("records")]


def _advisories(record: MonthRecord) -> list[dict[str, Any]]:
    out = []
    for kept in record.deeds.advisories:
        one, lifted = kept.advisory, kept.advisory.lifted
        out.append({
            "cabin": kept.cabin, "unit": kept.unit, "advisory": kept.id, "cause": one.cause,
            "severity": one.severity, "state": one.state, "happened_from": one.happened_from,
            "happened_to": one.happened_to, "raised_at": one.raised_at, "raised_by": one.raised_by or "the program",
            "underdosed_l": one.exposure.underdosed_l, "underdosed_l_upper": one.exposure.underdosed_l_upper,
            "lifted_at": lifted.at if lifted else None, "lifted_by": lifted.by if lifted else None,
            "reason": lifted.reason if lifted else None})
    return out


def _services(found: pd.DataFrame) -> list[dict[str, Any]]:
    """Records with their state in a word."""
    out = []
    for row in found.to_dict("records"):
        gone = not pd.isna(row["withdrawn_at"])
        state = "counts" if not gone else "withdrawn" if pd.isna(row["replaced_by"]) else "corrected"
        out.append({str(name): None if not isinstance(value, (list, dict)) and pd.isna(value) else value
                    for name, value in row.items()} | {"id": str(row["id"]), "state": state})
    return out


def _lamps(record: MonthRecord) -> list[dict[str, Any]]:
    """Of the first month all that came before too: what a lamp and a sleeve are goes back to their last change."""
    found = record.deeds.lamps
    if record.number:
        found = found[found["at"] >= pd.Timestamp(record.month.since)]
    out = [{**row, "serial": serial_of(row["note"] or "")} for row in _services(found)]
    if record.number:
        return out
    installed = [
        {"cabin": cabin.slug, "unit": unit.slug, "kind": "lamp-installed", "at": unit.lamp_installed,
         "note": "by the registry", "state": "counts"}
        for cabin in record.month.cabins for unit in cabin.units if unit.lamp_installed]
    return installed + out


def _samples(record: MonthRecord) -> list[dict[str, Any]]:
    return [{**row, "taken_at": row["taken_at"] or row["at"], "e_coli_100ml": row["e_coli"],
             "total_coliforms_100ml": row["total_coliforms"], "outcome": row["outcome"] or "no result yet"}
            for row in _services(record.deeds.samples)]


def _checks(record: MonthRecord) -> list[dict[str, Any]]:
    out = []
    for row in _services(record.deeds.checks):
        value = row["value"]
        judged = "" if value is None else (
            sensor_check(float(value)).words if row["kind"] == "sensor-checked" else uvt_check_words(float(value)))
        out.append({**row, "judged": judged})
    return out


def _signed(record: MonthRecord) -> list[dict[str, Any]]:
    return [{"cabin": one.cabin, "month": one.month, "signed_by": one.who, "signed_at": one.at,
             "sha256": one.sha_hex, "words": signed_words(one)} for one in record.signed]
