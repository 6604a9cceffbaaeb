"""How many small wrong changes of a module do its tests notice?

    python -m tests.mutation models/verdict.py --tests tests/models/test_verdict.py --jobs 2

Each mutant (`tests/mutants.py`) is run against the tests until the first fails, in a process of its own that is
forked once numpy, pandas, pytest and all that does not depend on the module are loaded. The checkout is never
edited: an import hook gives the process the changed text. So a test that starts another process tests the unchanged
module there, and a mutant that only it could notice counts as a survivor.

Survivors are listed with place and change. One that means the same as the code as it stands belongs, with the
reason, into `tests/equivalent_mutants.toml`:

    [[equivalent]]
    file = "models/verdict.py"
    line = "if flow > 0:"          # the line's text, without its indentation
    mutation = "> -> >="
    why = "flow is never 0 here: ..."

Exit 0: at most 5 % survive unlisted and the list holds; 1: more do, or a listed one is noticed or is not there any
more; 2: the tests fail without any change, or bad input.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

from tests.mutants import Mutant, mutants

MOST_PCT = 5.0
EQUIVALENTS = Path(__file__).with_name("equivalent_mutants.toml")
LEFT_OUT = {"browser", "bench"}  # folders of tests that no mutant is run against unless --tests names them


class Wrong(Exception):
    """What a person has to put right; the message says what."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A module whose mutants are run."""

    path: Path
    module: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What became of one mutant.

    Attributes
    ----------
    fate : str
        `noticed` (a test failed, or the module could not even be loaded), `too long`, or `survived`.
    by : str
        The test that failed first; empty where none did.
    why : str
        Why it is listed as equivalent; empty where it is not.
    """

    target: Target
    mutant: Mutant
    fate: str
    by: str
    seconds: float
    why: str = ""


# Which modules depend on which


def module_name(path: Path, root: Path) -> str:
    """The name under which a file below the root is imported."""
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(tree: ast.AST) -> set[str]:
    """Names of modules that a file imports anywhere, packages above them too; and names that may be modules."""
    out: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            out |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "import_module":
            out |= {one.value for one in node.args if isinstance(one, ast.Constant) and isinstance(one.value, str)}
    return out | {name.rsplit(".", count)[0] for name in out for count in range(1, name.count(".") + 1)}


class Project:
    """The modules below a folder, and what each imports."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.files = {
            module_name(path, root): path for path in root.rglob("*.py")
            if not any(part.startswith(".") for part in path.relative_to(root).parts)}
        self.imports = {
            name: imports(ast.parse(path.read_text(encoding="utf-8"))) for name, path in self.files.items()}

    def dependents(self, modules: set[str]) -> set[str]:
        """The modules, and all that import one of them, by whatever way."""
        out = set(modules)
        while more := {name for name, found in self.imports.items() if found & out} - out:
            out |= more
        return out

    def needed(self, modules: set[str]) -> set[str]:
        """All that these modules import, by whatever way, foreign ones too."""
        out: set[str] = set()
        todo = set(modules)
        while todo:
            found = set().union(*(self.imports.get(name, set()) for name in todo))
            todo = found - out
            out |= found
        return out

    def tests_of(self, modules: set[str]) -> list[Path]:
        """Test files nearest to the modules: those that import one, else those that import what imports one."""
        near = set(modules)
        while True:
            found = sorted(
                path for name, path in self.files.items()
                if path.name.startswith("test_") and self.imports[name] & near
                and not LEFT_OUT & set(path.relative_to(self.root).parts))
            more = {name for name, imported in self.imports.items() if imported & near} - near
            if found or not more:
                return found
            near |= more


# One mutant in a process of its own


class _Loader(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, text: str) -> None:
        super().__init__(name, path)
        self._text = text

    def get_code(self, fullname: str) -> Any:
        return compile(self._text, self.path, "exec", dont_inherit=True)


class _Hook(importlib.abc.MetaPathFinder):
    """Gives one module another text."""

    def __init__(self, target: Target, text: str) -> None:
        self._target, self._text = target, text

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if name != self._target.module:
            return None
        file = str(self._target.path)
        return importlib.util.spec_from_file_location(name, file, loader=_Loader(name, file, self._text))


class _Plugin:
    """Runs first the tests that noticed other mutants, names the test that fails, and never shrinks an example."""

    def __init__(self, first: list[str], told: int) -> None:
        self._rank = {test: number for number, test in enumerate(first)}
        self._told = told

    def pytest_sessionstart(self) -> None:
        # after conftest.py has chosen a profile, before a test module is read
        import hypothesis

        hypothesis.settings.register_profile(
            "mutation", hypothesis.settings(), database=None, derandomize=True,
            phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate))
        hypothesis.settings.load_profile("mutation")

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items.sort(key=lambda item: self._rank.get(item.nodeid, len(self._rank)))

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            os.write(self._told, report.nodeid.encode() + b"\n")


class Run:
    """One mutant's process, started by being made."""

    def __init__(self, target: Target, text: str, tests: list[Path], first: list[str], within_s: float) -> None:
        self._folder = tempfile.mkdtemp(prefix="mutant-")
        self._told, told = os.pipe()
        self.began = time.monotonic()
        self._until = self.began + within_s
        self.code: int | None = None
        self.late = False
        self.pid = os.fork()
        if self.pid == 0:
            code = 70
            try:
                os.setsid()  # so that what a test starts ends with it
                out = os.open(Path(self._folder, "out"), os.O_WRONLY | os.O_CREAT, 0o600)
                for number in (1, 2):
                    os.dup2(out, number)
                sys.meta_path.insert(0, _Hook(target, text))
                import pytest

                code = int(pytest.main(
                    ["-x", "-q", "--tb=short", "-p", "no:cacheprovider", "-p", "no:xdist",
                     f"--basetemp={self._folder}/tests", *map(str, tests)], plugins=[_Plugin(first, told)]))
                sys.stdout.flush()
            finally:
                os._exit(code)
        os.close(told)

    def over(self) -> bool:
        """Whether it has ended, or has now been ended because it took too long."""
        if self.code is not None:
            return True
        pid, status = os.waitpid(self.pid, os.WNOHANG)  # our own children alone, by their ids
        if pid == 0 and time.monotonic() > self._until:
            self.late = True
            self.stop()
            pid, status = os.waitpid(self.pid, 0)
        if pid == 0:
            return False
        self.stop()
        self.code = os.waitstatus_to_exitcode(status)
        with os.fdopen(self._told, "rb") as told:
            self.by = told.readline().decode().strip()
        self.said = Path(self._folder, "out").read_text(errors="replace")
        self.seconds = time.monotonic() - self.began
        shutil.rmtree(self._folder, ignore_errors=True)
        return True

    def stop(self) -> None:
        """End its group of processes."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.pid, signal.SIGKILL)


def run_all(
    wanted: list[tuple[Target, Mutant]], tests: list[Path], *, jobs: int, within_s: float, first: list[str]
) -> Iterator[Found]:
    """Run mutants, so many at a time; each result as it comes."""
    waiting, running = list(reversed(wanted)), list[tuple[Run, Target, Mutant]]()
    try:
        while waiting or running:
            while waiting and len(running) < jobs:
                target, mutant = waiting.pop()
                running.append((Run(target, mutant.text, tests, first, within_s), target, mutant))
            done = [one for one in running if one[0].over()]
            running = [one for one in running if one not in done]
            for run, target, mutant in done:
                if run.by:
                    first[:] = [run.by, *(one for one in first if one != run.by)]
                fate = "too long" if run.late else "survived" if run.code == 0 else "noticed"
                yield Found(target=target, mutant=mutant, fate=fate, by=run.by, seconds=run.seconds)
            if not done:
                time.sleep(0.01)
    finally:
        for run, _, _ in running:
            run.stop()


def load_what_stays(project: Project, targets: list[Target], tests: list[Path]) -> None:
    """Import what the tests need and no mutant can change, once for all processes that are forked later."""
    for plugin in entry_points(group="pytest11"):  # else each process would compile them anew
        with contextlib.suppress(ImportError):
            plugin.load()
    names = {module_name(path, project.root) for path in tests}
    above = {parent for path in tests for parent in path.parents if parent.is_relative_to(project.root)}
    conftests = {
        name for name, path in project.files.items() if path.name == "conftest.py" and path.parent in above}
    changed = project.dependents({one.module for one in targets})
    ours = {name.split(".")[0] for name in project.files}
    for name in sorted(project.needed(names | conftests) - changed - names - conftests):
        if any(name.startswith(f"{one}.") for one in changed):
            continue  # importing it would load its package, which a mutant can change
        foreign = name.split(".")[0] not in ours
        # what is no module (`models.verdict.Word`) is no harm to ask for; nor what a test would skip without
        if foreign or name in project.files:
            with contextlib.suppress(ImportError):
                importlib.import_module(name)
    early = changed & set(sys.modules) - {"tests", "tests.mutation"}
    if early:
        raise Wrong(f"loaded before any mutant could take its place: {', '.join(sorted(early))}")


# The list of equivalents


def listed(path: Path) -> dict[tuple[str, str, str], str]:
    """Why each listed mutant is equivalent, by file, line's text and mutation.

    Raises
    ------
    Wrong
        If an entry lacks one of these, or its reason.
    """
    if not path.exists():
        return {}
    try:
        entries = tomllib.loads(path.read_text(encoding="utf-8")).get("equivalent", [])
    except tomllib.TOMLDecodeError as error:
        raise Wrong(f"{path}: {error}") from error
    out = {}
    for number, one in enumerate(entries, 1):
        if set(one) != {"file", "line", "mutation", "why"} or not all(
                isinstance(value, str) and value.strip() for value in one.values()):
            raise Wrong(f"{path}: entry {number} must have the texts file, line, mutation, why, and nothing else")
        out[one["file"], one["line"].strip(), one["mutation"]] = one["why"]
    return out


def key_of(target: Target, mutant: Mutant, root: Path) -> tuple[str, str, str]:
    """How a mutant is named in the list."""
    return target.path.relative_to(root).as_posix(), mutant.source, mutant.mutation


# The command


def options_of(words: list[str] | None) -> argparse.Namespace:
    """What was asked for."""
    out = argparse.ArgumentParser(
        prog="python -m tests.mutation", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    out.add_argument("files", nargs="+", type=Path, metavar="FILE", help="module of this folder, models/verdict.py")
    out.add_argument("--tests", nargs="+", type=Path, action="extend", metavar="PATH",
                     help="test files (default: the nearest that import the modules)")
    out.add_argument("--jobs", type=int, default=2, help="processes at a time (default 2)")
    out.add_argument("--sample", type=int, metavar="N", help="only N mutants, drawn at random")
    out.add_argument("--seed", type=int, default=0, help="of the draw (default 0)")
    out.add_argument("--within", type=float, metavar="S", help="longest time of a mutant "
                     "(default: 10 s and five times that of the tests without any change)")
    out.add_argument("--equivalents", type=Path, default=EQUIVALENTS, metavar="FILE.toml")
    out.add_argument("--json", action="store_true", help="print one JSON array of all mutants and nothing else")
    return out.parse_args(words)


def main(words: list[str] | None = None) -> int:
    """Run it; the exit status."""
    options = options_of(words)
    try:
        return mutate(options)
    except Wrong as error:
        print(f"mutation: {error}", file=sys.stderr)
        return 2


def mutate(options: argparse.Namespace) -> int:
    """Run the mutants that were asked for, and say which survived."""
    root = Path.cwd().resolve()
    if options.jobs < 1 or (options.sample is not None and options.sample < 1):
        raise Wrong("--jobs and --sample must be at least 1")
    for path in (*options.files, *(options.tests or [])):
        if not path.exists() or not path.resolve().is_relative_to(root):
            raise Wrong(f"{path}: no such file below {root}")
    project = Project(root)
    targets = [
        Target(path=path, module=module_name(path, root), text=path.read_text(encoding="utf-8"))
        for path in (one.resolve() for one in options.files)]
    tests = [path.resolve() for path in options.tests or project.tests_of({one.module for one in targets})]
    if not tests:
        raise Wrong("no test file comes to import the module; name some with --tests")
    known = listed(options.equivalents)
    wanted = [(target, mutant) for target in targets for mutant in mutants(target.text)]
    stale = {key for key in known if key[0] in {one.path.relative_to(root).as_posix() for one in targets}} - {
        key_of(target, mutant, root) for target, mutant in wanted}
    if options.sample is not None and options.sample < len(wanted):
        drawn = random.Random(options.seed).sample(range(len(wanted)), options.sample)
        wanted = [wanted[number] for number in sorted(drawn)]

    prepare(root)
    load_what_stays(project, targets, _files(tests))
    base = _unchanged(targets[0], tests)
    within_s = options.within or 10 + 5 * base
    print(f"{len(wanted)} mutants; the tests take {base:.1f} s; at most {within_s:.0f} s a mutant", file=sys.stderr)
    found = []
    for one in run_all(wanted, tests, jobs=options.jobs, within_s=within_s, first=[]):
        found.append(replace(one, why=known.get(key_of(one.target, one.mutant, root), "")))
        if len(found) % 50 == 0:
            print(f"{len(found)} of {len(wanted)}: {_unlisted(found)} survive", file=sys.stderr)
    found.sort(key=lambda one: (str(one.target.path), one.mutant.line, one.mutant.column, one.mutant.mutation))
    return say(found, stale, root, as_json=options.json)


def prepare(root: Path) -> None:
    """Let this process and its children import from the root, write no caches there, and keep to one thread."""
    if str(root) not in sys.path:
        sys.path.insert(0, str(root))
    sys.dont_write_bytecode = True
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", PYTHONDONTWRITEBYTECODE="1")
    # else what fails under a mutant would be tried again by whoever runs the tests next
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(Path(tempfile.gettempdir(), "mutation-hypothesis"))


def _files(tests: list[Path]) -> list[Path]:
    """Folders of tests as their files."""
    return [file for one in tests for file in (sorted(one.rglob("test_*.py")) if one.is_dir() else [one])]


def _unchanged(target: Target, tests: list[Path]) -> float:
    """How long the tests take without any change. [s]"""
    run = Run(target, target.text, tests, [], 3600)
    while not run.over():
        time.sleep(0.01)
    if run.code != 0:
        raise Wrong(f"the tests fail without any change (pytest's exit {run.code}):\n{run.said[-3000:]}")
    return run.seconds


def _unlisted(found: list[Found]) -> int:
    return sum(one.fate == "survived" and not one.why for one in found)


def say(found: list[Found], stale: set[tuple[str, str, str]], root: Path, *, as_json: bool) -> int:
    """Print what became of the mutants; the exit status."""
    wrongly = [one for one in found if one.why and one.fate != "survived"]
    survivors = [one for one in found if one.fate == "survived" and not one.why]
    share_pct = 100 * len(survivors) / max(1, len(found))
    if as_json:
        json.dump([_plain(one, root) for one in found], sys.stdout, indent=1)
        sys.stdout.write("\n")
    else:
        for one in survivors:
            print(f"{_place(one, root)}: {one.mutant.mutation}")
            for line in one.mutant.diff(one.target.text):
                print(f"    {line}")
    out = sys.stderr if as_json else sys.stdout
    for one in wrongly:
        told = f"listed as equivalent, yet {one.fate} {one.by}".rstrip()
        print(f"{_place(one, root)}: {one.mutant.mutation}: {told}", file=out)
    for file, line, mutation in sorted(stale):
        print(f"{file}: {mutation} in {line!r}: listed as equivalent, yet there is no such mutant", file=out)
    late = sum(one.fate == "too long" for one in found)
    print(f"{len(found)} mutants: {sum(one.fate == 'noticed' for one in found)} noticed, {late} took too long, "
          f"{sum(bool(one.why) for one in found)} listed as equivalent, {len(survivors)} survive "
          f"({share_pct:.1f} %; at most {MOST_PCT:g} %)", file=out)
    return 1 if share_pct > MOST_PCT or wrongly or stale else 0


def _place(one: Found, root: Path) -> str:
    return f"{one.target.path.relative_to(root).as_posix()}:{one.mutant.line}:{one.mutant.column}"


def _plain(one: Found, root: Path) -> dict[str, Any]:
    return {
        "file": one.target.path.relative_to(root).as_posix(), "line": one.mutant.line, "column": one.mutant.column,
        "source": one.mutant.source, "mutation": one.mutant.mutation, "fate": one.fate, "by": one.by,
        "why": one.why, "seconds": round(one.seconds, 2), "diff": one.mutant.diff(one.target.text)}


if __name__ == "__main__":
    sys.exit(main())
