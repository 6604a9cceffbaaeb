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
# DEVELOPERS.md, "Rooms": what the modules of each room may import of their own folder, beside their own room.
# A file on top is a room of its own. What is not listed stands beside no other.
ROOMS_MAY_IMPORT: dict[str, set[str]] = {
    "models.wording": set(),
    # of advisory the policies of steps and laboratory alone, which the registry holds
    "models.fleet": {"models.advisory", "models.wording", "models.doors", "models.registers"},
    "models.registers": {"models.units"},
    "models.units": {"models.water_quality"},
    "models.doors": {"models.units"},
    "models.fleet_history": {"models.fleet"},
    "models.enrolment": {"models.fleet"},
    "models.succession": {"models.fleet"},
    "models.alarm_load": set(),
    "models.margin": {"models.exposure"},  # only how columns of numbers are called
    "models.shortfall": set(),
    "models.bisection": set(),
    # of exposure only how an instant is written
    "models.dose": {"models.fleet", "models.shortfall", "models.exposure", "models.bisection"},
    "models.exposure": {"models.fleet", "models.shortfall", "models.water_quality"},
    "models.advisory": {
        "models.fleet", "models.exposure", "models.shortfall", "models.battery", "models.wording",
        "models.bisection"},
    "models.battery": {"models.exposure", "models.wording"},  # only how an instant is written
    "models.lamp": {"models.dose"},  # what a sensor's check divides by
    "models.own_clock": set(),
    "models.counterpart": {"models.verdict", "models.advisory"},  # of advisory the works that cautions go with
    "models.visits": set(),
    "models.water_quality": set(),
    "models.commissioning": {"models.fleet", "models.dose", "models.advisory", "models.water_quality"},
    "models.verdict": {
        "models.fleet", "models.advisory", "models.battery", "models.dose", "models.shortfall", "models.own_clock"},
    "models.evidence": {
        "models.fleet", "models.advisory", "models.battery", "models.dose", "models.exposure", "models.shortfall"},
    "dashboard.colours": set(),
    "dashboard.text": set(),
    "dashboard.charts": {"dashboard.text", "dashboard.colours"},
    "dashboard.sheets": {"dashboard.text", "dashboard.colours"},
    "dashboard.commands": {"dashboard.text", "dashboard.sheets", "dashboard.colours"},
    "dashboard.access": {"dashboard.text"},
    "dashboard.lamp_access": {"dashboard.access"},
    "dashboard.chosen": {"dashboard.text"},
    "dashboard.views": {
        "dashboard.text", "dashboard.charts", "dashboard.sheets", "dashboard.access", "dashboard.lamp_access",
        "dashboard.chosen"},
    "dashboard.app": {"dashboard.text", "dashboard.access", "dashboard.views", "dashboard.colours"},
    "dashboard.plain": {"dashboard.text", "dashboard.sheets", "dashboard.access", "dashboard.chosen"},
    "dashboard.at_start": {"dashboard.views", "dashboard.access"},
    "dashboard.gate": {"dashboard.plain", "dashboard.at_start"},
    "dashboard.cli": {"dashboard.commands"},
    "ingest.settings": set(),
    "ingest.language": set(),
    "ingest.clock": set(),
    "ingest.own_python": set(),
    "ingest.room": {"ingest.settings"},
    "ingest.health": {"ingest.settings"},
    "ingest.private_files": {"ingest.settings"},
    "ingest.bookings": {"ingest.settings", "ingest.own_python", "ingest.db"},
    "ingest.broker": {"ingest.settings", "ingest.private_files", "ingest.wire"},  # of wire the topics' names alone
    "ingest.db": {"ingest.settings", "ingest.private_files", "ingest.wire"},  # decoding is asked for within intake
    "ingest.wire": {"ingest.settings", "ingest.private_files", "ingest.db"},
    # what is recorded, worked out and enrolled changes one another: a lift is weighed, an edit is tried
    "ingest.poller": {"ingest.settings", "ingest.wire"},
    "ingest.record": {"ingest.settings", "ingest.db", "ingest.evaluation", "ingest.registry", "ingest.bookings"},
    "ingest.evaluation": {"ingest.settings", "ingest.db", "ingest.record", "ingest.registry", "ingest.store"},
    "ingest.registry": {"ingest.settings", "ingest.db", "ingest.evaluation", "ingest.record", "ingest.queries"},
    "ingest.notification": {
        "ingest.settings", "ingest.private_files", "ingest.bookings", "ingest.db", "ingest.evaluation",
        "ingest.language", "ingest.outlook", "ingest.own_python", "ingest.record", "ingest.registry",
        "ingest.queries", "ingest.store", "ingest.wire"},
    "ingest.outlook": {
        "ingest.settings", "ingest.db", "ingest.evaluation", "ingest.record", "ingest.registry", "ingest.bookings"},
    "ingest.queries": {
        "ingest.clock", "ingest.counterpart", "ingest.db", "ingest.evaluation", "ingest.notification",
        "ingest.record", "ingest.registry", "ingest.room"},
    "ingest.margins": {"ingest.db", "ingest.evaluation", "ingest.registry"},
    "ingest.in_hand": {"ingest.db", "ingest.record"},
    "ingest.months": {
        "ingest.settings", "ingest.db", "ingest.evaluation", "ingest.queries", "ingest.record", "ingest.registry"},
    "ingest.archiving": {"ingest.settings", "ingest.db"},
    "ingest.actions": {
        "ingest.archiving", "ingest.counterpart", "ingest.settings", "ingest.db", "ingest.evaluation",
        "ingest.months", "ingest.notification", "ingest.record", "ingest.registry",
        "ingest.wire"},  # of wire the profiles alone
    "ingest.store": {"ingest.settings", "ingest.clock", "ingest.private_files", "ingest.db", "ingest.actions"},
    "ingest.as_known": {"ingest.db", "ingest.evaluation", "ingest.registry", "ingest.store"},
    # what another collector tells is done by the same actions as what is recorded here
    "ingest.counterpart": {
        "ingest.actions", "ingest.db", "ingest.evaluation", "ingest.record", "ingest.registry", "ingest.settings"},
    "ingest.collector": {
        "ingest.archiving", "ingest.settings", "ingest.bookings", "ingest.clock", "ingest.counterpart", "ingest.db",
        "ingest.evaluation",
        "ingest.health", "ingest.notification", "ingest.registry", "ingest.room", "ingest.store", "ingest.wire"},
}
# Modules of one room that another may see, where it may not see the rest.
ONLY = {
    ("models.fleet", "models.advisory"): {"events", "laboratory"},
    ("models.dose", "models.exposure"): {"instants"},
    ("models.battery", "models.exposure"): {"instants"},
    ("models.exposure", "models.water_quality"): {"L_PER_US_GALLON"},
    ("models.margin", "models.exposure"): {"instants"},
    ("models.lamp", "models.dose"): {"sensor_checks"},
    ("ingest.broker", "ingest.wire"): {"mqtt_client"},
    ("ingest.actions", "ingest.wire"): {"profiles"},
    ("ingest.queries", "ingest.counterpart"): {"words"},
    ("ingest.actions", "ingest.counterpart"): {"given_up"},  # what asks for no action itself
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


def room_of(module: str) -> str:
    """The room that a module is in: its folder's sub-package, or itself where it stands on top."""
    return ".".join(module.split(".")[:2])


def arrows_between_rooms(module: str, text: str) -> list[str]:
    """What a module imports of its own folder's other rooms and may not."""
    folder, here, out = module.split(".")[0], room_of(module), []
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.ImportFrom) or not node.module or node.module.split(".")[0] != folder:
            continue
        for alias in node.names:
            whole = f"{node.module}.{alias.name}" if node.module == folder else node.module
            there, leaf = room_of(whole), (f"{whole}.{alias.name}").split(".")[2]
            if there == here:
                continue
            only = ONLY.get((here, there))
            if there not in ROOMS_MAY_IMPORT.get(here, set()) or (only is not None and leaf not in only):
                out.append(f"{module}:{node.lineno}: {here} imports {whole}.{alias.name}")
    return out


@pytest.mark.parametrize("folder", ("models", "ingest", "dashboard"))
def test_rooms_import_what_they_may_and_every_arrow_that_is_allowed_is_there(folder):
    wrong, seen = [], set()
    for path in sources(folder):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        if module == folder:
            continue
        text = path.read_text()
        wrong += arrows_between_rooms(module, text)
        seen |= {
            (room_of(module), room_of(name)) for name, _ in imported(ast.parse(text))
            if name.startswith(folder + ".")}
        seen |= {
            (room_of(module), f"{folder}.{alias.name}") for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.ImportFrom) and node.module == folder for alias in node.names}
    assert wrong == []
    allowed = {
        (here, there) for here, rooms in ROOMS_MAY_IMPORT.items() for there in rooms if here.startswith(folder)}
    assert allowed - seen == set()  # an arrow that nobody draws any more is taken out of the table


@pytest.mark.parametrize(("module", "text"), [
    ("models.dose.columns", "from models.advisory import Step"),
    ("models.exposure.rows", "from models.advisory.events import Step"),
    ("models.advisory.notice", "from models.lamp.decay import fleet_fit"),
    ("models.dose.columns", "from models.exposure.intervals import exposure"),
    ("models.fleet", "from models.advisory.notice import notice"),
    ("dashboard.text.verdicts", "from dashboard.views import now"),
    ("ingest.wire.senml", "from ingest import queries"),
])
def test_an_arrow_between_rooms_that_is_not_in_the_table_is_found(module, text):
    assert arrows_between_rooms(module, text)


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
