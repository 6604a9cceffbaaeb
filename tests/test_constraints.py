"""What is installed here is what `.ci/constraints.txt` pins, to the version, and nothing else."""

from __future__ import annotations

import re
from importlib.metadata import distributions
from pathlib import Path

PINNED = Path(__file__).parents[1] / ".ci" / "constraints.txt"
OWN = {"tarnlight", "pip", "setuptools", "wheel"}
LEFT_OVER = {"types-python-dateutil"}  # of older versions, where an environment was not made anew


def plain(name: str) -> str:
    """A name as indexes compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_version_is_pinned_exactly_and_is_the_one_installed():
    lines = [line for line in PINNED.read_text().splitlines() if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[^=\s]+", line) for line in lines), lines
    pins = {plain(line.split("==")[0]): line.split("==")[1] for line in lines}
    assert len(pins) == len(lines)
    here = {plain(one.metadata["Name"]): one.version for one in distributions()}
    assert {name: here.get(name) for name in pins} == pins
    assert {name for name in here if name not in OWN} - set(pins) <= LEFT_OVER
