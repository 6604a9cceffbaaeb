"""`autostart` and `alive`: the collector and the page as services of the machine, and who says when one is dead."""

from __future__ import annotations

import argparse
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dashboard.commands._words import command, print_json, settings_of
from ingest import private_files
from ingest.broker.uplink import uplink_of
from ingest.notification import alive, channels
from ingest.own_python import python_of
from ingest.settings import BadInput

SERVICE = """\
[Unit]
Description=tarnlight: {what}
After=network-online.target
Wants=network-online.target

[Service]
ExecStart={words}
Restart=always
RestartSec=5
UMask=0077
NoNewPrivileges=true
PrivateTmp=true
Environment=PYTHONUNBUFFERED=1

[Install]
WantedBy=default.target
"""
RUNNING = ("tarnlight-collector.service", "tarnlight-page.service", "tarnlight-uplink.service")
ONCE = """\
[Unit]
Description=tarnlight: {what}

[Service]
Type=oneshot
ExecStart={words}
UMask=0077
"""
TIMER = """\
[Unit]
Description=tarnlight: {what}

[Timer]
{when}
Persistent=true

[Install]
WantedBy=timers.target
"""


def add(commands: Any) -> None:
    """Add the commands."""
    out = command(commands, "autostart", do_autostart, example="tarnlight autostart ~/.config/systemd/user")
    out.add_argument("folder", type=Path, metavar="DIR", help="where the service manager looks for units")
    out.add_argument("--backup-to", type=Path, metavar="FOLDER", help="also copy the store there, once a day")
    out.add_argument(
        "--uplink", type=Path, metavar="DIR",
        help="at a cabin whose broker hands on to the centre's: the broker's folder; also run its uplink")
    command(commands, "alive", do_alive, json_option=True, example="tarnlight alive")


def do_autostart(options: argparse.Namespace) -> int:
    """Units for systemd: collector and page started and restarted, and a timer that looks whether they live."""
    settings = settings_of(options)
    if not options.folder.is_dir():
        raise BadInput(f"{options.folder} is no folder")
    config = (options.config or Path("tarnlight.toml")).absolute()
    given = ["--store", str(settings.store), *(["--config", str(config)] if config.is_file() else [])]

    def words(*more: str) -> str:
        # systemd takes $ and % as its own
        return shlex.join([*python_of("dashboard.cli"), *more, *given]).replace("%", "%%").replace("$", "$$")

    units = {
        "tarnlight-collector.service": SERVICE.format(what="collector", words=words("collect")),
        "tarnlight-page.service": SERVICE.format(what="page", words=words("show")),
        "tarnlight-alive.service": ONCE.format(what="does the collector live?", words=words("alive")),
        "tarnlight-alive.timer": TIMER.format(what="does the collector live?", when="OnCalendar=*:0/2"),
    }
    if options.uplink is not None:
        uplink_of(options.uplink)  # refused here where it will not do
        units["tarnlight-uplink.service"] = SERVICE.format(
            what="uplink", words=words("uplink", str(options.uplink.absolute())))
    if options.backup_to is not None:
        if not options.backup_to.is_dir():
            raise BadInput(f"--backup-to {options.backup_to} is no folder")
        copy = words("backup", str(options.backup_to.absolute()), "--keep-days", "60")
        units["tarnlight-backup.service"] = ONCE.format(what="copy of the store", words=copy)
        units["tarnlight-backup.timer"] = TIMER.format(what="copy of the store", when="OnCalendar=*-*-* 03:10:00")
    for name, text in units.items():
        private_files.write(options.folder / name, text.encode())
        print(options.folder / name)
    started = " ".join(name for name in units if name.endswith(".timer") or name in RUNNING)
    print("Start them, and have them started with the machine:")
    print(f"  systemctl --user daemon-reload && systemctl --user enable --now {started}")
    print("  loginctl enable-linger   (so that they run while nobody is logged in)")
    print("Passwords stay out of these files: name files of them in tarnlight.toml (broker_password_file, "
          "channels_file).")
    return 0


def do_alive(options: argparse.Namespace) -> int:
    """Whether the collector lives; exit 1 where it does not. Managers are told once it is silent for minutes."""
    channels.keep_library_quiet()
    found = alive.look(settings_of(options), datetime.now(UTC))
    if options.json:
        print_json([{"lives": found.lives, "found": found.words, "told": list(found.told)}])
    else:
        print(found.words)
        for one in found.told:
            print(f"  {one}")
    return 0 if found.lives else 1
