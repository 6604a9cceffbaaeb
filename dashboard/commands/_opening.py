"""Which store a command opens: the one named, one's own, or where there is none of one's own a demo that runs.

A command that reads never makes a store: an empty one in place of a wrong path would have nothing to warn of.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from dashboard.commands._words import settings_of
from ingest.registry.tables import load_fleet
from ingest.settings import Settings, StoreUnavailable, default_store
from ingest.store import Access, client, open_store


def open_any(options: argparse.Namespace) -> Access:
    """The store of `settings_any`, opened.

    Raises
    ------
    StoreUnavailable
        If it cannot be had, or is not there.
    """
    return open_settings(settings_any(options))


def open_settings(own: Settings) -> Access:
    """The store that settings name, opened; errors as of `open_any`."""
    if not own.store.exists():
        raise StoreUnavailable(
            f"there is no store at {own.store}: `tarnlight enroll fleet.toml` makes one, `--store PATH` names "
            "another, `tarnlight demo` shows invented cabins")
    return open_store(own)


def settings_any(options: argparse.Namespace) -> Settings:
    """The settings that the options give; where no store is named and one's own has no cabin, a running demo's."""
    own = settings_of(options)
    if own.store != default_store() or (own.store.exists() and _has_cabins(own)):
        return own
    named = options.store
    options.store = str(demo_store())
    demo = settings_of(options)
    try:
        client(demo).close()
    except StoreUnavailable:
        options.store = named
        return own
    what = f"no cabin is enrolled in your own store {own.store}" if own.store.exists() else (
        f"no store of your own at {own.store}")
    print(f"{what}: this is the running demo's", file=sys.stderr)
    return demo


def demo_store() -> Path:
    """Where the demo keeps its store unless told otherwise; made anew at each start."""
    return default_store().with_name("demo.duckdb")


def demo_marker(settings: Settings) -> Path:
    """What says that a store is a demo's, to be made anew."""
    return settings.store.with_name(f"{settings.store.name}.demo")


def _has_cabins(own: Settings) -> bool:
    """Whether anything is enrolled there; what cannot be told is left to whoever opens it."""
    try:
        store = open_store(own)
    except StoreUnavailable:
        return True
    try:
        return bool(load_fleet(store).cabins)
    finally:
        store.close()
