"""The browser that pages are looked at with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-dev-shm-usage"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless chromium."""
    from playwright import sync_api  # files that need it are skipped where it is not installed

    with sync_api.sync_playwright() as found:
        one = found.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield one
        one.close()
