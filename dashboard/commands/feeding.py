"""The simulated feed as a process of its own."""

from __future__ import annotations

import argparse
import threading
import tomllib
from datetime import UTC, datetime

from dashboard.commands._words import instant
from ingest.registry.tables import read_fleet
from ingest.settings import BadInput, Settings
from models.fleet import Fleet
from simulated_feeds.feed import run_feed
from simulated_feeds.scenario import fleet_toml

# A reading may be on its way so long, to the page that shows it, on a machine that has other work too: measured.
UNDER_WAY_S = 2.0


def require_speed(speed: float, fleet: Fleet) -> None:
    """Refuse a speed at which a reading that is on its way makes its unit silent; the message says the highest.

    Raises
    ------
    BadInput
    """
    units = [unit for cabin in fleet.cabins for unit in cabin.units]
    highest = min((unit.overdue_s - unit.cadence_s for unit in units), default=120.0) / UNDER_WAY_S
    if not 0 < speed <= highest:
        raise BadInput(
            f"--speed must be above 0 and at most {highest:g}: beyond that a reading that is {UNDER_WAY_S:g} s on "
            f"its way would be so late that its unit would be called silent; got {speed:g}")


def feed(options: argparse.Namespace, settings: Settings, stop: threading.Event) -> int:
    """Publish simulated loggers until told to stop."""
    now = datetime.now(UTC)
    text = fleet_toml(now=now)
    if options.fleet is not None:
        try:
            text = options.fleet.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(f"{options.fleet}: {error}") from error
    fleet = read_fleet(text, str(options.fleet or "the demo's fleet.toml"))
    until = instant(options.until) if options.until else None
    if not options.speed > 0:
        raise BadInput(f"--speed must be above 0; got {options.speed:g}")
    if options.wall_start:  # whoever gives it has a collector whose clock runs as fast
        require_speed(options.speed, fleet)
    elif options.speed > 1 and (until is None or until > now):
        raise BadInput(
            f"--speed {options.speed:g} would send readings of the future, which a collector refuses: "
            f"`tarnlight demo --speed {options.speed:g}` has one whose clock runs as fast; or play a past, with "
            "--start and an --until that is over")
    run_feed(
        settings.broker, tomllib.loads(text), start=instant(options.start) if options.start else now, until=until,
        wall_start=instant(options.wall_start) if options.wall_start else None,
        origin=instant(options.origin) if options.origin else None, speed=options.speed, seed=options.seed,
        user=settings.broker_user or None, password=settings.broker_password() or None, stop_event=stop)
    return 0
