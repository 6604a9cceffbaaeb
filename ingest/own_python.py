"""Python for a process of our own: it runs this code, whatever lies in the folder that the command is given in."""

from __future__ import annotations

import sys
from pathlib import Path

import ingest

# The folder of this code is named only where the interpreter does not know it, which is a checkout that nobody
# installed; there it comes first, as it did for the command itself.
# One line, since it stands in the files of services too, where a line is a setting.
_START = (
    "import runpy, sys; root, module = sys.argv.pop(1), sys.argv.pop(1); "
    "root in sys.path or sys.path.insert(0, root); "
    'runpy.run_module(module, run_name="__main__", alter_sys=True)')


def python_of(module: str) -> list[str]:
    """The start of a command line that runs a module as `python -m` does, but never from the working folder.

    `python -m` looks in the working folder first: a `models/` or a `pandas.py` that lies there would be run in the
    place of ours.
    """
    root = Path(ingest.__file__).resolve().parents[1]
    return [sys.executable, "-P", "-c", _START, str(root), module]
