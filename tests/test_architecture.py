"""The arrows between the folders go one way, models are pure, and nothing new stands at the top."""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = ("models", "ingest", "dashboard", "simulated_feeds")
# DEVELOPERS.md, "The map of the house"
MAY_IMPORT = {
    "models": {"models"},
    "ingest": {"ingest", "models"},
    "dashboard": {"dashboard", "ingest", "models", "simulated_feeds"},
    "simulated_feeds": {"simulated_feeds"},
}
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", *FOLDERS, "tests"}
# What reads or writes the world, or a clock, or chance of its own.
IMPURE_MODULES = {
    "os",
    "io",
    "socket",
    "subprocess",
    "shutil",
    "tempfile",
    "threading",
    "multiprocessing",
    "asyncio",
    "logging",
    "random",
    "secrets",
    "time",
    "sqlite3",
    "duckdb",
    "requests",
    "urllib",
    "http",
    "httpx",
    "paho",
    "streamlit",
    "signal",
    "pathlib",
    "glob",
    "pickle",
}
IMPURE_CALLS = {"open", "input", "print", "exec", "eval", "breakpoint"}
IMPURE_METHODS = {
    "now",
    "today",
    "utcnow",
    "default_rng",
    "seed",
    "read_csv",
    "read_parquet",
    "to_csv",
    "to_parquet",
    "read_text",
    "write_text",
    "read_bytes",
    "write_bytes",
    "getenv",
    "loadtxt",
    "savetxt",
    "read_sql",
    "read_json",
}
# A table of a module's own, kept once, may be cached; a clock or a file may not.


def sources(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


def imported(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Modules imported anywhere in the file, also inside functions and under TYPE_CHECKING."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield "." * node.level + (node.module or ""), node.lineno
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) in (
            "import_module",
            "__import__",
        ):
            for argument in node.args[:1]:
                yield argument.value if isinstance(argument, ast.Constant) else "?", node.lineno


def arrows_backwards(folder: str, text: str, where: str = "x.py") -> list[str]:
    return [
        f"{where}:{line}: {folder} imports {name}"
        for name, line in imported(ast.parse(text))
        if name.startswith(("?", "."))
        or (name.split(".")[0] in (*FOLDERS, "tests") and name.split(".")[0] not in MAY_IMPORT[folder])
    ]


def impurities(text: str, where: str = "x.py") -> list[str]:
    tree = ast.parse(text)
    out = [
        f"{where}:{line}: imports {name}" for name, line in imported(tree) if name.split(".")[0] in IMPURE_MODULES
    ]
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in IMPURE_CALLS:
                out.append(f"{where}:{node.lineno}: calls {node.func.id}")
            if isinstance(node.func, ast.Attribute) and node.func.attr in IMPURE_METHODS:
                out.append(f"{where}:{node.lineno}: calls .{node.func.attr}")
        if isinstance(node, ast.Global):
            out.append(f"{where}:{node.lineno}: changes the global {', '.join(node.names)}")
    return out


@pytest.mark.parametrize("folder", FOLDERS)
def test_the_arrows_go_one_way(folder):
    found = sources(folder)
    assert found, f"no source in {folder}"
    wrong = [
        line for path in found for line in arrows_backwards(folder, path.read_text(), str(path.relative_to(ROOT)))
    ]
    assert wrong == []


def test_models_are_pure():
    wrong = [
        line for path in sources("models") for line in impurities(path.read_text(), str(path.relative_to(ROOT)))
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("folder", "text"),
    [
        ("models", "import ingest.store"),
        ("models", "from dashboard import cli"),
        ("models", "from . import dose"),
        ("ingest", "def f():\n    from dashboard.cli import main"),
        ("simulated_feeds", "from models.dose import assess"),
        ("simulated_feeds", "import ingest"),
        ("ingest", "from simulated_feeds import feed"),
        ("models", "import tests"),
        ("ingest", "import importlib\nimportlib.import_module('dashboard')"),
        ("ingest", "__import__(name)"),
    ],
)
def test_an_arrow_backwards_is_found(folder, text):
    assert arrows_backwards(folder, text)


@pytest.mark.parametrize(
    "text",
    [
        "import os",
        "from pathlib import Path",
        "from datetime import datetime\ndatetime.now()",
        "open('x')",
        "import pandas as pd\npd.Timestamp.now()",
        "import pandas as pd\npd.read_csv('x')",
        "import requests",
        "print(1)",
        "import numpy as np\nnp.random.default_rng()",
        "def f():\n    global x\n    x = 1",
        "def f():\n    import time",
    ],
)
def test_what_is_not_pure_is_found(text):
    assert impurities(text)


def test_nothing_new_stands_at_the_top():
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {name.split("/")[0] for name in listed.split("\0") if name}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_there_is_no_drawer_for_odds_and_ends():
    names = {path.stem for folder in FOLDERS for path in sources(folder)}
    assert names & {"utils", "util", "helpers", "helper", "common", "misc"} == set()
