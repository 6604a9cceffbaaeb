"""The one command, `tarnlight`: reads the words, calls the library, turns its errors into one line."""

from __future__ import annotations

import argparse
import logging
import sys

from dashboard.commands import (
    advisory,
    bleach,
    demo,
    dose,
    lamps,
    load,
    notice,
    registry,
    report,
    run,
    status,
    visits,
)
from ingest.engine import StoreUnavailable
from ingest.settings import BadInput

DESCRIPTION = """\
Watches the ultraviolet disinfection units of remote cabins and tells three people what to do: the property
manager, the service firm, the owner. It advises; your local health authority, local codes and licensed
practice decide."""

COMMANDS = (demo, run, registry, load, status, lamps, visits, advisory, notice, report, dose, bleach)


def parser() -> argparse.ArgumentParser:
    """The whole command line; every command has help and a runnable example."""
    out = argparse.ArgumentParser(
        prog="tarnlight", description=DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = out.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for module in COMMANDS:
        module.add(commands)
    return out


def main(words: list[str] | None = None) -> int:
    """Run one command.

    Returns
    -------
    int
        0 done, 1 the store cannot be reached, 2 bad input, 130 interrupted.
    """
    options = parser().parse_args(words)
    logging.basicConfig(
        level=logging.INFO if options.verbose else logging.WARNING, stream=sys.stderr,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s")
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
