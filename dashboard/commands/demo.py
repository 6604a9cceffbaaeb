"""`demo`: broker, simulated cabins, collector and dashboard, in one command; Ctrl-C stops all of it."""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import json
import os
import signal
import subprocess
import sys
import threading
import time
import tomllib
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from dashboard.commands._opening import demo_marker, demo_store
from dashboard.commands._words import command, settings_of
from dashboard.commands.feeding import require_speed
from dashboard.commands.load import progress_bar
from dashboard.commands.run import environment, port_is_free, show_command, stop_on_signals
from ingest import private_files
from ingest.collector import free_port
from ingest.evaluation.backfill import SeenTo, pay_all_days, take_in
from ingest.own_python import python_of
from ingest.registry.tables import load_fleet, read_fleet
from ingest.settings import BadInput, Settings
from ingest.store import Store
from simulated_feeds.run import WARM_DAYS, history_frames
from simulated_feeds.scenario import fleet_toml
from simulated_feeds.stays import booking_calendars

# Who saw to the advisories of the past, and the unit where that took long.
SEEN_TO = SeenTo(who="Maren Osk")
LATE_AT = ("long-jetty", "lodge")
LATE = SeenTo(
    who="Idris Vael", lifted_after=timedelta(days=9),
    reason="two clean samples a day apart; the laboratory's van came a week late")
Children = dict[str, subprocess.Popen[bytes]]
PR_SET_PDEATHSIG = 1  # of linux/prctl.h
PAGE_WITHIN_S = 60.0
STOP_WITHIN_S = 10.0
MOST_PAYLOAD = 16 * 2**20  # a logger's backlog of days comes as one message


def add(commands: Any) -> None:
    """Add the command."""
    demo = command(
        commands, "demo", do_demo, example="tarnlight demo --cabins 12 --days 30")
    demo.add_argument("--cabins", type=int, default=12, help="how many (default 12)")
    demo.add_argument("--days", type=int, default=30, help="of history first (default 30)")
    demo.add_argument("--speed", type=float, default=1.0, help="simulated seconds a second, once live (default 1)")
    demo.add_argument("--port", dest="show_port", type=int, help="port of the page (default 8501, or a free one)")
    demo.add_argument("--seed", type=int, default=1, help="same seed, same cabins' lives (default 1)")


def do_demo(options: argparse.Namespace) -> int:
    """Everything, until told to stop."""
    for name, least in (("cabins", 1), ("days", 0)):
        if not least <= getattr(options, name) <= 10_000:
            raise BadInput(f"--{name} must be {least} to 10000; got {getattr(options, name)}")
    live_from = datetime.now(UTC).replace(microsecond=0)
    text = fleet_toml(options.cabins, options.seed, now=live_from)
    require_speed(options.speed, read_fleet(text, "the demo's fleet.toml"))
    stop = stop_on_signals()
    if options.store is None and not os.environ.get("TARNLIGHT_STORE"):
        options.store = demo_store()
    _refuse_what_is_not_ours(settings_of(options))
    port = _page_port(options.show_port)
    broker_port = free_port()
    options.show_port = port
    options.broker = f"mqtt://127.0.0.1:{broker_port}"
    options.calendar_files = str(_beside(settings_of(options), "calendars"))
    settings = settings_of(options)
    text = _with_bookings(settings, text, options.seed, live_from)
    words = _commands(settings, text, options, live_from, broker_port)
    with _children(settings) as (children, start):
        start("page", words["page"])  # it takes some seconds to come up, which the past takes too
        _history(settings, text, options, stop, live_from)
        if stop.is_set():
            return 0
        start("broker", words["broker"])
        _wait_until_taken(broker_port)  # the feed asks once
        start("collector", words["collector"])
        start("feed", words["feed"])
        if not _wait_for_page(settings, port, children, stop):
            return 0 if stop.is_set() else 1
        print(f"tarnlight demo: the page is at http://127.0.0.1:{port}")
        print(f"  in another terminal: tarnlight status --store {settings.store}")
        print("  Ctrl-C stops everything.", flush=True)
        while not stop.wait(0.3):
            for name, child in children.items():
                if child.poll() is not None:
                    print(f"tarnlight demo: {name} ended with code {child.returncode}; stopping", file=sys.stderr)
                    return 1
        print("tarnlight demo: stopping", flush=True)
    print("tarnlight demo: stopped")
    return 0


def _page_port(wanted: int | None) -> int:
    """The port asked for; where it is taken, a free one, and word of it."""
    first = wanted or 8501
    if port_is_free("127.0.0.1", first):
        return first
    chosen = free_port()
    print(f"tarnlight demo: port {first} is taken, using {chosen}", flush=True)
    return chosen


def _beside(settings: Settings, what: str) -> Path:
    """A file or folder of the demo's, beside its store."""
    return settings.store.with_name(f"{settings.store.name}.{what}")


def _with_bookings(settings: Settings, text: str, seed: int, live_from: datetime) -> str:
    """Write a calendar of bookings per cabin, and name it in the fleet's text."""
    folder = _beside(settings, "calendars")
    private_files.make_folder(folder)
    first, last = ((live_from + timedelta(days=days)).date() for days in (-30, 120))
    for cabin, calendar in booking_calendars(tomllib.loads(text), seed, first, last).items():
        path = folder / f"{cabin}.ics"
        private_files.write(path, calendar.encode())
        named = f'[[cabin]]\nslug = "{cabin}"\n'
        text = text.replace(named, f"{named}calendar = {json.dumps(str(path))}\n")
    return text


def _refuse_what_is_not_ours(settings: Settings) -> None:
    """A store that is no demo's, or that of a demo that runs, is left alone."""
    if settings.store.exists() and not demo_marker(settings).exists():
        raise BadInput(f"{settings.store} holds a store that is no demo's: the demo never overwrites one")
    if settings.address_file.exists():
        with contextlib.suppress(OSError, ValueError, KeyError):
            os.kill(json.loads(settings.address_file.read_text())["pid"], 0)
            raise BadInput(
                f"a demo is running on {settings.store} already; stop it, or give this one another: --store PATH")


def _history(
    settings: Settings, text: str, options: argparse.Namespace, stop: threading.Event, live_from: datetime
) -> None:
    """A fresh store with the fleet and its past up to `live_from`, from which it goes on live."""
    private_files.make_folder(settings.store.parent)
    for path in (settings.store, settings.store.with_name(settings.store.name + ".wal"), settings.address_file,
                 settings.tally_file):
        path.unlink(missing_ok=True)
    demo_marker(settings).touch()
    store = Store(settings.store)
    try:
        if options.speed != 1:
            store.con.execute("INSERT INTO clock VALUES ($now, $now, $speed)", {
                "now": live_from, "speed": options.speed})
        with progress_bar() as bar:
            task = bar.add_task(f"{options.days} days of {options.cabins} cabins", total=options.cabins)
            for _ in write_past(store, text, days=options.days, seed=options.seed, live_from=live_from, apart=True):
                bar.update(task, advance=1)
                if stop.is_set():
                    return
    finally:
        store.close()


def write_past(
    store: Store, text: str, *, days: int, seed: int, live_from: datetime, apart: bool = False
) -> Iterator[tuple[str, str]]:
    """Enroll the demo's fleet and write its past, unit by unit; yields each unit that is done.

    Parameters
    ----------
    store : Store
        A fresh one.
    text : str
        The fleet.toml.
    live_from : datetime
        Until when; the live feed goes on from there.
    apart : bool
        Have another process simulate meanwhile.
    """
    store.act("enroll", {"text": text, "source": "the demo's fleet.toml"})
    frames = history_frames(
        tomllib.loads(text), start=live_from - timedelta(days=days), end=live_from, seed=seed, now=live_from,
        origin=_origin(days, live_from), apart=apart)
    for cabin, unit, found in frames:
        take_in(
            store, cabin, unit, readings=found.readings, links=found.links,
            service=found.service[found.service["recorded"]], now=live_from,
            seen_to=LATE if (cabin, unit) == LATE_AT else SEEN_TO)
        yield cabin, unit
    _corrected(store, min(days, 20), live_from)
    pay_all_days(store, live_from)


def _corrected(store: Store, days: int, live_from: datetime) -> None:
    """A record of service with the wrong day, and its correction by the same person."""
    cabin = load_fleet(store).cabins[0]
    day = live_from - timedelta(days=days)
    who = "Tolly Brandt"
    kept = store.act("record-service", {
        "kind": "filter-changed", "cabin": cabin.slug, "unit": cabin.units[0].slug, "at": day.isoformat(),
        "who": who, "value": None, "note": "5 micron"})
    store.act("correct-service", {
        "id": kept["id"], "by": who, "reason": "it was the day before",
        "at": (day - timedelta(days=1)).isoformat()})


def _origin(days: int, live_from: datetime) -> datetime:
    """Where the simulated lives begin: the same for the past and for the feed that goes on from it."""
    return live_from - timedelta(days=max(days, WARM_DAYS))


def _commands(
    settings: Settings, text: str, options: argparse.Namespace, live_from: datetime, broker_port: int
) -> dict[str, list[str]]:
    """What the processes of a demo are called with."""
    fleet = _beside(settings, "fleet.toml")
    private_files.make_folder(settings.store.parent)
    private_files.write(fleet, text.encode())
    base = python_of("dashboard.cli")
    return {
        "broker": [*python_of("dashboard.commands.demo_broker"), str(broker_port), str(MOST_PAYLOAD)],
        "collector": [*base, "collect"],
        "feed": [*base, "feed", "--fleet", str(fleet), "--start", live_from.isoformat(),
                 "--wall-start", live_from.isoformat(), "--origin", _origin(options.days, live_from).isoformat(),
                 "--speed", str(options.speed), "--seed", str(options.seed)],
        "page": show_command(settings),
    }


@contextlib.contextmanager
def _children(settings: Settings) -> Iterator[tuple[Children, Callable[[str, list[str]], None]]]:
    """Processes of their own, and what starts one more; all gone when the block ends."""
    env = environment(settings)
    children: Children = {}
    with _beside(settings, "log").open("ab") as out:

        def start(name: str, words: list[str]) -> None:
            children[name] = subprocess.Popen(
                words, env=env, stdout=out, stderr=out, stdin=subprocess.DEVNULL, start_new_session=True,
                preexec_fn=_end_with_parent if sys.platform == "linux" else None)

        try:
            yield children, start
        finally:
            for child in reversed(children.values()):
                child.terminate()
            until = time.monotonic() + STOP_WITHIN_S
            for child in children.values():
                try:
                    child.wait(max(0.1, until - time.monotonic()))
                except subprocess.TimeoutExpired:
                    child.kill()
                    child.wait()


def _end_with_parent() -> None:
    """Have the kernel end this process once the demo is gone, killed too (Linux, prctl(2))."""
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


def _wait_until_taken(port: int) -> None:
    """Wait until somebody listens on that port of loopback."""
    until = time.monotonic() + PAGE_WITHIN_S
    while port_is_free("127.0.0.1", port) and time.monotonic() < until:
        time.sleep(0.05)


def _wait_for_page(settings: Settings, port: int, children: Children, stop: threading.Event) -> bool:
    """Whether the page came to answer, and the collector that it asks."""
    until = time.monotonic() + PAGE_WITHIN_S
    while time.monotonic() < until and not stop.is_set():
        for name, child in children.items():
            if child.poll() is not None:
                print(f"tarnlight demo: {name} ended with code {child.returncode}", file=sys.stderr)
                return False
        with contextlib.suppress(OSError), urllib.request.urlopen(  # loopback only
            f"http://127.0.0.1:{port}/_stcore/health", timeout=1
        ) as answer:
            if answer.status == 200 and settings.address_file.exists():
                return True
        time.sleep(0.2)
    return False
