"""`uplink`: a cabin's way to the centre's broker."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from dashboard.commands._words import command
from ingest.broker.uplink import uplink_of
from ingest.own_python import python_of


def add(commands: Any) -> None:
    """Add the command."""
    out = command(commands, "uplink", do_uplink, example="tarnlight uplink /var/lib/tarnlight-broker")
    out.add_argument("folder", type=Path, metavar="DIR", help="that of `tarnlight broker DIR --bridge-to ...`")


def do_uplink(options: argparse.Namespace) -> int:
    """Carry what the bridge says to the centre until told to stop."""
    uplink_of(options.folder)  # refused here where it will not do
    # In a process that has loaded nothing but it: a cabin's machine is small.
    words = [*python_of("ingest.broker.uplink"), str(options.folder.absolute())]
    os.execv(words[0], words)
