"""`doctor`: what is wrong with this set-up; each finding with what to do about it."""

from __future__ import annotations

import argparse
import os
import platform
import shlex
import shutil
import sys
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from dashboard.commands._opening import demo_marker, settings_any
from dashboard.commands._words import command, print_json
from ingest import queries
from ingest.bookings import kept as bookings
from ingest.counterpart.words import counterpart_verdicts
from ingest.db import archive, archive_files, flood, held, quarantine
from ingest.db.engine import named
from ingest.db.migrations import MIGRATIONS
from ingest.evaluation import faults
from ingest.notification import channels
from ingest.private_files import wider
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput, CollectorHangs, Settings, StoreUnavailable
from ingest.store import Access, StoreHeld, client, open_store
from ingest.wire import aside, sessions
from ingest.wire.broker_look import Answer, ask_collector, log_in, reach
from ingest.wire.mqtt_client import ECHO_ASKED
from models.advisory.call_order import without_anybody_told
from models.counterpart import HOLDS_FOR, CounterpartVerdict
from models.dose.tested_range import words_of_the_test
from models.enrolment import has_health_authority, in_words, not_enrolled, unseen, unwatched_valves
from models.fleet import Fleet
from models.own_clock import lasting


def add(commands: Any) -> None:
    """Add the command."""
    command(commands, "doctor", do_doctor, json_option=True,
            private=True, example="tarnlight doctor")


def do_doctor(options: argparse.Namespace) -> int:
    """What is wrong, and what to do; exit 1 if anything is."""
    settings = settings_any(options)
    found = [*_of_machine(settings), *_of_store(settings)]
    if not any(one.check == "collector's broker" for one in found):  # else the collector knows better than we
        found += _of_broker(settings)
    if options.json:
        print_json([{"check": one.check, "ok": one.ok, "found": one.found, "units": one.units} for one in found])
    else:
        for one in found:
            print(f"{'note ' if one.units else 'ok   ' if one.ok else 'WRONG'} {one.check}: {one.found}")
    return 0 if all(one.ok for one in found) else 1


BACKUP_DAYS = 8  # a copy a week, and a day of grace; common practice, no source


class Finding(NamedTuple):
    """One thing looked at. Of `units` something is not known: no fault of the set-up, but it costs certainty."""

    check: str
    ok: bool
    found: str
    units: tuple[str, ...] = ()


def _of_machine(settings: Settings) -> list[Finding]:
    out: list[Finding] = [Finding("python", sys.version_info >= (3, 11), platform.python_version())]
    names = ("duckdb", "duckdb-extensions", "duckdb-extension-quack", "duckdb-extension-httpfs")
    versions = {name: version(name) for name in names}
    one = len(set(versions.values())) == 1
    out.append(Finding("duckdb", one, versions["duckdb"] if one else
                f"versions differ, reinstall: {', '.join(f'{k} {v}' for k, v in versions.items())}"))
    folder = settings.store.parent
    while not folder.exists():
        folder = folder.parent
    writable = os.access(folder, os.W_OK)
    out.append(Finding(
        "data folder", writable, str(folder) if writable else f"{folder} cannot be written by this user"))
    free = shutil.disk_usage(folder).free / 2**30
    room = "" if free > 1 else "; the store needs room to grow"
    out.append(Finding("disk", free > 1, f"{free:.1f} GiB free{room}"))
    return out


def _of_broker(settings: Settings) -> list[Finding]:
    answer = log_in(settings)
    out = [Finding("broker", answer.ok, answer.words)]
    if settings.broker_password_file and Path(settings.broker_password_file).exists():
        wide = Path(settings.broker_password_file).stat().st_mode & 0o077
        out.append(Finding("password file", not wide, "only its owner can read it" if not wide else
                    f"others can read it: chmod 600 {settings.broker_password_file}"))
    if settings.channels_file:
        wrong = channels.trouble(settings)
        out.append(Finding("channels file", not wrong, wrong or "only its owner can read it"))
    return out


def _of_backups(store: Access) -> Finding:
    """When the store was last copied."""
    made = store.ask('SELECT max("at") AS made FROM backup_made WHERE bytes IS NOT NULL')["made"].iloc[0]
    if pd.isna(made):
        return Finding("backup", True, "none was made yet: `tarnlight backup FOLDER --keep-days 60`, once a day")
    days = (store.now() - made.to_pydatetime()) / timedelta(days=1)
    late = "" if days < BACKUP_DAYS else f"; that is over {BACKUP_DAYS}: `tarnlight backup FOLDER --keep-days 60`"
    return Finding("backup", not late, f"the last was made {days:.0f} days ago{late}")


def _of_store(settings: Settings) -> list[Finding]:
    try:
        store: Access = client(settings)
    except CollectorHangs as error:
        return [Finding("collector", False, str(error)), _not_logged_in(settings)]
    except StoreUnavailable as error:
        out: list[Finding] = [Finding("collector", False, str(error))]
        if not settings.store.exists():
            missing = f"{settings.store} does not exist yet; tarnlight enroll makes it"
            return [*out, Finding("store", False, missing)]
        try:
            store = open_store(settings)
        except StoreHeld as problem:
            return [*out, Finding("store", False, str(problem)), _not_logged_in(settings)]
        except (StoreUnavailable, ValueError) as problem:
            return [*out, Finding("store", False, str(problem))]
    else:
        out = _of_collector(settings, store)
    out += _of_files(settings)
    out.append(_of_backups(store))
    out += _of_archive(settings, store)
    number = int(store.ask("SELECT max(version) AS v FROM schema_version")["v"].iloc[0])
    out.append(Finding("store", number == len(MIGRATIONS), f"{settings.store}, version {number}"))
    out += [*_of_fleet(settings, store), *_of_aside(settings)]
    if number == len(MIGRATIONS):
        out += _of_counterparts(store)
    return out


def _of_counterparts(store: Access) -> list[Finding]:
    """Since when the other collector of a cabin that has two has said nothing."""
    last: dict[str, CounterpartVerdict] = {}
    fleet, now, strangers = load_fleet(store), store.now(), []
    for (cabin, unit), one in sorted(counterpart_verdicts(store).items()):
        last[cabin] = max(one, last.get(cabin, one), key=lambda said: said.at)
        if not fleet.has_unit(cabin, unit):
            strangers.append(Finding(
                "two collectors", False, f"{cabin}: {one.place.collector} says {one.verdict} of a unit that it "
                f"calls {unit!r}, which is not enrolled here: give it one name at both (tarnlight rename)"))
    return [
        Finding("two collectors", now - one.at <= HOLDS_FOR,
                f"{cabin}: {one.place.collector} told its verdicts {lasting((now - one.at).total_seconds())} ago"
                + ("" if now - one.at <= HOLDS_FOR else "; where it is no more, a named person says so: tarnlight "
                   f"retire --other-collector --cabin {cabin} --by NAME --reason WHY"))
        for cabin, one in sorted(last.items())] + strangers


def _of_archive(settings: Settings, store: Access) -> list[Finding]:
    """Which readings lie in files beside the store, and whether all of these can be had."""
    version = int(store.ask("SELECT max(version) AS v FROM schema_version")["v"].iloc[0])
    if version < len(MIGRATIONS):
        return []  # a collector of before there was one
    some = archive.as_listed(store.ask(archive.EVERYTHING))
    kept = f"whole months stay in the store for {settings.keep_months}" if settings.keep_months else (
        "all readings stay in the store (keep_months is not set)")
    if not some:
        return [Finding("archive", True, kept)]
    lacking = [(one, why) for one in some if (why := archive_files.trouble(settings.archive, one, anew=True))]
    out = [
        Finding("archive", False, f"{one.words} cannot be had, so nothing is known of them anew: {why}; "
                f"{archive_files.HOW}") for one, why in lacking]
    return out or [Finding("archive", True, f"{archive.in_words(some)} in {settings.archive}, all whole; {kept}")]


def _not_logged_in(settings: Settings) -> Finding:
    """What can be said of the broker without taking over the connection of a collector that may hold the store."""
    found = reach(settings)
    return Finding("collector's broker", found.ok, f"{found.words}; not logged in, since the store is held")


def _of_files(settings: Settings) -> list[Finding]:
    """Whether others than their owner can read or write the store and its copies: it holds names and numbers."""
    return [
        Finding("private files", False, f"{path} may be read or changed by others (mode {mode:o}): "
         f"chmod {'700' if path.is_dir() else '600'} {shlex.quote(str(path))}")
        for path, mode in wider(settings.store)
    ] or [Finding("private files", True, "only their owner can read the store and its copies")]


def _of_collector(settings: Settings, store: Access) -> list[Finding]:
    row = queries.collector(store)
    if row is None:
        return [Finding("collector", False, "it answers but never said how it does; restart it")]
    age_s = queries.sign_of_life_s(store)
    alive = age_s is not None and age_s < queries.BEAT_WITHIN_S
    age = "at a time not known by this clock" if age_s is None else f"{age_s:.0f} s ago"
    broken, full = faults.in_words(store), queries.held_back(row)
    return [
        Finding("collector", alive, f"process {row['pid']}, last sign of life {age}, "
                f"{row['messages']} messages, {row['rows_kept']} rows, {row['refused']} refused"),
        Finding("collector's broker", *_of_connection(settings, store, row)),
        Finding("intake", not full, full or "messages are taken in as they come"),
        Finding("evaluation", not broken, broken or "every unit can be worked out"),
    ]


def _of_connection(settings: Settings, store: Access, row: Mapping[str, Any]) -> Answer:
    """Whether the collector is connected, and hears itself."""
    if not row["connected"]:
        return Answer(False, str(row["trouble"]))
    its = replace(settings, broker=str(row["broker"]))
    try:
        return ask_collector(lambda text: store.act(ECHO_ASKED, {"text": text}), its)
    except (BadInput, StoreUnavailable) as error:  # one of before, or one that stopped just now
        return Answer(True, f"{row['broker']}; whether it hands back what the collector publishes: {error}")


def _of_fleet(settings: Settings, store: Access) -> list[Finding]:
    fleet = load_fleet(store)
    units = sum(len(one.units) for one in fleet.cabins)
    out: list[Finding] = [Finding("registry", units > 0, f"{len(fleet.cabins)} cabins, {units} units" if units else
                           "no cabin is enrolled: tarnlight enroll fleet.toml")]
    authority = has_health_authority(fleet)
    if units:
        out.append(Finding("health authority", authority, "enrolled" if authority else
                    "no contact with the role health-authority: owners would not know whom to call"))
    out += _of_clocks(store)
    out += _of_sessions(store)
    out += _of_enrolment(store, fleet)
    out += _of_messages(settings, store, fleet)
    out += _of_calendars(store, fleet)
    recent = store.ask(
        "SELECT coalesce(sum(times), 0)::BIGINT AS n FROM quarantine WHERE arrived_at > $since",
        {"since": store.now() - timedelta(days=1)})["n"].iloc[0]
    # a device may send what it likes: worth a look, and no fault of this set-up
    out.append(Finding("refused records", True, f"{recent} in the last day" + (
        "; see why on the dashboard's System page" if recent else "")))
    out.append(Finding("quarantine", True, quarantine.tally(store).in_words))
    out += [Finding("flood", True, words, (source,)) for source, words in flood.in_words(store).items()]
    return out


def _of_calendars(store: Access, fleet: Fleet) -> list[Finding]:
    """Whether it is known when the cabins are taken."""
    feeds = len(bookings.feeds_of(fleet))
    if not feeds:
        return []
    lacking = bookings.in_words(store, fleet, store.now())
    return [Finding("calendar", False, words) for words in lacking] or [
        Finding("calendars", True, f"the bookings of all {feeds} are known")]


def _of_clocks(store: Access) -> list[Finding]:
    """Whose clock cannot be right; a logger's is no fault of this set-up, but its cabin is not known."""
    now = store.now()
    told = " ".join(held.in_words(store, now))
    own = held.doubt(store, now) is not None
    units = [] if own else [f"{one.cabin}/{one.unit}" for one in named(held.per_unit(store))]
    return [
        Finding("clock", not own, told if own else "nothing speaks against the collector's own"),
        *([Finding("loggers' clocks", True, told, tuple(units))] if units else [])]


def _of_sessions(store: Access) -> list[Finding]:
    """Whether the broker kept what came while the collector was away."""
    told = sessions.lost_in_words(store, store.now())
    how = ("A broker set up by `tarnlight broker` keeps sessions through a restart; `tarnlight load` takes what "
           "loggers still hold.")
    return [Finding("kept while away", not told, " ".join([*told, how]) if told else
                    f"no broker has forgotten the collector in the last {sessions.SAID_FOR.days} days")]


def _of_enrolment(store: Access, fleet: Fleet) -> list[Finding]:
    """What is not enrolled and what that costs in certainty; what can pass between two readings unseen."""
    sent = queries.sent_of_late(store, store.now())
    lacking = [(f"not enrolled: {one.what}", one) for one in not_enrolled(fleet, sent)]
    between_two = [(one.what, one) for one in (*unseen(fleet, sent), *unwatched_valves(fleet, sent))]
    tests = [
        Finding("a reactor's test", True, words) for kind in fleet.reactors for words in words_of_the_test(kind)]
    return tests + [
        Finding(check, True, f"{in_words(one.units)}; {one.cost}", tuple("/".join(key) for key in one.units))
        for check, one in (*lacking, *between_two)]


def _of_aside(settings: Settings) -> list[Finding]:
    """What was too much to take; no fault of this set-up either."""
    try:
        return [Finding("messages too large", True, aside.tally(settings.aside).in_words(settings.aside))]
    except OSError as error:
        return [Finding("messages too large", False, f"{settings.aside} cannot be read: {error.strerror}")]
def _of_messages(settings: Settings, store: Access, fleet: Fleet) -> list[Finding]:
    """Whether anybody would be told, and what could not be delivered."""
    if not fleet.cabins:
        return []
    lacking = without_anybody_told(fleet)
    named = f"{', '.join(lacking[:5])}{' and more' if len(lacking) > 5 else ''}"
    found = f"no manager or owner with a channel hears of {named}" if lacking else (
        "every cabin has a manager or owner with a channel")
    invented = bool(lacking) and demo_marker(settings).exists()  # nobody is to be told of cabins that are not there
    out = [Finding("people to tell", invented or not lacking, "the demo tells nobody" if invented else found)]
    late = queries.overdue_notifications(store, store.now())
    out += [
        Finding("messages", False, f"{row.messages} to {row.contact} over {row.channel} not delivered since "
         f"{row.since:%Y-%m-%d %H:%M UTC}, {row.failures} tries: {row.error}") for row in late.itertuples()]
    return out if len(late) else [*out, Finding("messages", True, "none is overdue")]
