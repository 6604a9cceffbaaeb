"""The mutation script tells a test that looks from one that does not."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutants import mutants

ROOT = Path(__file__).resolve().parents[1]
MODULE = '''\
"""Litres, and whether they are too many: 1 is a number of a sentence."""

LIMIT_L = 10


def litres(flow_l_min: float, minutes: float) -> float:
    """Never below 0, not even for -1."""
    return max(flow_l_min, 0) * minutes


def too_many(volume_l: float) -> bool:
    if volume_l is None:
        raise ValueError("volume_l must be known, got 0")
    return volume_l > LIMIT_L
'''
GOOD = """\
import pytest
from pipe.water import litres, too_many


def test_litres():
    assert litres(3, 4) == 12
    assert litres(0.5, 4) == 2
    assert litres(-3, 4) == 0


def test_limit():
    assert too_many(10.001) is True
    assert too_many(10) is False
    with pytest.raises(ValueError):
        too_many(None)
"""
POOR = """\
from pipe.water import litres, too_many


def test_it_runs():
    litres(3, 4)
    assert too_many(20)
"""


def changes(text: str) -> list[str]:
    """What becomes of the line that is changed."""
    return [f"{one.mutation}: {one.diff(text)[-1][1:].strip()}" for one in mutants(text)]


@pytest.mark.parametrize(("text", "expected"), [
    ("a < b\n", ["< -> <=: (a <= b)", "< -> >=: (a >= b)", "drop the statement: pass"]),
    ("x = a is not b\n", ["is not -> is: x = (a is b)"]),
    ("x = a == b != c\n", ["!= -> ==: x = (a == b == c)", "== -> !=: x = (a != b != c)"]),
    ("x = a and b or c\n", ["and -> or: x = (a or b) or c", "or -> and: x = ((a and b) and c)"]),
    ("x = not a\n", ["drop not: x = (a)"]),
    ("x = ~a & -b\n", ["& -> |: x = (~a | -b)", "drop ~: x = (a) & -b", "drop -: x = ~a & (b)"]),
    ("x = a * b / c\n", ["* -> /: x = (a / b) / c", "/ -> *: x = (a * b * c)"]),
    ("x = 'é' + a - b\n", ["- -> +: x = ('é' + a + b)"]),
    ("x = 3\n", ["3 -> 0: x = 0", "3 -> 2: x = 2", "3 -> 4: x = 4", "3 -> 6: x = 6"]),
    ("x = 1.0\n", ["1.0 -> 0.0: x = 0.0", "1.0 -> 2.0: x = 2.0"]),
    ("x = True\n", ["True -> False: x = False"]),
    ("x = np.fmin(a, min(b)).max()\n", [
        "fmin -> fmax: x = np.fmax(a, min(b)).max()", "max -> min: x = np.fmin(a, min(b)).min()",
        "min -> max: x = np.fmin(a, max(b)).max()"]),
    ("x += y\n", ["+= -> -=: x -= y", "drop the statement: pass"]),
    ("x[a] = y\n", ["drop the statement: pass"]),
    ("if a:\n    x = y\n", ["add not: if (not (a)):"]),
    ("def f():\n    x = a\n    return x\n", ["return None first: return None", "return None: return None"]),
    ("def f():\n    yield a\n", ["return None first: return None", "drop the statement: yield from ()"]),
    ('"""Text 1."""\nfrom a import b\nx: Literal[1] = f"{1} < 2"\n', []),
    ("@dataclass(frozen=True)\nclass A:\n    x: int\n\n    def f(self, y: int):\n        ...\n", []),
    ("x = list(zip(a, b, strict=True))\n", []),
    ("if TYPE_CHECKING:\n    f(1)\n", []),
])  # fmt: skip
def test_each_kind_of_change(text: str, expected: list[str]):
    assert sorted(changes(text)) == sorted(expected)


def test_every_mutant_of_a_real_module_compiles_differs_and_stands_where_it_says():
    text = (ROOT / "models" / "verdict.py").read_text()
    found = mutants(text)
    lines = text.splitlines()
    assert len(found) > 100
    assert len({one.text for one in found} | {text}) == len(found) + 1
    for one in found:
        assert lines[one.line - 1].strip() == one.source
        compile(one.text, "x", "exec")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A folder with a package of one module."""
    (tmp_path / "pipe").mkdir()
    (tmp_path / "pipe" / "__init__.py").write_text("")
    (tmp_path / "pipe" / "water.py").write_text(MODULE)
    (tmp_path / "pipe" / "reader.py").write_text("from pipe.water import too_many\n")
    return tmp_path


def run(project: Path, test: str, *words: str) -> subprocess.CompletedProcess[str]:
    """The script on that folder with one test file."""
    (project / "test_water.py").write_text(test)
    return subprocess.run(
        [sys.executable, "-m", "tests.mutation", "pipe/water.py", "--equivalents", "known.toml", *words],
        cwd=project, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=240,
        check=False)


LISTED = """
[[equivalent]]
file = "pipe/water.py"
line = "LIMIT_L = 10"
mutation = "10 -> 11"
why = "invented for this test"
"""


def test_good_tests_let_none_survive_and_the_module_stays_as_it_is(project: Path):
    told = run(project, GOOD, "--json")
    assert told.returncode == 0, told.stderr
    found = json.loads(told.stdout)
    assert [one for one in found if one["fate"] == "survived"] == []
    by = {one["mutation"]: one["by"] for one in found}
    assert by["* -> /"] == "test_water.py::test_litres"
    assert by["> -> >="] == "test_water.py::test_limit"
    assert (project / "pipe" / "water.py").read_text() == MODULE
    assert {path.name for path in project.rglob("*") if path.is_file()} == {
        "__init__.py", "water.py", "reader.py", "test_water.py"}


def test_poor_tests_let_mutants_survive_which_are_listed_with_place_and_change(project: Path):
    told = run(project, POOR)
    assert told.returncode == 1, told.stderr
    assert "pipe/water.py:14:12: > -> >=\n    -    return volume_l > LIMIT_L\n" in told.stdout
    assert "    +    return (volume_l >= LIMIT_L)\n" in told.stdout
    assert "at most 5 %" in told.stdout.splitlines()[-1]


@pytest.mark.slow
def test_a_listed_equivalent_does_not_count_and_a_wrong_listing_is_told(project: Path):
    (project / "known.toml").write_text(LISTED)
    told = run(project, GOOD)
    assert told.returncode == 1
    wrongly = "pipe/water.py:3:11: 10 -> 11: listed as equivalent, yet noticed test_water.py::test_limit"
    assert wrongly in told.stdout
    ten = GOOD.replace("too_many(10.001)", "too_many(12)")  # so the limit may be 11 as well
    only = run(project, ten, "--json")
    whys = [one["why"] for one in json.loads(only.stdout) if one["mutation"] == "10 -> 11"]
    assert whys == ["invented for this test"]
    (project / "known.toml").write_text(LISTED.replace("10 -> 11", "10 -> 12"))
    gone = run(project, GOOD, "--sample", "1")
    assert gone.returncode == 1
    assert "10 -> 12 in 'LIMIT_L = 10': listed as equivalent, yet there is no such mutant" in gone.stdout
    (project / "known.toml").write_text(LISTED.replace('why = "invented for this test"', ""))
    bad = run(project, GOOD)
    assert bad.returncode == 2
    assert "entry 1 must have the texts file, line, mutation, why" in bad.stderr


@pytest.mark.slow
def test_a_mutant_that_never_ends_is_ended(project: Path):
    (project / "pipe" / "water.py").write_text("def count(n):\n    while n:\n        n -= 1\n    return n == 0\n")
    told = run(project, "from pipe.water import count\n\n\ndef test_it():\n    assert count(3)\n",
               "--within", "3", "--json")
    fates = {one["mutation"]: one["fate"] for one in json.loads(told.stdout)}
    assert fates["-= -> +="] == fates["drop the statement"] == "too long"
    assert fates["== -> !="] == "noticed"


@pytest.mark.slow
def test_tests_that_fail_without_any_change_and_bad_input_end_with_2(project: Path):
    told = run(project, GOOD.replace("== 12", "== 13"))
    assert told.returncode == 2
    assert "the tests fail without any change" in told.stderr
    assert "assert 12 == 13" in told.stderr
    none = run(project, "def test_nothing():\n    assert True\n")
    assert none.returncode == 2
    assert "no test file comes to import the module" in none.stderr


@pytest.mark.slow
def test_without_a_test_of_its_own_a_module_is_tested_through_what_imports_it(project: Path):
    told = run(project, "from pipe.reader import too_many\n\n\ndef test_it():\n    assert too_many(11)\n", "--json")
    fates = {one["mutation"]: one["fate"] for one in json.loads(told.stdout)}
    assert (fates["> -> <="], fates["* -> /"]) == ("noticed", "survived")


@pytest.mark.slow
def test_the_same_seed_draws_the_same_sample(project: Path):
    one, again, other = (
        [(found["line"], found["mutation"]) for found in json.loads(
            run(project, GOOD, "--json", "--sample", "6", "--seed", seed).stdout)] for seed in ("1", "1", "2"))
    assert len(one) == 6
    assert one == again != other
