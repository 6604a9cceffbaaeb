"""Every sentence of the program that a catalogue has to hold, read off the source."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
MAKERS = {"worded": 0, "moment": 1}  # of `models.wording`, and which argument is the template


@functools.cache
def sentences() -> list[str]:
    """Templates in the order of the source, none twice."""
    return list(dict.fromkeys(
        one for folder in ("models", "ingest", "dashboard") for path in sorted((ROOT / folder).rglob("*.py"))
        for one in _templates(path)))


def _templates(path: Path) -> Iterator[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    own = path == ROOT / "models" / "wording.py"
    names = MAKERS if own else {
        alias.asname or alias.name: MAKERS[alias.name] for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "models.wording" for alias in node.names
        if alias.name in MAKERS}
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in names:
            template = node.args[names[node.func.id]]
            if not (isinstance(template, ast.Constant) and isinstance(template.value, str)):
                raise AssertionError(f"{path}:{node.lineno}: a template must be a text written there")
            yield template.value
