"""Records of service as commands and pages show them; what was withdrawn says so in words, never by looks alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from ingest.record.laboratory import result_json, result_words

_LABORATORY = ("outcome", "e_coli", "total_coliforms", "lab", "lab_number", "taken_at")
SERVICE_COLUMNS = (
    "id", "cabin", "unit", "at", "kind", "who", "value", "note", "recorded_at", "state", *_LABORATORY,
    "withdrawn_by", "withdrawn_at", "withdrawn_reason", "replaced_by")


def service_rows(found: pd.DataFrame) -> list[dict[str, Any]]:
    """Records as `--json` has them; `withdrawn` is null while one counts, else by whom, when, why, what now."""
    return [{
        "id": str(row["id"]), "cabin": row["cabin"], "unit": row["unit"], "at": row["at"], "kind": row["kind"],
        "who": row["who"], "value": row["value"], "note": row["note"], "recorded_at": row["recorded_at"],
        "laboratory": result_json(row), "result": result_words(row),
        "withdrawn": None if pd.isna(row["withdrawn_at"]) else {
            "by": row["withdrawn_by"], "at": row["withdrawn_at"], "reason": row["withdrawn_reason"],
            "replaced_by": None if pd.isna(row["replaced_by"]) else str(row["replaced_by"])},
    } for row in found.to_dict("records")]


def flat_row(one: Mapping[str, Any]) -> dict[str, Any]:
    """A record of `service_rows` as a row of `SERVICE_COLUMNS`, whose laboratory and withdrawal stand beside it."""
    found, gone = one["laboratory"] or {}, one["withdrawn"] or {}
    return {
        **one, **{name: found.get(name) for name in _LABORATORY}, "withdrawn_by": gone.get("by"),
        "withdrawn_at": gone.get("at"), "withdrawn_reason": gone.get("reason"),
        "replaced_by": gone.get("replaced_by"),
        "state": "counts" if not gone else "corrected" if gone.get("replaced_by") else "withdrawn"}


def service_line(one: dict[str, Any]) -> str:
    """A record of `service_rows` in words; one that was withdrawn begins with that word."""
    value = "" if one["value"] is None or one["value"] != one["value"] else f" {one['value']:g}"
    result = f" ({one['result']})" if one["result"] else ""
    line = f"{one['kind']}{value}{result} by {one['who']}" + (f": {one['note']}" if one["note"] else "")
    return line if one["withdrawn"] is None else f"{withdrawn_words(one)}: {line}"


def withdrawn_words(one: dict[str, Any]) -> str:
    """By whom and why a record of `service_rows` that counts no longer was taken back."""
    gone = one["withdrawn"]
    how = "CORRECTED" if gone["replaced_by"] else "WITHDRAWN"
    return f"{how} by {gone['by']} ({gone['reason']}), counts no longer"
