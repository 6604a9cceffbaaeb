"""The one command, `tarnlight`: reads the words, calls the library, turns its errors into one line."""

from __future__ import annotations

import argparse
import io
import logging
import sys
from collections.abc import Callable
from importlib import import_module
from types import ModuleType

from dashboard.commands import HELP
from ingest import private_files
from ingest.settings import BadInput, StoreUnavailable

DESCRIPTION = """\
Watches the ultraviolet disinfection units of remote cabins and tells three people what to do: the property
manager, the service firm, the owner. It advises; your local health authority, local codes and licensed
practice decide."""

# Which module of dashboard.commands adds each command, in the order of the help.
COMMANDS = {
    "demo": "demo", "collect": "run", "show": "run", "feed": "run", "enroll": "registry",
    "retire": "succession", "rename": "succession", "move": "succession", "broker": "broker",
    "uplink": "uplink", "poll": "poll", "load": "load", "watch-folder": "watch_folder",
    "status": "status", "outages": "status", "events": "events",
    "doctor": "doctor", "backup": "backup", "restore": "backup", "archive": "archive", "autostart": "autostart",
    "alive": "autostart", "lamps": "lamps", "visits": "visits", "advisory": "advisory", "stay": "stay",
    "service": "advisory", "notice": "notice", "commission": "commission", "quarantine": "quarantine",
    "report": "report", "dose": "dose", "bleach": "bleach", "validation": "validation",
}

# Each module by a name that can be read off, so that the test of the arrows sees what is imported.
MODULES: dict[str, Callable[[], ModuleType]] = {
    "demo": lambda: import_module("dashboard.commands.demo"),
    "run": lambda: import_module("dashboard.commands.run"),
    "registry": lambda: import_module("dashboard.commands.registry"),
    "succession": lambda: import_module("dashboard.commands.succession"),
    "broker": lambda: import_module("dashboard.commands.broker"),
    "uplink": lambda: import_module("dashboard.commands.uplink"),
    "poll": lambda: import_module("dashboard.commands.poll"),
    "load": lambda: import_module("dashboard.commands.load"),
    "watch_folder": lambda: import_module("dashboard.commands.watch_folder"),
    "status": lambda: import_module("dashboard.commands.status"),
    "events": lambda: import_module("dashboard.commands.events"),
    "backup": lambda: import_module("dashboard.commands.backup"),
    "archive": lambda: import_module("dashboard.commands.archive"),
    "autostart": lambda: import_module("dashboard.commands.autostart"),
    "doctor": lambda: import_module("dashboard.commands.doctor"),
    "lamps": lambda: import_module("dashboard.commands.lamps"),
    "visits": lambda: import_module("dashboard.commands.visits"),
    "advisory": lambda: import_module("dashboard.commands.advisory"),
    "stay": lambda: import_module("dashboard.commands.stay"),
    "notice": lambda: import_module("dashboard.commands.notice"),
    "quarantine": lambda: import_module("dashboard.commands.quarantine"),
    "report": lambda: import_module("dashboard.commands.report"),
    "dose": lambda: import_module("dashboard.commands.dose"),
    "bleach": lambda: import_module("dashboard.commands.bleach"),
    "commission": lambda: import_module("dashboard.commands.commission"),
    "validation": lambda: import_module("dashboard.commands.validation"),
}


def parser(only: str | None = None) -> argparse.ArgumentParser:
    """The command line; every command has help and a runnable example.

    Parameters
    ----------
    only : str or None
        The one command that is asked for: the others' modules, and all that they import, then stay unread. "": none
        of them, but what each is for.
    """
    out = argparse.ArgumentParser(
        prog="tarnlight", description=DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = out.add_subparsers(dest="command", metavar="COMMAND", required=True)
    if only == "":
        for name, purpose in HELP.items():
            commands.add_parser(name, help=purpose)
        return out
    for module in dict.fromkeys([COMMANDS[only]] if only else COMMANDS.values()):
        MODULES[module]().add(commands)
    return out


def main(words: list[str] | None = None) -> int:
    """Run one command.

    Returns
    -------
    int
        0 done, 1 the store cannot be reached, 2 bad input, 130 interrupted.
    """
    private_files.keep_private()
    for out in (sys.stdout, sys.stderr):
        if isinstance(out, io.TextIOWrapper):
            out.reconfigure(errors="replace")  # a name that a terminal cannot show must not end the list
    words = sys.argv[1:] if words is None else words
    options = parser(words[0] if words and words[0] in COMMANDS else "").parse_args(words)
    logging.basicConfig(
        level=logging.INFO if options.verbose else logging.WARNING, stream=sys.stderr,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    if options.private:
        private_files.narrow_output(sys.stdout)
    try:
        return int(options.do(options) or 0)
    except BadInput as error:
        print(f"tarnlight {options.command}: {error}", file=sys.stderr)
        return 2
    except StoreUnavailable as error:
        print(f"tarnlight {options.command}: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # the reader of a pipe has seen enough
        sys.stderr.close()
        return 0


if __name__ == "__main__":
    sys.exit(main())
