"""What all commands share: options, settings, times, JSON on standard output."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dashboard.commands import HELP
from dashboard.text.verdicts import TAKE_CARE
from ingest.settings import BadInput, Settings, settings
from models.advisory.work_cautions import Work, sentences

EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)  # far from any overflow
Do = Callable[[argparse.Namespace], int | None]


def command(
    commands: Any, name: str, do: Do, *, example: str, help: str = "", json_option: bool = False,
    private: bool = False,
) -> argparse.ArgumentParser:
    """A command with the options that all take, its help (of `HELP` unless given), and an example below it.

    A `private` one prints people's names or numbers, or when a cabin stands empty: a file that its output goes to
    is for its owner alone.
    """
    help = help or HELP[name]
    out: argparse.ArgumentParser = commands.add_parser(
        name, help=help, description=help[0].upper() + help[1:] + ".", epilog=f"example: {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter)
    out.add_argument("--store", metavar="PATH", help="the store's file (TARNLIGHT_STORE)")
    out.add_argument("--config", metavar="FILE", type=Path, help="settings (default: ./tarnlight.toml)")
    out.add_argument("--verbose", action="store_true", help="log what happens to stderr")
    if json_option:
        out.add_argument("--json", action="store_true", help="print one JSON array and nothing else")
    out.set_defaults(do=do, private=private)
    return out


def settings_of(options: argparse.Namespace) -> Settings:
    """Options over environment over file."""
    return settings(vars(options), config=options.config)


def instant(text: str) -> datetime:
    """An aware instant from a command's option."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(f"a time must be ISO 8601, like 2026-11-25T07:00:00Z; got {text!r}") from None
    if at.tzinfo is None:
        raise BadInput(f"a time must have Z or an offset, like {text}Z; got {text!r}")
    if not EARLIEST <= at <= LATEST:
        raise BadInput(f"a time must lie between {EARLIEST:%Y} and {LATEST:%Y}; got {text!r}")
    return at


def print_cautions(works: Iterable[Work], *, afterwards: bool = False) -> None:
    """Cautions of the works that were printed, once, as a list; nothing where there are none."""
    found = sentences(works, afterwards=afterwards)
    if found:
        print(f"{TAKE_CARE}:")
    for one in found:
        print(f"- {one}")


def print_json(rows: list[Any]) -> None:
    """One JSON array; unknown numbers are null, times ISO 8601 in UTC; no character is ever lost."""
    unicode = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    json.dump(_plain(rows), sys.stdout, indent=1, ensure_ascii=not unicode)
    sys.stdout.write("\n")


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, datetime):
        # NaT differs from itself
        return None if value != value else value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if hasattr(value, "item"):
        return _plain(value.item())
    return value
