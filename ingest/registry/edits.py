"""Edits of the registry, and what one would change in the past before it is made.

An edit holds from now, or from an earlier instant that a person names (`since`): then what was judged after that
instant is judged anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd

from ingest import queries
from ingest.db.engine import Local, transaction, trial
from ingest.db.frames import frame
from ingest.evaluation import faults
from ingest.evaluation.evaluate import derive, evaluate
from ingest.evaluation.watch import exposure_now, watch
from ingest.record.advisory_log import latest_of
from ingest.registry.tables import load_fleet, load_history, read_fleet, save_fleet
from ingest.settings import BadInput, instant_of
from models.advisory.events import State
from models.fleet import Fleet
from models.fleet_history import FleetHistory

Con = duckdb.DuckDBPyConnection
Key = tuple[str, str]

VERDICT, ADVISORY, FAULT = "verdict now", "advisory", "fault"


def enroll(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Write a registry (`text` of a fleet.toml, `source` its name, `since` where it holds from before now).

    `defaults`: the fleet's own rules that the text does not state go back to their defaults.
    """
    fleet, since = _given(body, now)
    was = load_fleet(Local(con))

    def work() -> tuple[dict[str, list[str]], list[Key]]:
        told, touched = _save(con, fleet, since, body)
        if since < now:
            _owe(con, touched, since)
        return told, touched

    told, touched = transaction(con, work)
    if touched and since < now:
        evaluate(con, now)
    present = load_fleet(Local(con))
    again = _weighed_otherwise(was, present)
    # what is asked of an open advisory may be another, and what was watched be one
    if told["changed"] or told["default"] or again:
        watch(con, present, now, again)
    return told


def check(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """What an edit (as of `enroll`) would change in the registry, and which units that touches; nothing is kept.

    Returns
    -------
    dict
        `new`, `changed`, `same`, `default` as of `enroll`; `units`: "cabin/unit" of those enrolled before that it
        touches.
    """
    fleet, since = _given(body, now)
    evaluate(con, now)  # what is owed anyway is no difference that this edit makes
    with trial(con):
        told, touched = _save(con, fleet, since, body)
    return {**told, "units": ["/".join(key) for key in touched]}


def preview(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """What an edit (as of `enroll`) would change for some of the units that it touches; nothing is kept.

    Parameters
    ----------
    body : dict
        As of `enroll`, and `units`: a list of "cabin/unit".

    Returns
    -------
    dict
        `differences`: one dict each with `unit` ("cabin/unit"), `what` ("verdict now", a month like "2026-10",
        "advisory" or "fault"), `past` (whether that changes what was judged before now), `before` and `after`.
    """
    fleet, since = _given(body, now)
    keys = [_key(name) for name in body["units"]]
    before = _standings(con, keys, since, now)
    with trial(con):
        _save(con, fleet, since, body)
        failed: dict[Key, str] = {}
        if since < now:  # else nothing that was judged is judged anew
            _owe(con, keys, since)
            done = set(derive(con, load_fleet(Local(con)), now))
            errors = faults.faults(Local(con), [faults.EVALUATION])
            failed = {key: errors[key][1] if key in errors else "not known why" for key in keys if key not in done}
        after = _standings(con, keys, since, now)
    out = []
    for key, one, other in zip(keys, before, after, strict=True):
        for what in sorted({*one, *other}, key=lambda what: (what != VERDICT, what)):
            if one.get(what) != other.get(what):
                past = since < now and what != VERDICT  # else it is of the water that flows now
                out.append(_difference(key, what, one.get(what), other.get(what), past=past))
        if key in failed:
            out.append(_difference(key, FAULT, None, failed[key], past=True))
    return {"differences": out}


def _difference(key: Key, what: str, before: Any, after: Any, *, past: bool) -> dict[str, Any]:
    return {"unit": "/".join(key), "what": what, "past": past, "before": before, "after": after}


def _standings(con: Con, keys: list[Key], since: datetime, now: datetime) -> list[dict[str, Any]]:
    """What can be read of each of these units: its verdict now, its months from `since` on, and its advisory."""
    store = Local(con)
    fleet = load_fleet(store)
    verdicts = {
        (one.cabin.slug, one.unit.slug): str(one.verdict.verdict)
        for one in queries.status(store, now, units=set(keys))}
    found = []
    for key in keys:
        out: dict[str, Any] = {VERDICT: verdicts[key], ADVISORY: _advisory(con, fleet, key, now)}
        if since < now:
            for month, first, following in _months(con, key, since, fleet.cabin(key[0]).zone):
                told = queries.in_specification(store, *key, month, first, following, now)
                out[month] = {name: round(one, 6) if isinstance(one, float) else one for name, one in told.items()}
        found.append(out)
    return found


def _advisory(con: Con, fleet: Fleet, key: Key, now: datetime) -> dict[str, Any] | None:
    """The unit's open advisory with its litres, or the one that would be raised now (its `id` is None)."""
    kept = latest_of(Local(con), [key]).get(key)
    event = exposure_now(con, key, fleet, kept, now)
    if kept is not None and kept.advisory.state is State.LIFTED:
        kept = None
    exposure = event.exposure if event is not None else kept.advisory.exposure if kept is not None else None
    if exposure is None:
        return None
    return {
        "id": kept.id if kept is not None else None, "cause": str(exposure.cause),
        "underdosed_l": exposure.underdosed_l, "underdosed_l_upper": exposure.underdosed_l_upper}


def _months(
    con: Con, key: Key, since: datetime, zone: ZoneInfo
) -> Iterator[tuple[str, datetime, datetime]]:
    """The months in which there is anything from `since` on, in the cabin's own time zone."""
    span = frame(con.execute(
        'SELECT min(hour) AS first, max(hour) AS last FROM hourly WHERE cabin = $cabin AND unit = $unit '
        "AND hour >= $since", {"cabin": key[0], "unit": key[1], "since": since - timedelta(hours=1)})).iloc[0]
    if pd.isna(span["first"]):
        return
    at = span["first"].to_pydatetime().astimezone(zone)
    first = datetime(at.year, at.month, 1, tzinfo=zone)
    while first <= span["last"].to_pydatetime():
        following = (first + timedelta(days=32)).replace(day=1)
        yield f"{first:%Y-%m}", first, following
        first = following


def _given(body: dict[str, Any], now: datetime) -> tuple[Fleet, datetime]:
    """The fleet of an edit, and from when on it holds."""
    fleet = read_fleet(body["text"], body.get("source", "fleet.toml"))
    text = body.get("since")
    if text is None:
        return fleet, now
    since = instant_of("since", text)
    if since > now:
        raise BadInput(f"since must not lie in the future (now {now.isoformat()}); got {text!r}")
    return fleet, since


def _key(name: Any) -> Key:
    cabin, _, unit = str(name).partition("/")
    return cabin, unit


def _save(
    con: Con, fleet: Fleet, since: datetime, body: dict[str, Any]
) -> tuple[dict[str, list[str]], list[Key]]:
    """Write it within the caller's transaction; what was changed, and the units that it touches."""
    was = load_history(Local(con))
    told = save_fleet(con, fleet, valid_from=since, defaults=bool(body.get("defaults")))
    return told, _touched(was, load_history(Local(con)))


def _touched(was: FleetHistory, now: FleetHistory) -> list[Key]:
    """Units enrolled before of which any judgement may be another now: theirs, their kind's, or the fleet's."""
    before, after = was.present, now.present
    for_all = was.judging_versions() != now.judging_versions()
    kinds = {
        one.name for one in after.reactors if before.has_reactor(one.name)
        and (before.reactor(one.name) != one or was.reactors.get(one.name) != now.reactors.get(one.name))}
    return [
        (cabin.slug, unit.slug) for cabin in after.cabins for unit in cabin.units
        if before.has_unit(cabin.slug, unit.slug) and (
            for_all or unit.reactor in kinds or before.unit(cabin.slug, unit.slug) != unit
            or was.units.get((cabin.slug, unit.slug)) != now.units.get((cabin.slug, unit.slug)))]


def _weighed_otherwise(before: Fleet, after: Fleet) -> list[Key]:
    """Units enrolled before whose under-dosed water asks for another answer now, by who drinks or by the policy."""
    return [
        (cabin.slug, unit.slug) for cabin in after.cabins for unit in cabin.units
        if before.has_unit(cabin.slug, unit.slug) and (
            before.policy != after.policy or before.cabin(cabin.slug).vulnerable != cabin.vulnerable)]


def _owe(con: Con, keys: list[Key], since: datetime) -> None:
    """Note that these are to be worked out again from then on."""
    con.register("edited", pd.DataFrame(keys, columns=["cabin", "unit"], dtype=object))
    con.execute("INSERT INTO pending SELECT cabin, unit, $since, $since FROM edited", {"since": since})
    con.unregister("edited")
