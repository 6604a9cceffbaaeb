"""What can be done to a store, by name: each action whole or not at all.

The process that holds the file calls these; others send name and body to it (`ingest.store.Client`).
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from ingest.archiving import ARCHIVE, BRING_BACK, archive_some, bring_back_next
from ingest.counterpart.given_up import give_up
from ingest.db import held, quarantine, snapshot
from ingest.db.engine import Local, transaction
from ingest.db.intake import CLOCKS_DIFFER, keep
from ingest.db.schema import reasons, rounded, split
from ingest.evaluation.evaluate import evaluate, owe
from ingest.evaluation.sensor_checks import UVT_SENSOR_CHECKED, checked_unit
from ingest.months.signed import sign_month
from ingest.notification.message_log import confirm
from ingest.notification.stays import forget_contact, keep_contact
from ingest.record.advisories import keep_result, lift, note_seen, raise_by_hand, record_step, step_of_service
from ingest.record.advisory_log import INSERT_SERVICE
from ingest.record.commissioning import record_commissioning
from ingest.record.corrections import find_record, owe_record, withdraw
from ingest.record.laboratory import KEYS as LABORATORY_KEYS
from ingest.record.laboratory import number_of, refuse_twice, report_of, result_of, stored
from ingest.registry.edits import check, enroll, preview
from ingest.registry.succession import deed
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from ingest.wire.profiles import save_profile
from models.dose.sensor_checks import sensor_check
from models.dose.uvt_checks import uvt_check_words
from models.own_clock import EARLIEST
from models.water_quality import meant_uvt_pct

Carry = Callable[[duckdb.DuckDBPyConnection, dict[str, Any], datetime, Path], dict[str, Any]]

SERVICE_KINDS = (
    "lamp-swapped", "sleeve-cleaned", "filter-changed", "sensor-checked", UVT_SENSOR_CHECKED, "valve-checked",
    "water-tested", "chlorinated", "flushed", "sampled", "note",
)
FIRST_YEAR = 1970  # before it there was nothing to be done: a year typed wrong, which no column of times holds
MOST_SHIFT_S = 3_200_000_000.0  # a century
CORRECTED = ("kind", "cabin", "unit", "at", "who", "value", "note")  # what a correction can change


def rows(con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Take valid rows from a parquet file of the spool (`file`, a bare name); `last` evaluates them."""
    spool = path.with_name(path.name + ".spool")
    name = str(body["file"])
    if Path(name).name != name or not name.endswith(".parquet"):
        raise BadInput(f"file must be a bare name of the spool that ends in .parquet; got {name!r}")
    frame = pd.read_parquet(spool / name)
    refused = frame_of_refused(body.get("refused", []), str(body.get("source", "file")))

    def work() -> dict[str, Any]:
        kept = keep(con, rows=rounded(frame), arrived=now, refused=refused)
        owe(con, kept.touched)
        return {"kept": kept.rows, "filled": kept.filled, "already": kept.already}

    told = transaction(con, work)
    if len(refused):
        quarantine.prune(con, now)
    if body.get("last", True):
        evaluate(con, now)
    (spool / name).unlink(missing_ok=True)
    return told


def frame_of_refused(found: list[dict[str, Any]], source: str) -> pd.DataFrame:
    """Refused lines of a file as rows for quarantine."""
    return pd.DataFrame({
        "source": [f"{source}:{one['line']}" for one in found], "cabin": None, "unit": None,
        "payload": [str(one["payload"]).encode() for one in found],
        "reason": [str(one["reason"]) for one in found],
        "times": pd.array([int(one.get("times", 1)) for one in found], dtype="int64"), "file": None,
    })


def record_service(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path,
    first: Callable[[str], None] | None = None,
) -> dict[str, Any]:
    """Append what was done to a unit (`kind, cabin, unit, at, who, value, note`); what was recorded is refused.

    `id`, a UUID of the sender's own, makes that what is sent twice is one record. `sampled` also takes what the
    laboratory found (`ingest.record.laboratory.report_of`), and does at once what that asks for. `first`, given the
    new record's id, is done before it is stored, in the same transaction.
    """
    done = _service_of(body, now)
    _require_meant_value(done, body)
    require_unit(con, body["cabin"], body["unit"])
    number = number_of(body)
    if stored(con, number):
        return {"id": number, "advisory": "", "already": True}
    report = report_of(body, done.at, load_fleet(Local(con)).laboratory) if done.kind == "sampled" else None
    told: dict[str, Any] = {"id": number}

    def work() -> None:
        if first is not None:
            first(number)
        differs = refuse_twice(con, body, done.at, report)
        key = (body["cabin"], body["unit"])
        sensors = checked_unit(Local(con), *key)
        con.execute(
            INSERT_SERVICE,
            {"id": number, "cabin": body["cabin"], "unit": body["unit"], "at_": done.at, "kind": done.kind,
             "who": done.who, "value": done.value, "note": str(body.get("note") or ""), "now": now})
        if report is not None:
            told["advisory"], told["about"] = keep_result(con, body, number, report, now)
            told["laboratory"] = {"outcome": str(report.outcome), "words": report.words, "differs": differs}
        owe_record(con, key, done.kind, done.at, sensors, now)

    transaction(con, work)
    evaluate(con, now)
    if report is None:
        told["advisory"] = step_of_service(con, {**body, "service": number}, now)
    if done.kind == "sensor-checked" and done.value is not None:
        told["judged"] = sensor_check(float(done.value)).words
    if done.kind == UVT_SENSOR_CHECKED and done.value is not None:
        told["judged"] = uvt_check_words(float(done.value))
    return told


@dataclass(frozen=True, slots=True, kw_only=True)
class _Service:
    """What a request says was done, when, by whom, and the number that came of it."""

    kind: str
    who: str
    at: datetime
    value: float | None


def _service_of(body: dict[str, Any], now: datetime) -> _Service:
    """The request's own fields; the first that is wrong is refused."""
    kind, who = body["kind"], str(body.get("who", "")).strip()
    value = body.get("value")
    try:
        at = datetime.fromisoformat(str(body["at"]))
    except ValueError:
        raise BadInput(f"at must be ISO 8601 with Z or an offset; got {body['at']!r}") from None
    if value is not None and not (isinstance(value, (int, float)) and math.isfinite(value)):
        raise BadInput(f"value must be a finite number or left out; got {value!r}")
    if kind not in SERVICE_KINDS:
        raise BadInput(f"kind must be one of {', '.join(SERVICE_KINDS)}; got {kind!r}")
    if not who:
        raise BadInput("who must name the person who did it; got an empty name")
    if at.tzinfo is None:
        raise BadInput(f"at must have Z or an offset; got {body['at']!r}")
    if at.year < FIRST_YEAR:
        raise BadInput(f"at must not lie before {FIRST_YEAR}; got {body['at']!r}")
    if at > now:
        raise BadInput(f"at must not lie in the future (now {now.isoformat()}); got {body['at']!r}")
    return _Service(kind=kind, who=who, at=at, value=value)


def _require_meant_value(done: _Service, body: dict[str, Any]) -> None:
    """Refuse what cannot be meant by a record of that kind."""
    if done.kind == "water-tested":
        _require_transmittance(done.value, is_pct=bool(body.get("is_pct")))
    if done.kind != "sampled" and any(body.get(name) is not None for name in LABORATORY_KEYS):
        raise BadInput(
            f"{', '.join(LABORATORY_KEYS)} are what a laboratory found: for 'sampled', not for {done.kind!r}")
    if done.kind == "sensor-checked" and done.value is not None and not 0.1 <= done.value <= 10:
        raise BadInput(
            "sensor-checked takes the duty sensor's reading over the reference's as value, a ratio of 0.1 to 10; "
            f"got {done.value!r}")
    if done.kind == UVT_SENSOR_CHECKED and (done.value is None or not -100 < done.value < 100):
        raise BadInput(
            f"{UVT_SENSOR_CHECKED} takes what the transmittance sensor showed less what a sample of the same water "
            f"had as value, in points of per cent, -100 to 100; got {done.value!r}")


def _require_transmittance(value: float | None, *, is_pct: bool) -> None:
    """Refuse what is no transmittance in per cent; a ratio of 0 to 1 only passes where `is_pct` says it is none."""
    if value is None or not 0 < value <= 100:
        raise BadInput(f"water-tested needs the transmittance as value, above 0 and at most 100 %; got {value!r}")
    pct = meant_uvt_pct(value)
    if pct is not None and not is_pct:
        raise BadInput(
            f"{value:g}: did you mean {pct:g} %? water-tested takes per cent, so give {pct:g}; where the water "
            f"really lets no more than {value:g} % through, say so: --is-pct")


def withdraw_service(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Take a record of service back (`id, by, reason`); it stays to be read and counts for nothing any more."""
    def work() -> tuple[str, list[str]]:
        row = find_record(con, str(body["id"]))
        said = withdraw(con, row, by=str(body.get("by") or ""), reason=str(body.get("reason") or ""), now=now)
        return str(row["number"]), said

    number, said = transaction(con, work)
    evaluate(con, now)
    return {"id": number, "advisory": "; ".join(said)}


def correct_service(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Put another record in the place of one (`id, by, reason`, and what of `CORRECTED` is to be otherwise)."""
    row = find_record(con, str(body["id"]))
    was = {name: row[name] for name in CORRECTED} | {"at": row["at"].isoformat()}
    new = was | {name: body[name] for name in CORRECTED if body.get(name) is not None}
    if new == was:
        raise BadInput(
            f"nothing would change; give at least one of {', '.join(CORRECTED)}, or withdraw the record")
    told: list[str] = []

    def first(number: str) -> None:
        found = find_record(con, str(row["number"]))  # nobody else took it back meanwhile
        told.extend(withdraw(
            con, found, by=str(body.get("by") or ""), reason=str(body.get("reason") or ""), now=now,
            replaced_by=number))

    kept = {} if new["kind"] != "sampled" or new["value"] is not None else result_of(con, str(row["number"]))
    if kept and pd.Timestamp(kept["taken_at"]) == row["at"]:
        kept["taken_at"] = new["at"]  # it was taken when it was done, whatever that is now
    out = record_service(con, {**kept, **new}, now, path, first)
    said = "; ".join(filter(None, [*told, out["advisory"]]))
    return out | {"withdrawn": row["number"], "kind": new["kind"], "value": new["value"], "advisory": said}


def require_unit(con: duckdb.DuckDBPyConnection, cabin: str, unit: str) -> None:
    """Refuse a unit that is not enrolled; the message lists those that are."""
    known = con.execute("SELECT cabin || '/' || slug FROM unit ORDER BY ALL").fetchall()
    if (f"{cabin}/{unit}",) not in known:
        raise BadInput(
            f"no unit {unit!r} of cabin {cabin!r} is enrolled; enrolled are: "
            f"{', '.join(one for (one,) in known) or 'none'}")


def release_rows(con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Take in what of a unit waits for its time, moved by so much (`cabin, unit, by, shift_s`).

    `refused`: what was refused for its time instead, of which `since` and `until` (of arrival) take a part. It is
    held against the same rules as any reading. Who did it stands in the record of service.
    """
    key, shift_s = (str(body["cabin"]), str(body["unit"])), body.get("shift_s")
    by = str(body.get("by") or "").strip()
    require_unit(con, *key)
    if not by:
        raise BadInput("by must name the person who releases them; got an empty name")
    if isinstance(shift_s, bool) or not isinstance(shift_s, (int, float)) or not abs(shift_s) <= MOST_SHIFT_S:
        raise BadInput(f"shift must be in seconds, at most {MOST_SHIFT_S:,.0f} either way; got {shift_s!r}")
    found = held.doubt(Local(con), now)
    if found is not None:
        raise BadInput(f"the collector's own clock cannot be right: {found[1]}. Set it first; what is held because "
                       "of it is then taken in by itself")
    chosen = held.refused_for_time(con, key, *(
        datetime.fromisoformat(body[name]) if body.get(name) else None for name in ("since", "until"))
    ) if body.get("refused") else held.waiting(con, key)
    rows = chosen.rows
    if rows.empty:
        raise BadInput(f"of {'/'.join(key)} no reading " + (
            "that was refused for its time is kept" if body.get("refused") else "is held"))
    rows["at"] = rows["at"] + pd.Timedelta(seconds=shift_s)
    ahead, early = (int(many.sum()) for many in (rows["at"] > now + CLOCKS_DIFFER, rows["at"] < EARLIEST))
    since, until = (f"{at:%Y-%m-%d %H:%M UTC}" for at in (rows["at"].min(), rows["at"].max()))
    if ahead or early:
        raise BadInput(
            f"nothing was released: moved by {shift_s:+,.0f} s they would lie between {since} and {until}, {ahead} "
            f"of {len(rows)} ahead of now ({now:%Y-%m-%d %H:%M UTC}) and {early} before {EARLIEST:%Y}")
    valid, bad = split(rows, pd.Timestamp(now))
    bad = bad.assign(why=reasons(rows, bad)).drop_duplicates("row")
    refused = [held.refused_rows(rows.loc[of["row"]], str(why)) for why, of in bad.groupby("why")]

    def work() -> dict[str, Any]:
        held.strike(con, key, chosen)
        kept = keep(
            con, rows=valid, arrived=now, refused=pd.concat(refused, ignore_index=True) if refused else None)
        owe(con, kept.touched)
        con.execute(INSERT_SERVICE, {
            "id": str(uuid.uuid4()), "cabin": key[0], "unit": key[1], "at_": now, "kind": "note", "who": by,
            "value": None, "note": f"released {len(rows)} readings that were set aside for their time, moved by "
            f"{shift_s:+,.0f} s", "now": now})
        return {"kept": kept.rows, "filled": kept.filled, "already": kept.already, "refused": kept.refused,
                "lacking": chosen.lacking, "since": since, "until": until}

    told = transaction(con, work)
    evaluate(con, now)
    return told


def evaluate_now(con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Work out what is owed."""
    return {"units": [f"{cabin}/{unit}" for cabin, unit in evaluate(con, now)]}


def hold_for_backup(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Let the store's file be as it is, for somebody to copy it; `release-backup` ends that."""
    held = snapshot.hold(con, now)
    return {"id": held.id, "readings": held.readings, "file": str(path)}


def renew_backup(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Go on letting the file be as it is (`id`): the copy is still being made."""
    snapshot.renew(con, str(body["id"]), now)
    return {}


def release_backup(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Let the file change again (`id`; `bytes` of the copy, left out where nothing came of it)."""
    copied = body.get("bytes")
    snapshot.release(con, str(body["id"]), bytes_copied=None if copied is None else int(copied))
    return {}


ACTIONS: dict[str, Carry] = {
    "enroll": enroll,
    "enroll-check": check,
    "enroll-preview": preview,
    "registry-deed": deed,
    "counterpart-give-up": give_up,
    "rows": rows,
    "release": release_rows,
    "evaluate": evaluate_now,
    "record-service": record_service,
    "withdraw-service": withdraw_service,
    "correct-service": correct_service,
    "record-commissioning": record_commissioning,
    "advisory-record": record_step,
    "advisory-lift": lift,
    "advisory-raise": raise_by_hand,
    "advisory-seen": note_seen,
    "confirm": confirm,
    "stay-contact": keep_contact,
    "stay-forget": forget_contact,
    "sign-month": sign_month,
    "save-profile": save_profile,
    "hold-for-backup": hold_for_backup,
    "renew-backup": renew_backup,
    "release-backup": release_backup,
    ARCHIVE: archive_some,
    BRING_BACK: bring_back_next,
}
