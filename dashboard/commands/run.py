"""`collect`, `show`, `feed`: the three processes, each by itself."""

from __future__ import annotations

import argparse
import math
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import duckdb

import dashboard
from dashboard.colours import theme_options
from dashboard.commands._words import command, settings_of
from ingest.collector import Collector
from ingest.db.engine import could_not_write
from ingest.own_python import python_of
from ingest.settings import BadInput, Settings, is_loopback


def add(commands: Any) -> None:
    """Add the commands."""
    collect = command(
        commands, "collect", do_collect, example="tarnlight collect --broker mqtt://127.0.0.1:1883")
    broker_options(collect)
    collect.add_argument("--serve-port", type=int, help="loopback port of the store's server (default: any free)")
    collect.add_argument("--health-port", type=int, help="loopback port of /healthz and /metrics (default: none)")
    collect.add_argument(
        "--place", choices=("centre", "cabin"), help="cabin: beside a cabin's own broker that hands on to a "
        "centre's; verdicts, services and lifts then go both ways (default: centre)")
    show = command(
        commands, "show", do_show, example="tarnlight show --port 8501")
    show.add_argument("--port", dest="show_port", type=int, help="port of the page (default 8501)")
    show.add_argument("--address", dest="show_address", help="address to listen on (default 127.0.0.1)")
    show.add_argument("--units", choices=("metric", "us"), help="units at first sight (default metric)")
    feed = command(
        commands, "feed", do_feed, example="tarnlight feed --broker mqtt://127.0.0.1:1883 --seed 3")
    broker_options(feed)
    feed.add_argument("--fleet", type=Path, help="a fleet.toml (default: the demo's)")
    feed.add_argument(
        "--speed", type=float, default=1.0,
        help="simulated seconds a second (default 1); above 1 for a past alone, with --until")
    feed.add_argument("--seed", type=int, default=1, help="same seed, same cabins' lives (default 1)")
    feed.add_argument("--start", help="simulated time at the start (default: now)")
    feed.add_argument("--wall-start", help="when by the wall clock --start was (default: now)")
    feed.add_argument("--origin", help="where the simulated lives began (default: 120 days before --start)")
    feed.add_argument("--until", help="simulated time to stop at (default: never)")


def broker_options(parser: argparse.ArgumentParser) -> None:
    """Where the broker is, and who we are there."""
    parser.add_argument("--broker", help="mqtt://HOST:PORT or mqtts://HOST:PORT (TARNLIGHT_BROKER)")
    parser.add_argument("--broker-user", help="user (TARNLIGHT_BROKER_USER); its password comes from "
                        "TARNLIGHT_BROKER_PASSWORD or a file")
    parser.add_argument("--broker-password-file", help="a file that holds the password")
    parser.add_argument("--broker-ca-file", help="certificate authority of the broker, for mqtts://")
    parser.add_argument("--mqtt-version", choices=("3.1.1", "5"), help="default 3.1.1, about three times faster")


class _Stop(threading.Event):
    """An event that a signal's handler may set.

    The handler runs in the main thread, wherever that is just then. Inside of an Event's own `wait` it holds the
    lock that the Event's own `set` takes, and would wait for itself for ever: so this one has none.
    """

    LOOKS_S = 0.05

    def __init__(self) -> None:
        super().__init__()
        self._told = False

    def set(self) -> None:
        """Say it."""
        self._told = True

    def clear(self) -> None:
        """Take it back."""
        self._told = False

    def is_set(self) -> bool:
        """Whether it was said."""
        return self._told

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until it is said, at most so long; whether it was. [s]"""
        until = math.inf if timeout is None else time.monotonic() + timeout
        while not self._told and (left := until - time.monotonic()) > 0:
            time.sleep(min(left, self.LOOKS_S))
        return self._told


def stop_on_signals() -> threading.Event:
    """An event that SIGTERM and Ctrl-C set."""
    stop = _Stop()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    return stop


AGAIN_S = 5.0  # after a write that failed


def do_collect(options: argparse.Namespace) -> int:
    """Run the collector until told to stop."""
    stop = stop_on_signals()
    try:
        Collector(settings_of(options)).run(stop)
    except (duckdb.Error, OSError) as error:
        if stop.is_set() or not could_not_write(error):
            raise
        # The store's file cannot be written: what was not committed was not acknowledged, and comes again. This
        # process begins anew, for a database that failed in a write opens in no process that has it open.
        print(f"tarnlight collect: the store could not be written ({str(error).splitlines()[0]}); trying again in "
              f"{AGAIN_S:g} s", file=sys.stderr, flush=True)
        if not stop.wait(AGAIN_S):
            os.execv(sys.executable, sys.orig_argv)
    return 0


def show_command(settings: Settings) -> list[str]:
    """The dashboard's command line.

    Raises
    ------
    BadInput
        If it would listen wider than loopback: the page has no login and no TLS of its own.
    """
    if not is_loopback(settings.show_address):
        raise BadInput(
            f"--address {settings.show_address} is wider than this machine, and the page has no login and no "
            "TLS of its own. Keep 127.0.0.1 and put a reverse proxy with both before it (DEVELOPERS.md, security)")
    gate = Path(dashboard.__file__).with_name("gate.py")
    # told, so that Streamlit does not ask the internet for this machine's own address to hold an Origin against
    host = urlsplit(settings.public_url).hostname or settings.show_address
    return [
        *python_of("streamlit"), "run", str(gate), "--server.headless=true",
        f"--server.address={settings.show_address}", f"--server.port={settings.show_port}",
        f"--browser.serverAddress={host}", "--server.enableCORS=true", "--server.enableXsrfProtection=true",
        "--browser.gatherUsageStats=false", "--server.fileWatcherType=none", "--client.toolbarMode=minimal",
        # else the whole heap is searched after each drawing of a part: most of what an idle page would cost
        "--runner.postScriptGC=false",
        "--client.showErrorDetails=none", "--client.showErrorLinks=false",
        *theme_options(),
    ]


def environment(settings: Settings) -> dict[str, str]:
    """This process's environment with the settings that a child of ours needs."""
    # channels' addresses are secrets that only the collector needs
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TARNLIGHT_CHANNEL_")}
    return {
        **kept, "TARNLIGHT_STORE": str(settings.store), "TARNLIGHT_UNITS": settings.units,
        "TARNLIGHT_PUBLIC_URL": settings.public_url, "TARNLIGHT_CALENDAR_FILES": settings.calendar_files,
        "TARNLIGHT_CALENDAR_HOSTS": ",".join(settings.calendar_hosts),
        "TARNLIGHT_BROKER": settings.broker, "TARNLIGHT_SHOW_PORT": str(settings.show_port),
        "PYTHONUNBUFFERED": "1",
    }


def port_is_free(address: str, port: int) -> bool:
    """Whether nobody listens there."""
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError:
            return False
    return True


def do_show(options: argparse.Namespace) -> int:
    """Run the dashboard until told to stop."""
    settings = settings_of(options)
    words = show_command(settings)
    if not port_is_free(settings.show_address, settings.show_port):
        raise BadInput(f"port {settings.show_port} is taken; give another with --port")
    stop = stop_on_signals()
    with subprocess.Popen(words, env=environment(settings), start_new_session=True) as page:
        print(f"the page: http://{settings.show_address}:{settings.show_port}", flush=True)
        while not stop.wait(0.2):
            if page.poll() is not None:
                return page.returncode
        page.terminate()
    return 0


def do_feed(options: argparse.Namespace) -> int:
    """Publish simulated loggers until told to stop."""
    from dashboard.commands.feeding import feed

    return feed(options, settings_of(options), stop_on_signals())
