"""The docs are true: every command stands in them and can be read by the program, and no link leads nowhere."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from dashboard.cli import parser

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCS = {path: path.read_text(encoding="utf-8") for path in (
    ROOT / "README.md", *sorted((ROOT / "dashboard" / "docs").glob("*.md")))}
THREE_MINUTES = 700  # words, at some 230 a minute


def commands() -> list[str]:
    """All commands of the program."""
    for action in parser()._subparsers._group_actions:
        return list(action.choices)
    return []


def test_every_command_stands_in_the_table_of_commands_and_no_other_does():
    table = re.findall(r"^\| `tarnlight ([a-z-]+)`", DOCS[ROOT / "dashboard/docs/commands.md"], flags=re.MULTILINE)
    assert sorted(table) == sorted(commands())


def test_every_command_that_the_docs_write_out_can_be_read_by_the_program():
    written = [one.replace("\n", " ").replace("HOST:PORT", "127.0.0.1:1883")
               for text in DOCS.values() for one in re.findall(r"`(tarnlight [^`]+)`", text)]
    whole = [one for one in written if one.count(" ") > 1 and not re.search(r"\b[A-Z]{2,}\b", one)]
    assert len(whole) >= 6
    for one in whole:
        parser().parse_args(shlex.split(one)[1:])  # exits where it cannot be read


def test_no_link_leads_nowhere():
    missing = [
        f"{path.name}: {link}" for path, text in DOCS.items()
        for link in re.findall(r"\]\(([^)#]+)\)", text)
        if not link.startswith("https://") and not (path.parent / link).exists()]
    assert missing == []


def test_every_page_of_the_docs_is_led_to_from_readme():
    for path in DOCS:
        assert path.name == "README.md" or f"(dashboard/docs/{path.name})" in README


def test_readme_is_read_in_three_minutes():
    assert len(re.findall(r"\w+", re.sub(r"```.*?```|\([^)]*\)", "", README, flags=re.DOTALL))) <= THREE_MINUTES


def test_readme_opens_with_the_job_and_two_commands():
    first = README.split("##")[0]
    assert "remote cabins" in first
    assert "local health authority" in first
    assert ".venv/bin/tarnlight demo" in README.split("## Two commands")[1].split("##")[0]
    assert ".ci/test" in README.split("## Two commands")[1].split("##")[0]


def test_what_ci_runs_is_the_test_command_of_readme():
    assert re.search(r"^\.ci/test\b", (ROOT / ".ci/run").read_text(encoding="utf-8"), flags=re.MULTILINE)
