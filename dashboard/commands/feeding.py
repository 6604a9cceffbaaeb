"""The simulated feed as a process of its own."""

from __future__ import annotations

import argparse
import threading
import tomllib
from datetime import UTC, datetime

from dashboard.commands._words import instant
from ingest.registry.tables import read_fleet
from ingest.settings import BadInput, Settings
from simulated_feeds.feed import run_feed
from simulated_feeds.scenario import fleet_toml


def feed(options: argparse.Namespace, settings: Settings, stop: threading.Event) -> int:
    """Publish simulated loggers until told to stop."""
    now = datetime.now(UTC)
    text = fleet_toml(now=now)
    if options.fleet is not None:
        try:
            text = options.fleet.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(f"{options.fleet}: {error}") from error
    read_fleet(text, str(options.fleet or "the demo's fleet.toml"))
    if not options.speed > 0:
        raise BadInput(f"--speed must be above 0; got {options.speed:g}")
    run_feed(
        settings.broker, tomllib.loads(text), start=instant(options.start) if options.start else now,
        until=instant(options.until) if options.until else None,
        wall_start=instant(options.wall_start) if options.wall_start else None,
        origin=instant(options.origin) if options.origin else None, speed=options.speed, seed=options.seed,
        user=settings.broker_user or None, password=settings.broker_password() or None, stop_event=stop)
    return 0
