"""The registry: `fleet.toml` in and out, and its tables in the store."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, asdict, fields
from datetime import date
from typing import Any, TypeVar

import duckdb
import pandas as pd

from ingest.engine import Asks, transaction
from ingest.settings import BadInput
from models.advisory_events import StepPolicy
from models.fleet import Cabin, CalculatedDose, Contact, Fleet, JudgingPolicy, Reactor, Role, Unit

TABLES = ("reactor", "cabin", "contact")
POLICY = "advisory"  # a table of its own: which steps an exposure asks for
JUDGING = "judging"  # and another: how far a reading may speak
T = TypeVar("T")


class _Lines:
    """Finds the line of a table or key in TOML text, for messages."""

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()

    def of(self, header: str, number: int, key: str = "") -> int:
        """Line of the `number`-th (from 0) `[[header]]`, or of `key` below it."""
        seen = -1
        for index, line in enumerate(self._lines, start=1):
            if re.match(rf"\s*\[\[?\s*{re.escape(header)}\s*\]\]?", line):
                seen += 1
                if seen == number:
                    return self._key(index, key)
        return 1

    def _key(self, start: int, key: str) -> int:
        for index, line in enumerate(self._lines[start:], start=start + 1):
            if re.match(r"\s*\[", line):
                break
            if key and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[=.]", line):
                return index
        return start


def read_fleet(text: str, source: str = "fleet.toml") -> Fleet:
    """Everything enrolled, from TOML; bad input is refused whole.

    Raises
    ------
    BadInput
        Names file, line, key, value and what is allowed.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{source}: {error}") from error
    lines = _Lines(text)
    _require_shape(document, source)
    for key in document:
        if key not in (*TABLES, POLICY, JUDGING):
            raise BadInput(
                f"{source}: unknown table {key!r}; allowed: {', '.join((*TABLES, POLICY, JUDGING))}")
    reactors = tuple(
        _make(Reactor, found, f"{source}:{{}}: reactor", lines, "reactor", number)
        for number, found in enumerate(document.get("reactor", []))
    )
    cabins, unit_number = [], 0
    for number, found in enumerate(document.get("cabin", [])):
        found = dict(found)
        units = []
        for one in found.pop("unit", []):
            units.append(_make(
                Unit, _drawdown(one), f"{source}:{{}}: unit of {found.get('slug', '?')}", lines, "cabin.unit",
                unit_number))
            unit_number += 1
        cabins.append(_make(
            Cabin, {**found, "units": tuple(units)}, f"{source}:{{}}: cabin", lines, "cabin", number))
    contacts = tuple(
        _make(Contact, _contact(found), f"{source}:{{}}: contact", lines, "contact", number)
        for number, found in enumerate(document.get("contact", []))
    )
    try:
        return Fleet(
            reactors=reactors, cabins=tuple(cabins), contacts=contacts, policy=_policy(document, source, lines),
            own_judging=_judging(document, source, lines))
    except ValueError as error:
        raise BadInput(f"{source}: {error}") from error


def _policy(document: Mapping[str, Any], source: str, lines: _Lines) -> StepPolicy | None:
    """The fleet's own steps of an advisory, where it has any."""
    if POLICY not in document:
        return None
    found = _one_table(document, POLICY, source)
    values = {key: tuple(value) if isinstance(value, list) else value for key, value in found.items()}
    for key in ("untreated", "under_treated"):
        if key in values and not isinstance(values[key], tuple):
            line = lines.of(POLICY, 0, key)
            raise BadInput(f"{source}:{line}: {POLICY}: {key} must be a list of steps; got {values[key]!r}")
    return _make(StepPolicy, values, f"{source}:{{}}: {POLICY}", lines, POLICY, 0)


def _judging(document: Mapping[str, Any], source: str, lines: _Lines) -> JudgingPolicy | None:
    """How far a reading may speak, where the fleet says so itself."""
    if JUDGING not in document:
        return None
    found = _one_table(document, JUDGING, source)
    return _make(JudgingPolicy, found, f"{source}:{{}}: {JUDGING}", lines, JUDGING, 0)


def _one_table(document: Mapping[str, Any], key: str, source: str) -> dict[str, Any]:
    found = document[key]
    if not isinstance(found, dict):
        raise BadInput(f"{source}: {key} must be written as one table [{key}]; got {found!r}")
    return found


def _require_shape(document: Mapping[str, Any], source: str) -> None:
    """Refuse a table written where a list of tables belongs."""
    for key in TABLES:
        if not _is_tables(document.get(key, [])):
            raise BadInput(f"{source}: {key} must be written as [[{key}]]; got {document[key]!r}")
    for cabin in document.get("cabin", []):
        if not _is_tables(cabin.get("unit", [])):
            raise BadInput(
                f"{source}: unit of cabin {cabin.get('slug', '?')!r} must be written as [[cabin.unit]]; "
                f"got {cabin['unit']!r}")


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(one, dict) for one in value)


def _kind_problem(name: str, kind: str, value: Any) -> str:
    """What is wrong with a text, a switch or a list of texts; the models check numbers themselves."""
    if kind == "str" and not isinstance(value, str):
        return f"{name} must be a text; got {value!r}"
    if kind == "bool" and not isinstance(value, bool):
        return f"{name} must be true or false; got {value!r}"
    if kind == "tuple[str, ...]" and not (
        isinstance(value, tuple) and all(isinstance(one, str) for one in value)
    ):
        return f"{name} must be a list of texts; got {value!r}"
    return ""


def _drawdown(found: Mapping[str, Any]) -> dict[str, Any]:
    """`drawdown_l = "gravity"` says that the supply never stops."""
    out = dict(found)
    if out.get("drawdown_l") == "gravity":
        out.pop("drawdown_l")
        out["gravity_fed"] = True
    return out


def _contact(found: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(found)
    for key in ("cabins", "channels"):
        if isinstance(out.get(key), list):
            out[key] = tuple(out[key])
    if "role" in out:
        try:
            out["role"] = Role(out["role"])
        except ValueError:
            raise BadInput(
                f"contact {out.get('name', '?')!r}: role must be one of {', '.join(Role)}; got {out['role']!r}"
            ) from None
    return out


def _make(
    kind: type[T], found: Mapping[str, Any], where: str, lines: _Lines, header: str, number: int
) -> T:
    """A value of that kind; what is wrong with it is told with its line."""
    values = dict(found)
    known = {field.name: field for field in fields(kind)}  # type: ignore[arg-type]
    for key in values:
        if key not in known:
            raise BadInput(
                f"{where.format(lines.of(header, number, key))}: unknown key {key!r}; "
                f"allowed: {', '.join(sorted(known))}"
            )
    for name, field in known.items():
        if name not in values and field.default is MISSING and field.default_factory is MISSING:
            raise BadInput(f"{where.format(lines.of(header, number))}: {name} is missing")
    for name, value in values.items():
        problem = _kind_problem(name, str(known[name].type), value)
        if problem:
            raise BadInput(f"{where.format(lines.of(header, number, name))}: {problem}")
    if kind is Reactor and isinstance(values.get("equation"), dict):
        values["equation"] = _make(CalculatedDose, values["equation"], where, lines, header, number)
    try:
        return kind(**values)
    except (ValueError, TypeError) as error:
        key = next((name for name in known if name in str(error).split()[:3]), "")
        raise BadInput(f"{where.format(lines.of(header, number, key))}: {error}") from error


def write_fleet(fleet: Fleet) -> str:
    """Everything enrolled, as TOML that `read_fleet` takes back."""
    out: list[str] = []
    for reactor in fleet.reactors:
        out += _table("reactor", _told(reactor))
    for cabin in fleet.cabins:
        found = _told(cabin)
        found.pop("units", None)
        out += _table("cabin", found)
        for unit in cabin.units:
            values = _told(unit)
            if values.pop("gravity_fed", False):
                values["drawdown_l"] = "gravity"
            out += _table("cabin.unit", values)
    for contact in fleet.contacts:
        out += _table("contact", _told(contact))
    if fleet.policy is not None:
        out += [f"[{POLICY}]", *(f"{key} = {_toml(value)}" for key, value in _told(fleet.policy).items()), ""]
    if fleet.own_judging is not None:
        own = asdict(fleet.own_judging)
        out += [f"[{JUDGING}]", *(f"{key} = {_toml(value)}" for key, value in own.items()), ""]
    return "\n".join(out) + "\n"


def _told(value: Any) -> dict[str, Any]:
    """The fields of a value that differ from their defaults."""
    return {
        field.name: getattr(value, field.name)
        for field in fields(value)
        if field.default is MISSING or getattr(value, field.name) != field.default
    }


def _table(header: str, values: Mapping[str, Any]) -> list[str]:
    return [f"[[{header}]]", *(f"{key} = {_toml(value)}" for key, value in values.items()), ""]


def _toml(value: Any) -> str:
    """A value as TOML: texts as JSON writes them are valid basic strings."""
    if isinstance(value, CalculatedDose):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in asdict(value).items()) + " }"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


# Store ------------------------------------------------------------------------------------------


def to_json(value: Reactor | Unit | Contact | StepPolicy | JudgingPolicy) -> str:
    """A registry value as JSON."""
    return json.dumps(asdict(value), default=str)


def save_fleet(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> dict[str, list[str]]:
    """Write the registry in one transaction; what is not in `fleet` stays enrolled.

    Returns
    -------
    dict
        `new`, `changed`, `same`: names of reactors, cabins and units ("cabin/unit").
    """
    told: dict[str, list[str]] = {"new": [], "changed": [], "same": []}

    def write() -> None:
        for reactor in fleet.reactors:
            _put(con, "reactor", {"name": reactor.name}, {"profile": to_json(reactor)}, reactor.name, told)
        for cabin in fleet.cabins:
            row = {field: getattr(cabin, field) for field in (
                "name", "time_zone", "latitude", "longitude", "altitude_m", "trip", "calendar")}
            _put(con, "cabin", {"slug": cabin.slug}, row, cabin.slug, told)
            for unit in cabin.units:
                _put(con, "unit", {"cabin": cabin.slug, "slug": unit.slug},
                     {"reactor": unit.reactor, "profile": to_json(unit)}, f"{cabin.slug}/{unit.slug}", told)
        for contact in fleet.contacts:
            _put(con, "contact", {"name": contact.name, "role": str(contact.role)},
                 {"profile": to_json(contact)}, f"contact {contact.name}", told)
        if fleet.policy is not None:
            _put(con, "step_policy", {"name": POLICY}, {"profile": to_json(fleet.policy)}, "advisory steps", told)
        if fleet.own_judging is not None:
            _put(con, "step_policy", {"name": JUDGING}, {"profile": to_json(fleet.own_judging)}, JUDGING, told)

    transaction(con, write)
    return told


def _put(
    con: duckdb.DuckDBPyConnection, table: str, key: Mapping[str, Any], row: Mapping[str, Any], name: str,
    told: dict[str, list[str]],
) -> None:
    """Insert or replace one row of a registry table, and note which it was."""
    where = " AND ".join(f"{column} = ${column}" for column in key)
    names = ", ".join(row)
    found = con.execute(f"SELECT {names} FROM {table} WHERE {where}", dict(key)).fetchone()  # noqa: S608
    if found is not None and all(map(_same, row, found, row.values())):
        told["same"].append(name)
        return
    told["new" if found is None else "changed"].append(name)
    con.execute(f"DELETE FROM {table} WHERE {where}", dict(key))  # noqa: S608  (names from our own lists)
    columns = [*key, *row]
    con.execute(
        f"INSERT INTO {table} ({', '.join(columns)}) "  # noqa: S608
        f"VALUES ({', '.join('$' + column for column in columns)})",
        {**key, **row},
    )


def _same(column: str, one: Any, other: Any) -> bool:
    """Whether two values of a registry column say the same: in a profile, 9000 and 9000.0 do."""
    return bool(json.loads(one) == json.loads(other) if column == "profile" else one == other)


def load_fleet(store: Asks) -> Fleet:
    """Everything enrolled in the store, in the order of names."""
    reactors = tuple(
        _reactor(json.loads(one)) for one in store.ask("SELECT profile FROM reactor ORDER BY name")["profile"]
    )
    units: dict[str, list[Unit]] = {}
    for cabin, profile in _rows(store.ask("SELECT cabin, profile FROM unit ORDER BY cabin, slug")):
        units.setdefault(cabin, []).append(_unit(json.loads(profile)))
    places: list[dict[str, Any]] = [
        {str(key): None if value != value else value for key, value in row.items()}  # NaN: altitude not known
        for row in store.ask("SELECT * FROM cabin ORDER BY slug").to_dict("records")
    ]
    cabins = tuple(Cabin(**row, units=tuple(units.get(row["slug"], ()))) for row in places)
    contacts = tuple(
        Contact(**_contact(json.loads(one)))
        for one in store.ask("SELECT profile FROM contact ORDER BY name, role")["profile"]
    )
    own = {name: json.loads(one) for name, one in _rows(store.ask("SELECT name, profile FROM step_policy"))}
    return Fleet(
        reactors=reactors, cabins=cabins, contacts=contacts,
        policy=StepPolicy(**own[POLICY]) if POLICY in own else None,
        own_judging=JudgingPolicy(**own[JUDGING]) if JUDGING in own else None)


def _rows(found: pd.DataFrame) -> Iterable[tuple[Any, ...]]:
    return found.itertuples(index=False, name=None)


def _reactor(found: dict[str, Any]) -> Reactor:
    if found.get("equation"):
        found["equation"] = CalculatedDose(**found["equation"])
    return Reactor(**found)


def _unit(found: dict[str, Any]) -> Unit:
    if found.get("lamp_installed"):
        found["lamp_installed"] = date.fromisoformat(found["lamp_installed"])
    return Unit(**found)
