"""What docstrings and comments cite is in the repository: sections of models/SOURCES.md, and what these cite."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = (ROOT / "models" / "SOURCES.md").read_text(encoding="utf-8")
SECTIONS = set(re.findall(r"^## (\d+)\.", SOURCES, flags=re.M))
LISTED = set(re.findall(r"(?:^|· )(S\d+) ", SOURCES, flags=re.M))
CITED = re.compile(r"SOURCES\.md[,)]?(?:\s+#?\s*(?:section\s+)?(\d+))?")
TEXTS = sorted(
    path for folder in ("models", "ingest", "dashboard", "simulated_feeds", "tests")
    for path in (ROOT / folder).rglob("*") if path.suffix in (".py", ".md", ".toml") and path.name != "SOURCES.md")


def wrong(text: str) -> list[str]:
    """Citations of a section that is not there."""
    return [found[0] for found in CITED.finditer(text) if found[1] is not None and found[1] not in SECTIONS]


@pytest.mark.parametrize(("text", "found"), [
    ("(SOURCES.md section 7, seen)", []), ("# models/SOURCES.md,\n# section 99", ["SOURCES.md,\n# section 99"]),
    ("(SOURCES.md, 98)", ["SOURCES.md, 98"]),
])
def test_a_section_that_is_not_there_is_found(text, found):
    assert wrong(text) == found


def test_every_citation_of_a_section_resolves():
    cited = {path: wrong(path.read_text(encoding="utf-8")) for path in TEXTS if path != Path(__file__)}
    assert {str(path): found for path, found in cited.items() if found} == {}


def test_every_source_that_is_called_seen_is_listed():
    cited = set(re.findall(r"\b(S\d+)\b", SOURCES.split("## 11.")[0])) - LISTED
    assert {one for one in cited if one not in {"S0"}} == set()  # S0 is a sensor's reading with a new lamp


def test_nothing_cites_a_page_that_this_repository_does_not_hold():
    pages = {path.name for path in ROOT.rglob("*.md") if ".venv" not in path.parts}
    missing = {}
    for path in (*TEXTS, ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        named = set(re.findall(r"\b([A-Za-z][\w-]*\.md)\b", path.read_text(encoding="utf-8")))
        if path != Path(__file__) and named - pages:
            missing[str(path.relative_to(ROOT))] = named - pages
    assert missing == {}
