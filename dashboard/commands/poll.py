"""`poll`: registers of units' controllers, asked and published as their loggers would."""

from __future__ import annotations

import argparse
import asyncio
import logging
import uuid
from pathlib import Path
from typing import Any

from dashboard.commands._words import command, settings_of
from dashboard.commands.run import broker_options, stop_on_signals
from ingest.broker.files import POLLER
from ingest.registry.tables import load_fleet, read_fleet
from ingest.settings import BadInput, Settings
from ingest.store import open_store
from models.fleet import Fleet, polled


def add(commands: Any) -> None:
    """Add the command."""
    poll = command(commands, "poll", do_poll,
                   example="tarnlight poll --broker mqtt://127.0.0.1:1883 --broker-user poller")
    poll.add_argument(
        "fleet", nargs="?", type=Path, metavar="fleet.toml",
        help="where the controllers stand, on a machine that has no store (default: the store)")
    broker_options(poll)


def do_poll(options: argparse.Namespace) -> int:
    """Ask controllers until told to stop."""
    from ingest.poller.poller import Out, Poller  # its library is for this command alone

    settings = settings_of(options)
    if not polled(_fleet(settings, options.fleet)):
        raise BadInput("no enrolled unit has a controller: [cabin.unit.controller] in fleet.toml names one")
    if not options.verbose:
        logging.getLogger("ingest.poller").setLevel(logging.INFO)  # what begins and what ends
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # each try of a dead line; we say it once
    stop = stop_on_signals()
    out = Out(settings, settings.broker_user or f"tarnlight-{POLLER}-{uuid.uuid4().hex[:12]}")
    try:
        asyncio.run(Poller(lambda: _fleet(settings, options.fleet), out.publish).run(stop))
    finally:
        out.close()
    return 0


def _fleet(settings: Settings, file: Path | None) -> Fleet:
    if file is not None:
        try:
            return read_fleet(file.read_text(encoding="utf-8"), file.name)
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(f"{file}: {error}") from error
    store = open_store(settings)
    try:
        return load_fleet(store)
    finally:
        store.close()
