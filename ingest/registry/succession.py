"""Cabins and units that are retired, renamed or moved, by a named person: what goes along, and what is refused.

Each deed is one transaction. A rename takes the whole record along: every table that names the cabin or the unit,
and the files of archived months. What is retired is enrolled no more, so that nothing judges or tells of it; its
record stays under its name.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.db import archive
from ingest.db.archive_files import Archived
from ingest.db.engine import Asks, Local, named, quoted, transaction
from ingest.evaluation.evaluate import evaluate, owe_all
from ingest.evaluation.watch import watch
from ingest.record.advisory_log import latest_of
from ingest.registry.tables import load_fleet, load_names, load_whole_fleet, new_revision, to_json
from ingest.settings import ArchiveUnavailable, BadInput
from models.advisory.events import State
from models.fleet import SLUG, Cabin, Fleet, polled
from models.succession import DeedKind, Key, name_of

Con = duckdb.DuckDBPyConnection

SPOKEN = {DeedKind.RETIRED: "retire", DeedKind.TAKEN_BACK: "take back", DeedKind.RENAMED: "rename",
          DeedKind.MOVED: "move", DeedKind.FREED: "free the name of"}
OWN = ("cabin", "unit", "retired", "registry_deed", "archived_reading")  # tables that are seen to by name

_TABLES = """
    SELECT c.table_name, bool_or(c.column_name = 'unit') AS has_unit FROM duckdb_columns() AS c
    JOIN duckdb_tables() AS t USING (table_name) WHERE NOT c.internal AND NOT t.internal
    GROUP BY ALL HAVING bool_or(c.column_name = 'cabin') ORDER BY ALL
"""
_DEED = """
    INSERT INTO registry_deed SELECT number + 1, $now, $who, $kind, $was_cabin, $was_unit, $now_cabin, $now_unit,
    $reason FROM registry_revision
"""


@dataclass(slots=True)
class _Plan:
    """What a deed comes to: names before and after, what it says, and what it does in its transaction."""

    kind: DeedKind
    pairs: list[tuple[Key, Key | None]]  # the cabin itself first where it is one
    lines: list[str]
    work: Callable[[], None]
    after: Callable[[], None] = field(default=lambda: None)  # of the evaluation, once it is done


def deed(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Retire, take back, rename, move, or free a former name (`kind`; `cabin`, `unit`, `by`, `reason`).

    Parameters
    ----------
    body : dict
        `to_cabin` and `to_unit` of a rename or a move; `contact` (a key) in place of a cabin to retire; `look`:
        say what it comes to, and change nothing.

    Returns
    -------
    dict
        `lines`: what it comes to, as people read it.
    """
    kind, who = DeedKind(str(body["kind"])), str(body.get("by") or "").strip()
    if not who:
        raise BadInput("by must name the person who does it; got an empty name")
    if body.get("contact"):
        return _retire_contact(con, body, who, now)
    evaluate(con, now)  # what is owed may yet raise an advisory
    plan = _PLANS[kind](con, body, now)
    if body.get("look"):
        return {"lines": plan.lines}

    def work() -> None:
        plan.work()
        for was, became in plan.pairs:
            _note(con, kind, was, became, who, str(body.get("reason") or "").strip(), now)
        new_revision(con)

    transaction(con, work)
    plan.after()
    return {"lines": plan.lines}


def history(store: Asks) -> list[dict[str, Any]]:
    """Every deed in its order: `at, who, kind, was, now, reason`; of a contact its key.

    Who said that a cabin's other collector is no more is among them.
    """
    found = store.ask("SELECT * FROM registry_deed ORDER BY revision, rowid")
    given_up = store.ask('SELECT * FROM counterpart_given_up ORDER BY "at"')
    deeds = [
        {"at": one.at.to_pydatetime(), "who": one.who, "kind": one.kind,
         "was": name_of((one.was_cabin, one.was_unit)) if one.was_cabin else f"contact {one.was_unit}",
         "now": None if one.now_cabin is None or one.now_cabin != one.now_cabin else name_of(
             (one.now_cabin, one.now_unit)), "reason": one.reason} for one in named(found)]
    ended = [
        {"at": one.at.to_pydatetime(), "who": one.who, "kind": "given-up", "was": f"other collector of {one.cabin}",
         "now": None, "reason": "; ".join(filter(None, (one.reason, one.told)))} for one in named(given_up)]
    return deeds if not ended else sorted(deeds + ended, key=lambda one: one["at"])


def _note(con: Con, kind: DeedKind, was: Key, became: Key | None, who: str, reason: str, now: datetime) -> None:
    con.execute(_DEED, {
        "now": now, "who": who, "kind": str(kind), "was_cabin": was[0], "was_unit": was[1],
        "now_cabin": became[0] if became else None, "now_unit": became[1] if became else None, "reason": reason})


def _retire_contact(con: Con, body: dict[str, Any], who: str, now: datetime) -> dict[str, Any]:
    key = str(body["contact"])
    known = {one.key: one for one in load_fleet(Local(con)).contacts}
    if key not in known:
        raise BadInput(f"no contact has the key {key!r}; enrolled are: {', '.join(sorted(known)) or 'none'}")
    lines = [f"{known[key].name} ({known[key].role}) is told nothing any more; what was told stays on record"]
    if not body.get("look"):
        def work() -> None:
            con.execute("DELETE FROM contact WHERE key = $key", {"key": key})
            _note(con, DeedKind.RETIRED, ("", key), None, who, str(body.get("reason") or "").strip(), now)
            new_revision(con)

        transaction(con, work)
    return {"lines": lines}


# Retiring ------------------------------------------------------------------------------------------------------


def _retire(con: Con, body: dict[str, Any], now: datetime) -> _Plan:
    fleet, key = load_fleet(Local(con)), _asked(body)
    cabin = _cabin(fleet, key)
    units = [(cabin.slug, one.slug) for one in cabin.units if key[1] in ("", one.slug)]
    if key[1] and not units:
        raise BadInput(_no_unit(fleet, key))
    _refuse_open(con, units, SPOKEN[DeedKind.RETIRED], key)
    lines = [f"{name_of(one)}: {_record_words(con, one)}" for one in units]
    lines.append("nothing is judged or told of it any more, and what its loggers send is refused; its record and "
                 "its months stay to be read")

    def work() -> None:
        for one in units:
            con.execute("INSERT INTO retired SELECT cabin, slug, profile FROM unit WHERE cabin = $c AND slug = $u",
                        {"c": one[0], "u": one[1]})
            con.execute("DELETE FROM unit WHERE cabin = $c AND slug = $u", {"c": one[0], "u": one[1]})
            for table in ("to_watch", "unit_fault", "battery_outlook"):
                con.execute(f"DELETE FROM {table} WHERE cabin = $c AND unit = $u", {  # noqa: S608  (names of ours)
                    "c": one[0], "u": one[1]})
        if not key[1]:
            profile = json.dumps({name: one for name, one in asdict(cabin).items() if name != "units"})
            con.execute("INSERT INTO retired VALUES ($c, '', $profile)", {"c": cabin.slug, "profile": profile})
            con.execute("DELETE FROM cabin WHERE slug = $c", {"c": cabin.slug})
            for table in ("booking", "booking_feed", "stay_contact"):  # they hold guests' names
                con.execute(f"DELETE FROM {table} WHERE cabin = $c", {"c": cabin.slug})  # noqa: S608

    pairs: list[tuple[Key, Key | None]] = [(one, None) for one in ([] if key[1] else [key]) + units]
    return _Plan(DeedKind.RETIRED, pairs, lines, work)


def _take_back(con: Con, body: dict[str, Any], now: datetime) -> _Plan:
    names, key, fleet = load_names(Local(con)), _asked(body), load_fleet(Local(con))
    if key not in names.retired:
        known = ", ".join(sorted(name_of(one) for one in names.retired)) or "nothing"
        raise BadInput(f"{name_of(key)} is not retired; retired is: {known}")
    if key[1] and not fleet.has_cabin(key[0]):
        raise BadInput(f"the cabin of {name_of(key)} is retired: take that back (--back --cabin {key[0]})")
    whole = load_whole_fleet(Local(con)).cabin(key[0])
    units = [(key[0], one.slug) for one in whole.units if not fleet.has_unit(key[0], one.slug)
             and key[1] in ("", one.slug)]
    lines = [f"{', '.join(name_of(one) for one in units or [key])}: enrolled again as it was; since it was last "
             "heard nobody knows what it did"]

    def work() -> None:
        if not key[1]:
            place = asdict(whole) | {"units": None}
            columns = [name for name in place if name != "units"]
            con.execute(
                f"INSERT INTO cabin ({', '.join(columns)}) VALUES ({', '.join(f'${name}' for name in columns)})",  # noqa: S608
                {name: place[name] for name in columns})
            con.execute("DELETE FROM retired WHERE cabin = $c AND unit = ''", {"c": key[0]})
        for one in units:
            unit = whole.units[[each.slug for each in whole.units].index(one[1])]
            con.execute("INSERT INTO unit VALUES ($c, $u, $reactor, $profile)", {
                "c": one[0], "u": one[1], "reactor": unit.reactor, "profile": to_json(unit)})
            con.execute("DELETE FROM retired WHERE cabin = $c AND unit = $u", {"c": one[0], "u": one[1]})

    pairs: list[tuple[Key, Key | None]] = [(one, None) for one in ([] if key[1] else [key]) + units]
    return _Plan(DeedKind.TAKEN_BACK, pairs, lines, work, lambda: _weigh(con, units, now))


# Another name --------------------------------------------------------------------------------------------------


def _rename(con: Con, body: dict[str, Any], now: datetime) -> _Plan:
    fleet, key = load_fleet(Local(con)), _asked(body)
    cabin = _cabin(fleet, key)
    if key[1] and not fleet.has_unit(*key):
        raise BadInput(_no_unit(fleet, key))
    new = _slug("to", body.get("to_unit") if key[1] else body.get("to_cabin"))
    became = (cabin.slug, new) if key[1] else (new, "")
    _require_free(con, key, became)
    whole = load_whole_fleet(Local(con)).cabin(cabin.slug)
    units = [key] if key[1] else [(cabin.slug, one.slug) for one in whole.units]
    pairs: list[tuple[Key, Key | None]] = [(one, (became[0], became[1] or one[1])) for one in units]
    lines = [f"{name_of(was)} becomes {name_of(now_) if now_ else ''}: {_record_words(con, was)}"
             for was, now_ in pairs]
    lines += _open_goes_along(con, units)
    lines += _logger_words(fleet, units)
    copies = _archived_copies(con, pairs, now, look=bool(body.get("look")))
    if not key[1]:
        pairs = [(key, became), *pairs]
        named = [one.name for one in fleet.contacts if cabin.slug in one.cabins]
        lines += [f"the cabins of {', '.join(named)} name it by its new name"] if named else []

    def work() -> None:
        archive.put_in_place(con, copies, now)
        if key[1]:
            _carry_unit(con, key, became)
        else:
            _carry_cabin(con, key[0], became[0])

    return _Plan(DeedKind.RENAMED, pairs, lines, work)


def _move(con: Con, body: dict[str, Any], now: datetime) -> _Plan:
    fleet, key = load_fleet(Local(con)), _asked(body)
    if not fleet.has_unit(*key):
        raise BadInput(_no_unit(fleet, key))
    there = _cabin(fleet, (_slug("to-cabin", body.get("to_cabin")), ""))
    if there.slug == key[0]:
        raise BadInput(f"{name_of(key)} is at {there.slug} already; `tarnlight rename` gives it another slug")
    became = (there.slug, _slug("to", body.get("to_unit") or key[1]))
    _require_free(con, key, became)
    _refuse_open(con, [key], SPOKEN[DeedKind.MOVED], key)
    signed = con.execute("SELECT count(DISTINCT (cabin, month)) FROM month_signed WHERE cabin IN ($a, $b)", {
        "a": key[0], "b": there.slug}).fetchone()
    lines = [f"{name_of(key)} becomes {name_of(became)}: {_record_words(con, key)}",
             f"the water on its record was drunk at {key[0]}, and its months are then found under {there.slug}: "
             "where the unit itself is carried to another cabin, retire it here and enrol it there instead"]
    if signed and signed[0]:
        lines.append(f"{signed[0]} signed months of {key[0]} and {there.slug} will show as changed since")
    lines += _logger_words(fleet, [key])
    copies = _archived_copies(con, [(key, became)], now, look=bool(body.get("look")))
    other_clock = fleet.cabin(key[0]).time_zone != there.time_zone

    def work() -> None:
        archive.put_in_place(con, copies, now)
        _carry_unit(con, key, became)
        if other_clock:  # its hours begin elsewhere
            owe_all(con, [became])

    return _Plan(DeedKind.MOVED, [(key, became)], lines, work, lambda: _weigh(con, [became], now))


def _free(con: Con, body: dict[str, Any], now: datetime) -> _Plan:
    names, key = load_names(Local(con)), _asked(body)
    if key not in names.former:
        known = ", ".join(sorted(name_of(one) for one in names.former)) or "none"
        raise BadInput(f"{name_of(key)} is no former name; those there are: {known}")
    became = names.former[key]
    lines = [f"{name_of(key)} no longer stands for {name_of(became)}: what comes under it is refused, until "
             "something new is enrolled by that name"]
    return _Plan(DeedKind.FREED, [(key, None)], lines, lambda: None)


_PLANS: dict[DeedKind, Callable[[Con, dict[str, Any], datetime], _Plan]] = {
    DeedKind.RETIRED: _retire, DeedKind.TAKEN_BACK: _take_back, DeedKind.RENAMED: _rename, DeedKind.MOVED: _move,
    DeedKind.FREED: _free}


def _carry_unit(con: Con, was: Key, became: Key) -> None:
    """Every row that names the unit names it by its new name; the caller holds the transaction."""
    given = {"c": was[0], "u": was[1], "nc": became[0], "nu": became[1]}
    for table, has_unit in _tables(con):
        if has_unit:
            con.execute(
                f"UPDATE {quoted(table)} SET cabin = $nc, unit = $nu WHERE cabin = $c AND unit = $u", given)  # noqa: S608
    slug = json.dumps({"slug": became[1]})
    con.execute("UPDATE unit SET cabin = $nc, slug = $nu, profile = json_merge_patch(profile, $slug) "
                "WHERE cabin = $c AND slug = $u", {**given, "slug": slug})
    con.execute("UPDATE unit_version SET profile = json_merge_patch(profile, $slug) "
                "WHERE cabin = $nc AND unit = $nu", {
                    "nc": became[0], "nu": became[1], "slug": slug})
    _carry_events(con, f"{was[0]}/{was[1]}:", f"{became[0]}/{became[1]}:")


def _carry_cabin(con: Con, was: str, became: str) -> None:
    given = {"c": was, "nc": became}
    for table, _ in _tables(con):
        con.execute(f"UPDATE {quoted(table)} SET cabin = $nc WHERE cabin = $c", given)  # noqa: S608
    con.execute("UPDATE cabin SET slug = $nc WHERE slug = $c", given)
    con.execute("UPDATE unit SET cabin = $nc WHERE cabin = $c", given)
    con.execute("UPDATE retired SET cabin = $nc WHERE cabin = $c", given)
    _carry_events(con, f"{was}/", f"{became}/")
    for key, profile in con.execute("SELECT key, profile FROM contact").fetchall():
        found = json.loads(profile)
        if was in found["cabins"]:
            found["cabins"] = [became if one == was else one for one in found["cabins"]]
            con.execute("UPDATE contact SET profile = $profile WHERE key = $key", {
                "profile": json.dumps(found), "key": key})


def _carry_events(con: Con, was: str, became: str) -> None:
    """Marks of silences and the like begin with the unit's name; what was told under one is not told again."""
    con.execute("UPDATE notification SET event = $became || substr(event, len($was) + 1) "
                "WHERE starts_with(event, $was)", {"was": was, "became": became})


def _tables(con: Con) -> list[tuple[str, bool]]:
    """Tables that name cabins, and whether they name units too: by the catalogue, so that none is forgotten."""
    return [(name, bool(has_unit)) for name, has_unit in con.execute(_TABLES).fetchall() if name not in OWN]


def _archived_copies(
    con: Con, pairs: Iterable[tuple[Key, Key | None]], now: datetime, *, look: bool
) -> list[tuple[Archived, Archived]]:
    """Files of archived months under the new names, on disk before anything else changes; none only to look."""
    became = dict(pairs)
    out: list[tuple[Archived, Archived]] = []
    try:
        for one in archive.listed(con):
            found = became.get((one.cabin, one.unit))
            if found is None:
                continue
            archive.require_whole(con, one)
            if not look:
                out.append((one, archive.copy_for(con, one, found, now)))
    except duckdb.FatalException:
        raise
    except (ArchiveUnavailable, OSError, duckdb.Error) as error:
        raise BadInput(f"nothing was done: {str(error).splitlines()[0]}") from error
    return out


# What is said and refused --------------------------------------------------------------------------------------


def _asked(body: dict[str, Any]) -> Key:
    return str(body.get("cabin") or ""), str(body.get("unit") or "")


def _slug(name: str, value: object) -> str:
    if not isinstance(value, str) or not SLUG.fullmatch(value):
        raise BadInput(
            f"--{name} must be 1 to 63 of a-z, 0-9 and '-', and start with a letter or digit; got {value!r}")
    return value


def _cabin(fleet: Fleet, key: Key) -> Cabin:
    if not fleet.has_cabin(key[0]):
        raise BadInput(f"no cabin {key[0]!r} is enrolled; enrolled are: "
                       f"{', '.join(one.slug for one in fleet.cabins) or 'none'}")
    return fleet.cabin(key[0])


def _no_unit(fleet: Fleet, key: Key) -> str:
    known = [f"{one.slug}/{unit.slug}" for one in fleet.cabins for unit in one.units]
    return f"no unit {key[1]!r} of cabin {key[0]!r} is enrolled; enrolled are: {', '.join(known) or 'none'}"


def _require_free(con: Con, key: Key, became: Key) -> None:
    """Refuse a name that something else has, or had."""
    fleet, names = load_whole_fleet(Local(con)), load_names(Local(con))
    taken = fleet.has_unit(*became) if became[1] else fleet.has_cabin(became[0])
    if became == key or (taken and names.trouble(became) == ""):
        raise BadInput(f"{name_of(became)} is enrolled: a name stands for one thing only")
    if names.former.get(became) != key and (why := names.trouble(became)):
        raise BadInput(why)
    if not became[1]:
        for (cabin, unit), other in names.former.items():
            if unit and cabin == became[0] and other[0] != key[0]:
                raise BadInput(names.trouble((cabin, unit)))


def _refuse_open(con: Con, units: list[Key], verb: str, key: Key) -> None:
    """Refuse while an advisory stands: only a named person lifts one, and nothing else may make it go away."""
    kept = latest_of(Local(con), units)
    standing = [one for one in kept.values() if one.advisory.state is not State.LIFTED]
    if standing:
        told = "; ".join(f"{one.id} at {one.cabin}/{one.unit}" for one in standing)
        raise BadInput(
            f"cannot {verb} {name_of(key)} while an advisory stands ({told}): a named person has to lift it first, "
            f"with a reason where its steps are undone (tarnlight advisory lift {standing[0].id} --by NAME)")


def _open_goes_along(con: Con, units: list[Key]) -> list[str]:
    return [f"its open advisory {one.id} goes along, and stands as before"
            for one in latest_of(Local(con), units).values() if one.advisory.state is not State.LIFTED]


def _logger_words(fleet: Fleet, units: list[Key]) -> list[str]:
    asked = polled(fleet)
    return [
        f"what is polled of tarnlight/{name_of(one)} is published under its new name within a minute, and the "
        "broker drops that until its files are written anew: run `tarnlight broker` and reload it at once"
        if one in asked else
        f"what its logger sends under tarnlight/{name_of(one)} is taken in as before, until it is told the new "
        "name (`tarnlight broker` makes the new user)" for one in units]


def _record_words(con: Con, key: Key) -> str:
    """How much is on record of a unit."""
    given = {"c": key[0], "u": key[1]}
    found = con.execute("""
        SELECT (SELECT count(*) FROM reading WHERE cabin = $c AND unit = $u)
            + coalesce((SELECT sum(rows) FROM archived_reading WHERE cabin = $c AND unit = $u), 0)::BIGINT,
        (SELECT count(*) FROM archived_reading WHERE cabin = $c AND unit = $u),
        (SELECT count(*) FROM advisory WHERE cabin = $c AND unit = $u),
        (SELECT count(*) FROM service_event WHERE cabin = $c AND unit = $u),
        (SELECT max("at") FROM present WHERE cabin = $c AND unit = $u)""", given).fetchone()
    readings, files, advisories, services, last = found or (0, 0, 0, 0, None)
    heard = "never heard" if last is None else f"last heard {last.astimezone(UTC):%Y-%m-%d %H:%M UTC}"
    return (f"{readings:,} readings ({files} archived months), {advisories} advisories, {services} records of "
            f"service, {heard}")


def _weigh(con: Con, units: list[Key], now: datetime) -> None:
    evaluate(con, now)
    watch(con, load_fleet(Local(con)), now, units)
