"""The registry: `fleet.toml` in and out, and its tables in the store."""

from __future__ import annotations

import json
import re
import threading
import tomllib
import uuid
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, asdict, fields, replace
from datetime import UTC, date, datetime
from typing import Any, TypeVar

import duckdb
import pandas as pd

from ingest.db.engine import Asks, Local
from ingest.settings import BadInput
from models.advisory.events import StepPolicy
from models.advisory.laboratory import LaboratoryPolicy
from models.doors import Topic, Value
from models.dose.mixing import require_doses
from models.fleet import (
    Cabin,
    CalculatedDose,
    Contact,
    CrewPolicy,
    Fleet,
    JudgingPolicy,
    Reactor,
    ReportHours,
    Role,
    SensorCheckPolicy,
    Unit,
    ValidationPoint,
    require_one_line,
)
from models.fleet_history import BEGINNING, FleetHistory
from models.registers import Controller, Register
from models.succession import Deed, DeedKind, Names, contact_key, names_of, reused
from models.wording import one_line

TABLES = ("reactor", "cabin", "contact")
POLICY = "advisory"  # a table of its own: which steps an exposure asks for
JUDGING = "judging"  # and another: how far a reading may speak
CHECKS = "sensor_checks"  # and another: how often a sensor is checked against a reference
LABORATORY = "laboratory"  # and another: from which counts on a sample is unsafe
CREW = "crew"  # and another: on which days somebody drives to the cabins
REPORTS = "reports"  # and another: when people get what changes nothing that they do
OWN_TABLES = (POLICY, JUDGING, CHECKS, LABORATORY, CREW, REPORTS)
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

    def before(self, header: str, line: int) -> int:
        """How many tables of that header stand above a line."""
        return sum(bool(re.match(rf"\s*\[\[\s*{re.escape(header)}\s*\]\]", one)) for one in self._lines[: line - 1])

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
        return _fleet_of(text, source)
    except RecursionError:
        raise BadInput(
            f"{source}: tables or lists stand within one another too deep; nothing that can be enrolled needs more "
            "than four levels") from None


def _fleet_of(text: str, source: str) -> Fleet:
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{source}: {error}") from error
    lines = _Lines(text)
    _require_shape(document, source)
    for key in document:
        if key not in (*TABLES, *OWN_TABLES):
            raise BadInput(f"{source}: unknown table {key!r}; allowed: {', '.join((*TABLES, *OWN_TABLES))}")
    reactors = tuple(
        _make(Reactor, found, _where(source, "reactor"), lines, "reactor", number)
        for number, found in enumerate(document.get("reactor", []))
    )
    cabins, unit_number = [], 0
    for number, found in enumerate(document.get("cabin", [])):
        found = dict(found)
        units = []
        for one in found.pop("unit", []):
            units.append(_make(
                Unit, _drawdown(one), _where(source, f"unit of {found.get('slug', '?')}"), lines, "cabin.unit",
                unit_number))
            unit_number += 1
        cabins.append(_make(
            Cabin, {**found, "units": tuple(units)}, _where(source, "cabin"), lines, "cabin", number))
    contacts = tuple(
        _make(Contact, _contact(found), _where(source, "contact"), lines, "contact", number)
        for number, found in enumerate(document.get("contact", []))
    )
    try:
        return Fleet(
            reactors=reactors, cabins=tuple(cabins), contacts=contacts, policy=_policy(document, source, lines),
            own_judging=_own(document, JUDGING, JudgingPolicy, source, lines),
            sensor_checks=_own(document, CHECKS, SensorCheckPolicy, source, lines),
            own_laboratory=_own(document, LABORATORY, LaboratoryPolicy, source, lines),
            own_crew=_own(document, CREW, CrewPolicy, source, lines),
            own_reports=_own(document, REPORTS, ReportHours, source, lines))
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
    return _make(StepPolicy, values, _where(source, POLICY), lines, POLICY, 0)


def _own(document: Mapping[str, Any], name: str, kind: type[T], source: str, lines: _Lines) -> T | None:
    """A table that the fleet states as a whole; None: it does not, so the default holds."""
    if name not in document:
        return None
    found = _one_table(document, name, source)
    values = {key: tuple(value) if isinstance(value, list) else value for key, value in found.items()}
    return _make(kind, values, _where(source, name), lines, name, 0)


def _one_table(document: Mapping[str, Any], key: str, source: str) -> dict[str, Any]:
    found = document[key]
    if not isinstance(found, dict):
        raise BadInput(f"{source}: {key} must be written as one table [{key}]; got {found!r}")
    return found


def _where(source: str, what: str) -> Callable[[int], str]:
    """How a message begins that speaks of a line."""
    return lambda line: f"{source}:{line}: {what}"


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
    try:
        for one in (value,) if isinstance(value, str) else value if isinstance(value, tuple) else ():
            if isinstance(one, str):
                require_one_line(name, one)
    except ValueError as error:
        return str(error)
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
    kind: type[T], found: Mapping[str, Any], where: Callable[[int], str], lines: _Lines, header: str, number: int
) -> T:
    """A value of that kind; what is wrong with it is told with its line."""
    values = dict(found)
    known = {field.name: field for field in fields(kind)}  # type: ignore[arg-type]
    for key in values:
        if key not in known:
            raise BadInput(
                f"{where(lines.of(header, number, key))}: unknown key {key!r}; "
                f"allowed: {', '.join(sorted(known))}"
            )
    for name, field in known.items():
        if name not in values and field.default is MISSING and field.default_factory is MISSING:
            raise BadInput(f"{where(lines.of(header, number))}: {name} is missing")
    for name, value in values.items():
        problem = _kind_problem(name, str(known[name].type), value)
        if problem:
            raise BadInput(f"{where(lines.of(header, number, name))}: {problem}")
    for name, nested in _NESTED.get(kind, {}).items():
        if name in values:
            values[name] = nested(values[name], where, lines, header, number)
    try:
        made = kind(**values)
        if isinstance(made, Reactor):
            require_doses(made)
        return made
    except (ValueError, TypeError) as error:
        key = next((name for name in known if name in str(error).split()[:3]), "")
        raise BadInput(f"{where(lines.of(header, number, key))}: {error}") from error


def _equation(
    found: Any, where: Callable[[int], str], lines: _Lines, header: str, number: int
) -> Any:
    """A reactor's equation; what is no table is refused by the reactor."""
    return _make(CalculatedDose, found, where, lines, header, number) if isinstance(found, dict) else found


def _tests(
    found: Any, where: Callable[[int], str], lines: _Lines, header: str, number: int
) -> tuple[ValidationPoint, ...]:
    """Further points of a reactor's test, each a table below it or all of them in one list."""
    own = lines.of(header, number, "tests")
    if not _is_tables(found):
        raise BadInput(
            f"{where(own)}: tests must be written as [[{header}.tests]], one for each point; got {found!r}")
    above = lines.before(f"{header}.tests", own)
    return tuple(
        _make(ValidationPoint, one, lambda line, n=index: f"{where(max(line, own))}: tests, point {n + 2}",  # type: ignore[misc]
              lines, f"{header}.tests", above + index)
        for index, one in enumerate(found))


def _topics(
    found: Any, where: Callable[[int], str], lines: _Lines, header: str, number: int
) -> tuple[Topic, ...]:
    """Further topics of a unit, each a table below it or all of them in one list."""
    own = lines.of(header, number, "topics")
    if not _is_tables(found):
        raise BadInput(
            f"{where(own)}: topics must be written as [[{header}.topics]], one for each topic; got {found!r}")
    above = lines.before(f"{header}.topics", own)
    out = []
    for index, one in enumerate(found):
        def told(line: int, name: object = one.get("topic", "?")) -> str:
            return f"{where(max(line, own))}: topic {name!r}"

        if not _is_tables(one.get("values", [])):
            raise BadInput(
                f"{told(own)}: values must be a list like [{{ path = \"/flow\", column = \"flow_l_min\", "
                f"unit = \"l/min\" }}]; got {one['values']!r}")
        values = tuple(
            _make(Value, each, lambda line, n=place, t=told: f"{t(line)}, value {n + 1}", lines,  # type: ignore[misc]
                  f"{header}.topics", above + index) for place, each in enumerate(one.get("values", [])))
        out.append(_make(Topic, {**one, "values": values}, told, lines, f"{header}.topics", above + index))
    return tuple(out)


def _controller(
    found: Any, where: Callable[[int], str], lines: _Lines, header: str, number: int
) -> Controller:
    """A unit's controller, a table below it."""
    own = lines.of(header, number, "controller")
    if not isinstance(found, dict) or not _is_tables(found.get("registers", [])):
        raise BadInput(
            f"{where(own)}: controller must be a table [{header}.controller] with registers, a list like "
            f"[{{ address = 12, column = \"flow_l_min\", unit = \"l/min\" }}]; got {found!r}")
    registers = tuple(
        _make(Register, {name: tuple(value) if isinstance(value, list) else value for name, value in one.items()},
              lambda _, n=place: f"{where(own)}: controller, register {n + 1}", lines, header, number)  # type: ignore[misc]
        for place, one in enumerate(found.get("registers", [])))
    return _make(Controller, {**found, "registers": registers}, lambda _: f"{where(own)}: controller", lines,
                 header, number)


# What of a value is made of tables within its own.
_NESTED: dict[type, dict[str, Callable[[Any, Callable[[int], str], _Lines, str, int], Any]]] = {
    Reactor: {"equation": _equation, "tests": _tests}, Unit: {"topics": _topics, "controller": _controller}}


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
    if fleet.sensor_checks is not None:
        checks = asdict(fleet.sensor_checks)
        out += [f"[{CHECKS}]", *(f"{key} = {_toml(value)}" for key, value in checks.items()), ""]
    if fleet.own_laboratory is not None:
        limits = asdict(fleet.own_laboratory)
        out += [f"[{LABORATORY}]", *(f"{key} = {_toml(value)}" for key, value in limits.items()), ""]
    if fleet.own_crew is not None:
        out += [f"[{CREW}]", *(f"{key} = {_toml(value)}" for key, value in asdict(fleet.own_crew).items()), ""]
    if fleet.own_reports is not None:
        hours = asdict(fleet.own_reports)
        out += [f"[{REPORTS}]", *(f"{key} = {_toml(value)}" for key, value in hours.items()), ""]
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
    if isinstance(value, (CalculatedDose, ValidationPoint, Topic, Value, Controller, Register)):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in _told(value).items()) + " }"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


# Store ------------------------------------------------------------------------------------------


def to_json(
    value: Reactor | Unit | Contact | StepPolicy | JudgingPolicy | SensorCheckPolicy | LaboratoryPolicy | CrewPolicy
    | ReportHours
) -> str:
    """A registry value as JSON."""
    return json.dumps(asdict(value), default=str)


def save_fleet(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, *, valid_from: datetime, defaults: bool = False
) -> dict[str, list[str]]:
    """Write the registry; cabins, units, reactors and contacts that are not in `fleet` stay enrolled.

    The caller holds the transaction.

    Parameters
    ----------
    valid_from : datetime
        From when on changed values hold. What was not enrolled before holds from the beginning.
    defaults : bool
        Whether the fleet's own rules that `fleet` does not state go back to their defaults.

    Returns
    -------
    dict
        `new`, `changed`, `same`: names of reactors, cabins and units ("cabin/unit"). `changed` are also those that
        are as they were and now hold from earlier on. `default`: sections that go, or with `defaults` would go,
        back to their defaults.

    Raises
    ------
    BadInput
        If a name is one that something else had before, or has.
    """
    was = load_history(Local(con))
    if problems := reused(load_names(Local(con)), fleet, was.present):
        raise BadInput("; ".join(problems))
    number = int(con.execute("SELECT number FROM registry_revision").fetchone()[0]) + 1  # type: ignore[index]
    changes = _Changes(was, valid_from, number)
    for reactor in fleet.reactors:
        changes.reactor(reactor)
    for cabin in fleet.cabins:
        changes.cabin(cabin)
        for unit in cabin.units:
            changes.unit((cabin.slug, unit.slug), unit)
    for contact in fleet.contacts:
        changes.contact(contact)
    changes.policy("advisory steps", POLICY, was.present.policy, fleet.policy)
    if fleet.own_judging is not None:
        changes.judging(fleet.own_judging)
    changes.policy(CHECKS, CHECKS, was.present.sensor_checks, fleet.sensor_checks)
    changes.policy(LABORATORY, LABORATORY, was.present.own_laboratory, fleet.own_laboratory)
    changes.policy(CREW, CREW, was.present.own_crew, fleet.own_crew)
    changes.policy(REPORTS, REPORTS, was.present.own_reports, fleet.own_reports)
    gone = changes.back_to_default(fleet, really=defaults)
    con.execute("DELETE FROM contact WHERE list_contains($keys::VARCHAR[], key)", {"keys": changes.other_keys})
    con.execute("DELETE FROM step_policy WHERE list_contains($names::VARCHAR[], name)", {"names": gone})
    for table, found in changes.rows.items():
        _replace(con, table, pd.DataFrame(found))
    if changes.rows or gone:
        new_revision(con)
    return changes.told


class _Changes:
    """What a fleet changes of the registry: rows to write by table, and the names that are new, changed or same."""

    def __init__(self, was: FleetHistory, valid_from: datetime, revision: int) -> None:
        self._was, self._valid_from, self._revision = was, valid_from, revision
        self._people = {one.key: one for one in was.present.contacts}
        self._taken: set[str] = set()  # keys of contacts of this fleet
        self.other_keys: list[str] = []  # of contacts that have another one now
        self.told: dict[str, list[str]] = {"new": [], "changed": [], "same": [], "default": []}
        self.rows: dict[str, list[dict[str, Any]]] = {}

    def reactor(self, reactor: Reactor) -> None:
        """A kind of reactor, and a version of it where it holds from another instant than before."""
        known = self._was.present.has_reactor(reactor.name)
        holds = known and self._was.reactor_holds_from(reactor, self._valid_from)
        if holds and self._was.present.reactor(reactor.name) == reactor:
            self.told["same"].append(reactor.name)
            return
        profile = to_json(reactor)
        self._note(reactor.name, "reactor", {"name": reactor.name, "profile": profile},
                   "changed" if known else "new")
        if not holds:
            self._version("reactor_version", self._since(known), profile, name=reactor.name)

    def cabin(self, cabin: Cabin) -> None:
        """A cabin by itself; its units are rows of their own."""
        present = self._was.present
        before = replace(present.cabin(cabin.slug), units=()) if present.has_cabin(cabin.slug) else None
        self._note(cabin.slug, "cabin", {"slug": cabin.slug} | {column: getattr(cabin, column) for column in (
            "name", "time_zone", "latitude", "longitude", "altitude_m", "trip", "calendar", "septic_l_day",
            "well_l_min", "vulnerable", "supply_line", "language")},
            _state(before, replace(cabin, units=())))

    def unit(self, key: tuple[str, str], unit: Unit) -> None:
        """A unit, and a version of it where it holds from another instant than before."""
        known = self._was.present.has_unit(*key)
        holds = known and self._was.holds_from(key, unit, self._valid_from)
        if holds and self._was.present.unit(*key) == unit:
            self.told["same"].append("/".join(key))
            return
        profile = to_json(unit)
        self._note("/".join(key), "unit",
                   {"cabin": key[0], "slug": key[1], "reactor": unit.reactor, "profile": profile},
                   "changed" if known else "new")
        if not holds:
            self._version("unit_version", self._since(known), profile, cabin=key[0], unit=key[1])

    def contact(self, contact: Contact) -> None:
        """A person to tell; they have no versions."""
        before = self._people.get(contact.key) or next(
            (one for one in self._people.values() if (one.name, one.role) == (contact.name, contact.role)
             and one.key not in self._taken), None)
        key = contact.key or (before.key if before else contact_key(
            contact.name, str(contact.role), {*self._people, *self._taken}))
        if key in self._taken:
            raise BadInput(
                f"contact {contact.name!r} with the role {contact.role} stands twice; give each a key of its own")
        self._taken.add(key)
        if before is not None and before.key != key:
            self.other_keys.append(before.key)
        kept = replace(contact, key=key)
        self._note(f"contact {contact.name}", "contact",
                   {"key": key, "name": kept.name, "role": str(kept.role), "profile": to_json(kept)},
                   _state(before, kept))

    def policy(
        self, name: str, key: str, before: object,
        policy: StepPolicy | SensorCheckPolicy | LaboratoryPolicy | CrewPolicy | ReportHours | None,
    ) -> None:
        """A table of the fleet's own rules, where the file has it."""
        if policy is not None:
            self._note(name, "step_policy", {"name": key, "profile": to_json(policy)}, _state(before, policy))

    def back_to_default(self, fleet: Fleet, *, really: bool) -> list[str]:
        """The fleet's own rules that are enrolled and that the file does not state; those that go."""
        present = self._was.present
        for key, before, now in (
                (POLICY, present.policy, fleet.policy), (JUDGING, present.own_judging, fleet.own_judging),
                (CHECKS, present.sensor_checks, fleet.sensor_checks),
                (LABORATORY, present.own_laboratory, fleet.own_laboratory),
                (CREW, present.own_crew, fleet.own_crew),
                (REPORTS, present.own_reports, fleet.own_reports)):
            if before is not None and now is None:
                self.told["default"].append(key)
        if not really:
            return []
        default = JudgingPolicy()
        if JUDGING in self.told["default"] and not self._was.judging_holds_from(default, self._valid_from):
            self._version("judging_version", self._valid_from, to_json(default))
        return self.told["default"]

    def judging(self, policy: JudgingPolicy) -> None:
        """How far a reading may speak, and from when on: past readings are judged by it too."""
        present, profile = self._was.present, to_json(policy)
        own = present.own_judging
        holds = own is not None and self._was.judging_holds_from(policy, self._valid_from)
        self._note(JUDGING, "step_policy", {"name": JUDGING, "profile": profile},
                   "same" if holds else "new" if own is None else "changed")
        if own is None and present.cabins and not self._was.judging:  # until now the default held
            self._version("judging_version", BEGINNING, to_json(JudgingPolicy()))
        if not holds:
            self._version("judging_version", self._since(bool(present.cabins)), profile)

    def _since(self, known: bool) -> datetime:
        """From when on a value holds: what was not enrolled before, from the beginning."""
        return self._valid_from if known else BEGINNING

    def _note(self, name: str, table: str, row: dict[str, Any], state: str) -> None:
        self.told[state].append(name)
        if state != "same":
            self.rows.setdefault(table, []).append(row)

    def _version(self, table: str, since: datetime, profile: str, **key: str) -> None:
        self.rows.setdefault(table, []).append(
            {**key, "valid_from": since.astimezone(UTC), "revision": self._revision, "profile": profile})


def _state(before: object, now: object) -> str:
    """`new`, `changed` or `same`; `before` is None where nothing was enrolled."""
    if before is None:
        return "new"
    return "same" if before == now else "changed"


_KEYS: Mapping[str, tuple[str, ...]] = {  # of what holds one row each; a version is appended
    "reactor": ("name",), "cabin": ("slug",), "unit": ("cabin", "slug"), "contact": ("key",),
    "step_policy": ("name",)}


def _replace(con: duckdb.DuckDBPyConnection, table: str, found: pd.DataFrame) -> None:
    """Put rows in place of those with the same key, all at once; names are from our own lists."""
    con.register("enrolling", found)
    if table in _KEYS:
        same = " AND ".join(f"{table}.{column} = e.{column}" for column in _KEYS[table])
        con.execute(f"DELETE FROM {table} USING enrolling AS e WHERE {same}")  # noqa: S608
    con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM enrolling")  # noqa: S608
    con.unregister("enrolling")


def new_revision(con: duckdb.DuckDBPyConnection) -> None:
    """Say that the registry has changed, so that nobody goes by what they kept of it."""
    con.execute("UPDATE registry_revision SET number = number + 1, id = $id", {"id": uuid.uuid4().hex})


class _Kept:
    """What was read of the registry, by its revision; an `id` is of one content, in whichever store it lies."""

    def __init__(self, most: int = 8) -> None:
        self._most = most
        self._found: OrderedDict[tuple[str, str], Any] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, store: Asks, what: str, read: Callable[[Asks], T]) -> T:
        """As kept; else read, between two looks at the revision, since others may edit between two questions."""
        before = _revision(store)
        while True:
            with self._lock:
                if (what, before) in self._found:
                    self._found.move_to_end((what, before))
                    kept: T = self._found[what, before]
                    return kept
            value = read(store)
            after = _revision(store)
            if after == before:
                break
            before = after
        with self._lock:
            self._found[what, before] = value
            while len(self._found) > self._most:
                self._found.popitem(last=False)
        return value


_KEPT = _Kept()


def _revision(store: Asks) -> str:
    return str(store.ask("SELECT id FROM registry_revision")["id"].iloc[0])


def load_fleet(store: Asks) -> Fleet:
    """Everything enrolled in the store, in the order of names; kept in memory until the registry changes."""
    return _KEPT.get(store, "fleet", _read_fleet)


def load_history(store: Asks) -> FleetHistory:
    """What was enrolled when; kept in memory until the registry changes."""
    return _KEPT.get(store, "history", lambda asked: _read_history(asked, load_fleet(asked)))


def load_whole_fleet(store: Asks) -> Fleet:
    """The same with what is retired, for the record of the past."""
    return _KEPT.get(store, "whole fleet", lambda asked: _read_fleet(asked, whole=True))


def load_whole_history(store: Asks) -> FleetHistory:
    """What was enrolled when, with what is retired."""
    return _KEPT.get(store, "whole history", lambda asked: _read_history(asked, load_whole_fleet(asked)))


def load_names(store: Asks) -> Names:
    """What former names stand for, and what is retired; kept in memory until the registry changes."""
    return _KEPT.get(store, "names", _read_names)


def _read_names(store: Asks) -> Names:
    return names_of(
        Deed(kind=DeedKind(kind), at=at.to_pydatetime(), who=who, was=(cabin, unit), reason=reason,
             now=None if now_cabin is None or now_cabin != now_cabin else (now_cabin, now_unit))
        for kind, at, who, cabin, unit, now_cabin, now_unit, reason in _rows(store.ask("""
            SELECT kind, "at", who, was_cabin, was_unit, now_cabin, now_unit, reason FROM registry_deed
            WHERE was_cabin <> '' ORDER BY revision, rowid""")))


def _read_history(store: Asks, fleet: Fleet) -> FleetHistory:
    units: dict[tuple[str, str], list[tuple[datetime, Unit]]] = {}
    for cabin, unit, since, profile in _rows(store.ask("""
        SELECT cabin, unit, valid_from, profile FROM unit_version
        QUALIFY count(*) OVER (PARTITION BY cabin, unit) > 1 ORDER BY revision, valid_from
    """)):  # most were never edited
        units.setdefault((cabin, unit), []).append((since.to_pydatetime(), _unit(json.loads(profile))))
    reactors: dict[str, list[tuple[datetime, Reactor]]] = {}
    for name, since, profile in _rows(store.ask("""
        SELECT name, valid_from, profile FROM reactor_version
        QUALIFY count(*) OVER (PARTITION BY name) > 1 ORDER BY revision, valid_from
    """)):
        reactors.setdefault(name, []).append((since.to_pydatetime(), _reactor(json.loads(profile))))
    judging = [
        (since.to_pydatetime(), JudgingPolicy(**json.loads(profile))) for since, profile in _rows(
            store.ask("SELECT valid_from, profile FROM judging_version ORDER BY revision, valid_from"))]
    return FleetHistory.of(fleet, units=units, reactors=reactors, judging=judging)


def _read_fleet(store: Asks, *, whole: bool = False) -> Fleet:
    reactors = tuple(
        _reactor(json.loads(one)) for one in store.ask("SELECT profile FROM reactor ORDER BY name")["profile"]
    )
    units: dict[str, list[Unit]] = {}
    gone = store.ask("SELECT cabin, unit, profile FROM retired ORDER BY cabin, unit") if whole else pd.DataFrame()
    for cabin, profile in _rows(store.ask("SELECT cabin, profile FROM unit ORDER BY cabin, slug")):
        units.setdefault(cabin, []).append(_unit(json.loads(profile)))
    for cabin, unit, profile in _rows(gone):
        if unit:
            units.setdefault(cabin, []).append(_unit(json.loads(profile)))
    places: list[dict[str, Any]] = [
        {str(key): None if value != value else value for key, value in row.items()}  # NaN: not known
        for row in store.ask("SELECT * FROM cabin ORDER BY slug").to_dict("records")
    ]
    for row in places:  # of before a name had to be one line
        row["name"], row["trip"] = one_line(row["name"]), one_line(row["trip"])
    places += [json.loads(profile) for _, unit, profile in _rows(gone) if not unit]
    cabins = tuple(
        Cabin(**row, units=tuple(sorted(units.get(row["slug"], ()), key=lambda one: one.slug)))
        for row in sorted(places, key=lambda row: str(row["slug"])))
    contacts = tuple(
        Contact(**_contact({name: one_line(value) if isinstance(value, str) else value
                            for name, value in (json.loads(one) | {"key": key}).items()}))
        for key, one in _rows(store.ask("SELECT key, profile FROM contact ORDER BY name, role, key"))
    )
    own = {name: json.loads(one) for name, one in _rows(store.ask("SELECT name, profile FROM step_policy"))}
    return Fleet(
        reactors=reactors, cabins=cabins, contacts=contacts,
        policy=StepPolicy(**own[POLICY]) if POLICY in own else None,
        own_judging=JudgingPolicy(**own[JUDGING]) if JUDGING in own else None,
        sensor_checks=SensorCheckPolicy(**own[CHECKS]) if CHECKS in own else None,
        own_laboratory=LaboratoryPolicy(**own[LABORATORY]) if LABORATORY in own else None,
        own_crew=CrewPolicy(**own[CREW]) if CREW in own else None,
        own_reports=ReportHours(**own[REPORTS]) if REPORTS in own else None)


def _rows(found: pd.DataFrame) -> Iterable[tuple[Any, ...]]:
    return found.itertuples(index=False, name=None)


def _reactor(found: dict[str, Any]) -> Reactor:
    if found.get("equation"):
        found["equation"] = CalculatedDose(**found["equation"])
    found["tests"] = tuple(ValidationPoint(**one) for one in found.get("tests", ()))
    return Reactor(**found)


def _unit(found: dict[str, Any]) -> Unit:
    for name in ("lamp_installed", "uvt_tested"):
        if found.get(name):
            found[name] = date.fromisoformat(found[name])
    found["topics"] = tuple(
        Topic(**{**one, "values": tuple(Value(**each) for each in one["values"])})
        for one in found.get("topics") or ())
    if found.get("controller"):
        registers = tuple(Register(**each) for each in found["controller"]["registers"])
        found["controller"] = Controller(**{**found["controller"], "registers": registers})
    return Unit(**found)
